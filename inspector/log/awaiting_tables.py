"""The table of photos that are kept and wait for their inspection: what the program has still to do, no evidence.

A row is added in the transaction that logs its photo, and removed in the one that logs its inspection. It is outside
the history: who claimed a photo and for how long says nothing about a piece.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, SmallInteger, Text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from inspector.log.tables import Base, PhotoRow

__all__ = ["AwaitingPhotoRow"]


class AwaitingPhotoRow(Base):
    """A photo that waits for its inspection, or for a person to say what it shows."""

    __tablename__ = "awaiting_photo"

    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id"), unique=True)
    pour_id: Mapped[int | None] = mapped_column(ForeignKey("pour.id"))
    """This and the next three were said about a piece that is not in the log yet: its mold is to be found out."""
    demolded_at: Mapped[datetime | None]
    demolded_offset_min: Mapped[int | None] = mapped_column(SmallInteger)
    view: Mapped[str | None]
    sent_by: Mapped[str | None]
    refused: Mapped[str | None] = mapped_column(Text)
    """Why a person has to say what it shows; None while it waits for the program."""
    likely: Mapped[list[Any]] = mapped_column(JSON)
    """The molds that it may show then, best first."""
    tries: Mapped[int]
    """How often an inspection of it was begun; one whose claim ran out does not count."""
    lapses: Mapped[int] = mapped_column(server_default="0")
    """How often a claim on it ran out: the machine had no time for it, or all of the program ended."""
    claimed_by: Mapped[str | None]
    claimed_until: Mapped[datetime | None]
    """Until then nobody else begins with it."""
    created_at: Mapped[datetime]

    photo: Mapped[PhotoRow] = relationship()

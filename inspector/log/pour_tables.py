"""The tables of what was wrong with pours: what stood there before a correction, and pours that never were.

Rows are only ever added.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, SmallInteger, Text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from inspector.log.tables import Base, MixRow

__all__ = ["PourCorrectionRow", "PourWithdrawalRow"]


class PourCorrectionRow(Base):
    """A pour as it stood until somebody corrected it; the row of the pour itself tells what holds now."""

    __tablename__ = "pour_correction"

    id: Mapped[int] = mapped_column(primary_key=True)
    pour_id: Mapped[int] = mapped_column(ForeignKey("pour.id"), index=True)
    mix_id: Mapped[int | None] = mapped_column(ForeignKey("mix.id"))
    poured_at: Mapped[datetime]
    poured_offset_min: Mapped[int] = mapped_column(SmallInteger)
    cure_notes: Mapped[str] = mapped_column(Text)
    molds: Mapped[list[Any]] = mapped_column(JSON)
    """Names of the molds that it went into."""
    corrected_by: Mapped[str]
    why: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime]

    mix: Mapped[MixRow | None] = relationship()


class PourWithdrawalRow(Base):
    """A pour that was written down by mistake: it fills no mold and stays visible with the reason."""

    __tablename__ = "pour_withdrawal"

    id: Mapped[int] = mapped_column(primary_key=True)
    pour_id: Mapped[int] = mapped_column(ForeignKey("pour.id"), unique=True)
    withdrawn_by: Mapped[str]
    why: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime]

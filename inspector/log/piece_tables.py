"""The table of what was wrong with pieces: the pour and time of demolding that stood there before a correction.

Rows are only ever added.
"""

from datetime import datetime

from sqlalchemy import ForeignKey, SmallInteger, Text
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["PieceCorrectionRow"]


class PieceCorrectionRow(Base):
    """A piece as it stood until somebody corrected it; the row of the piece itself tells what holds now."""

    __tablename__ = "piece_correction"

    id: Mapped[int] = mapped_column(primary_key=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    pour_id: Mapped[int | None] = mapped_column(ForeignKey("pour.id"))
    demolded_at: Mapped[datetime | None]
    demolded_offset_min: Mapped[int | None] = mapped_column(SmallInteger)
    corrected_by: Mapped[str]
    why: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime]

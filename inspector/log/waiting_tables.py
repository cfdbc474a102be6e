"""The table of pieces that wait for a decision: what the log says, kept so that not all pieces are looked at."""

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["WaitingPieceRow"]


class WaitingPieceRow(Base):
    """A piece that waits for a decision."""

    __tablename__ = "waiting_piece"

    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), primary_key=True, autoincrement=False)
    score: Mapped[float | None]
    """The highest on its photos; None where there is none that could be judged."""

"""The tables of what is worked out from the log and kept beside it, so that no page reads all that belongs to it anew.

They say nothing that the log does not, are outside its history, and can be made anew at any time (`rollups.py`).
"""

from datetime import datetime

from sqlalchemy import ForeignKey, Index, SmallInteger, Text, text
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["PHOTO_STATES", "MoldPourRow", "PhotoCountRow", "PieceStandingRow", "SitePourRow"]

PHOTO_STATES = ("waiting", "inspected", "unusable")
"""What the latest inspection of a photo came to; `waiting` where there is none yet."""


def _of_those_that_wait(*columns: str) -> Index:
    """Index pieces by how unsure it is, those that wait alone: most of a log waits no longer."""
    waits = text("unsure_rank IS NOT NULL")
    return Index(None, *columns, "unsure_rank", "piece_id", sqlite_where=waits, postgresql_where=waits)


class PieceStandingRow(Base):
    """How it stands with a piece, by its latest inspections, reviews, notes and words."""

    __tablename__ = "piece_standing"
    __table_args__ = (
        Index(None, "mold_id", "seen_at", "piece_id"),
        Index(None, "seen_at", "piece_id"),
        Index(None, "waiting_rank", "piece_id"),
        Index(None, "mold_id", "waiting_rank", "piece_id"),
        # A log of several sites asks for the pieces of one; a log of one site names none in its queries.
        Index(None, "site_id", "seen_at", "piece_id"),
        Index(None, "site_id", "waiting_rank", "piece_id"),
        _of_those_that_wait(),
        _of_those_that_wait("mold_id"),
        _of_those_that_wait("site_id"),
    )

    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), primary_key=True, autoincrement=False)
    mold_id: Mapped[int] = mapped_column(ForeignKey("mold.id"))
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    """That of its mold."""
    seen_at: Mapped[datetime]
    """When it was demolded; where that is unknown, when it was logged."""
    waiting_rank: Mapped[float | None]
    """Where it stands among the pieces that wait for a decision, the lowest first: 1 less its score, 2 without one."""
    unsure_rank: Mapped[float | None]
    """The same if the least sure come first: how far its score lies from one half, 2 without one."""
    score: Mapped[float | None]
    """The highest on its photos; None where there is none that could be judged."""
    photos_waiting: Mapped[int] = mapped_column(SmallInteger)
    photos_inspected: Mapped[int] = mapped_column(SmallInteger)
    photos_unusable: Mapped[int] = mapped_column(SmallInteger)
    """How many of its photos there are in each state."""
    outcome: Mapped[str | None]
    found: Mapped[str] = mapped_column(Text)
    """JSON: kind, confidence, verdict and feature of each finding that nobody dismissed."""
    noted: Mapped[str | None] = mapped_column(Text)
    """JSON: kind and feature of each defect that the latest note names; None without a note."""


class PhotoCountRow(Base):
    """How many photos there are in each state, of all pieces of a site together."""

    __tablename__ = "photo_count"

    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"), primary_key=True, autoincrement=False)
    state: Mapped[str] = mapped_column(primary_key=True)
    photos: Mapped[int]


class MoldPourRow(Base):
    """That a pour went into a mold at a time; those withdrawn are left out."""

    __tablename__ = "mold_pour"

    mold_id: Mapped[int] = mapped_column(ForeignKey("mold.id"), primary_key=True, autoincrement=False)
    poured_at: Mapped[datetime] = mapped_column(primary_key=True)
    pour_id: Mapped[int] = mapped_column(ForeignKey("pour.id"), primary_key=True, autoincrement=False, index=True)


class SitePourRow(Base):
    """That a pour was made at a site at a time: lists of pours go on by it, past none of another site."""

    __tablename__ = "site_pour"

    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"), primary_key=True, autoincrement=False)
    """That of the molds that it filled."""
    poured_at: Mapped[datetime] = mapped_column(primary_key=True)
    pour_id: Mapped[int] = mapped_column(ForeignKey("pour.id"), primary_key=True, autoincrement=False, index=True)
    withdrawn: Mapped[bool]

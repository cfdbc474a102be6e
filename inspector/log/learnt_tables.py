"""The tables of what was learnt from the whole log at once, until it is learnt anew."""

from datetime import datetime

from sqlalchemy import ForeignKey, Text
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["LearntRow", "MoldOutlookRow"]


class LearntRow(Base):
    """What all molds of a site tell about any of them; there is one row a site at most."""

    __tablename__ = "learnt"

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    created_at: Mapped[datetime]
    said: Mapped[str] = mapped_column(Text)
    """JSON."""


class MoldOutlookRow(Base):
    """What lists of all molds say of one, as it was worked out then."""

    __tablename__ = "mold_outlook"

    mold_id: Mapped[int] = mapped_column(ForeignKey("mold.id"), primary_key=True, autoincrement=False)
    said: Mapped[str] = mapped_column(Text)
    """JSON."""
    months: Mapped[str | None] = mapped_column(Text)
    """JSON: what was lost and to be expected in each month; None where an older program worked it out."""

"""The tables of designs that sites share, and of what the pieces of each mold of one tell by themselves.

Which design a mold is of stands in its row. A design is known at the sites that share it, and nowhere else.
"""

from datetime import datetime

from sqlalchemy import ForeignKey, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["DesignRow", "DesignSiteRow", "MoldEstimateRow"]


class DesignRow(Base):
    """What several molds are cast from, at whichever site. Never removed, since molds name it."""

    __tablename__ = "design"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    created_at: Mapped[datetime]


class DesignSiteRow(Base):
    """That a site shares a design: what its molds of it taught goes to the others, and theirs to it."""

    __tablename__ = "design_site"
    __table_args__ = (UniqueConstraint("design_id", "site_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    design_id: Mapped[int] = mapped_column(ForeignKey("design.id"))
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    created_at: Mapped[datetime]


class MoldEstimateRow(Base):
    """What the pieces of a mold tell by themselves, until it is learnt anew."""

    __tablename__ = "mold_estimate"

    mold_id: Mapped[int] = mapped_column(ForeignKey("mold.id"), primary_key=True, autoincrement=False)
    said: Mapped[str] = mapped_column(Text)
    """JSON."""

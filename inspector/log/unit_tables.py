"""The table of the units that a workshop reads on its pages. Rows are only ever added; the latest counts."""

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["UnitChoiceRow"]


class UnitChoiceRow(Base):
    """A choice of units; what the log holds stays metric."""

    __tablename__ = "unit_choice"
    __table_args__ = (CheckConstraint("units IN ('metric', 'us')", name="units"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    units: Mapped[str]
    said_by: Mapped[str]
    created_at: Mapped[datetime]

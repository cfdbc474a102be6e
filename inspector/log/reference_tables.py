"""The table of which references are used: one that is retired stays on record, and may be taken up again.

Rows are only ever added; the latest of a reference counts. One without a row is used once somebody said yes to it.
"""

from datetime import datetime

from sqlalchemy import ForeignKey, ScalarSelect, Text, func, select
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["ReferenceUseRow", "latest_uses"]


class ReferenceUseRow(Base):
    """From when on a reference is used, or no more, and why."""

    __tablename__ = "reference_use"

    id: Mapped[int] = mapped_column(primary_key=True)
    reference_id: Mapped[int] = mapped_column(ForeignKey("reference.id"), index=True)
    in_use: Mapped[bool]
    said_by: Mapped[str]
    why: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime]


def latest_uses() -> ScalarSelect[int]:
    """Select the ids of the rows that count."""
    return select(func.max(ReferenceUseRow.id)).group_by(ReferenceUseRow.reference_id).scalar_subquery()

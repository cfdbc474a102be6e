"""The tables of which references are used, and of where people say that the piece is on them.

Rows are only ever added; the latest of a reference counts. One without a row is used once somebody said yes to it, with
the outline that was found.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, ScalarSelect, Text, func, select
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["ReferenceOutlineRow", "ReferenceUseRow", "latest_outlines", "latest_uses"]


class ReferenceUseRow(Base):
    """From when on a reference is used, or no more, and why."""

    __tablename__ = "reference_use"

    id: Mapped[int] = mapped_column(primary_key=True)
    reference_id: Mapped[int] = mapped_column(ForeignKey("reference.id"), index=True)
    in_use: Mapped[bool]
    said_by: Mapped[str]
    why: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime]


class ReferenceOutlineRow(Base):
    """From when on a reference has an outline that a person corrected, or again the one that was found."""

    __tablename__ = "reference_outline"

    id: Mapped[int] = mapped_column(primary_key=True)
    reference_id: Mapped[int] = mapped_column(ForeignKey("reference.id"), index=True)
    outline_xy: Mapped[list[Any] | None] = mapped_column(JSON(none_as_null=True))
    said_by: Mapped[str]
    created_at: Mapped[datetime]


def latest_outlines() -> ScalarSelect[int]:
    """Select the ids of the rows that count."""
    return select(func.max(ReferenceOutlineRow.id)).group_by(ReferenceOutlineRow.reference_id).scalar_subquery()


def latest_uses() -> ScalarSelect[int]:
    """Select the ids of the rows that count."""
    return select(func.max(ReferenceUseRow.id)).group_by(ReferenceUseRow.reference_id).scalar_subquery()

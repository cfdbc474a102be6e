"""The table of which dismissed findings teach what is normal: a person may switch that off, and on again.

Rows are only ever added; the latest of a finding counts. A dismissed finding without a row teaches.
"""

from datetime import datetime

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["LessonUseRow"]


class LessonUseRow(Base):
    """From when on the place of a finding is taken as normal no more, or again."""

    __tablename__ = "lesson_use"

    id: Mapped[int] = mapped_column(primary_key=True)
    finding_id: Mapped[int] = mapped_column(ForeignKey("finding.id"), index=True)
    in_use: Mapped[bool]
    said_by: Mapped[str]
    created_at: Mapped[datetime]

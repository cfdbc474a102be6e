"""The table of what is put on a mold before a pour, from when on; before its first row, what the mold began with.

Rows are only ever added; of two that begin at the same time the later one counts.
"""

from datetime import datetime

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["ReleaseAgentRow"]


class ReleaseAgentRow(Base):
    """A release agent of a mold from a time on."""

    __tablename__ = "release_agent"

    id: Mapped[int] = mapped_column(primary_key=True)
    mold_id: Mapped[int] = mapped_column(ForeignKey("mold.id"), index=True)
    release_agent: Mapped[str]
    from_at: Mapped[datetime]
    said_by: Mapped[str]
    created_at: Mapped[datetime]

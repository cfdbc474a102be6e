"""The table of the history: one row for each state that a row of another table has had."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Index, LargeBinary
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["ChangeRow"]


class ChangeRow(Base):
    """That a row was added, changed or removed; `inspector.log.history` says how one holds to the next."""

    __tablename__ = "change"
    __table_args__ = (
        CheckConstraint("did IN ('added', 'changed', 'removed', 'carried over')", name="did"),
        Index(None, "row_table", "row_id", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[datetime]
    by: Mapped[str | None]
    """Who did it, None where nobody had given a name."""
    did: Mapped[str]
    """`carried over`: by a migration, or when the history began."""
    row_table: Mapped[str]
    row_id: Mapped[int]
    before: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    """The state that was changed or removed."""
    state_sha256: Mapped[bytes | None] = mapped_column(LargeBinary(32))
    """Of the state from then on, None where the row is gone."""
    link: Mapped[bytes] = mapped_column(LargeBinary(32))

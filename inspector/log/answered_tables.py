"""The table of findings that a person had spoken on before they were found once more, by a later inspection."""

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["AnsweredFindingRow"]


class AnsweredFindingRow(Base):
    """A finding that does not count beside an earlier one, which a person has spoken on."""

    __tablename__ = "answered_finding"

    id: Mapped[int] = mapped_column(primary_key=True)
    finding_id: Mapped[int] = mapped_column(ForeignKey("finding.id"), unique=True)
    answered_by_id: Mapped[int] = mapped_column(ForeignKey("finding.id"))
    """The earlier one, of the same photo; what is said about it holds."""

"""The table of sites: halls or workshops that share a log, each with its own molds, mixes, photos and people."""

from datetime import datetime

from sqlalchemy.orm import Mapped, mapped_column

from inspector.log.tables import Base

__all__ = ["FIRST_SITE", "SiteRow"]

FIRST_SITE = "first"
"""What the one site of a log is called until it gets a name; nobody sees it while there is only one."""


class SiteRow(Base):
    """A site. Sites are never removed, since what was made there names them."""

    __tablename__ = "site"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    created_at: Mapped[datetime]

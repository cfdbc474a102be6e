"""Where a log is kept: the folder of its photos, and its database."""

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.engine import make_url

__all__ = ["LogPlace"]


@dataclass(frozen=True, slots=True)
class LogPlace:
    """Where a log is kept."""

    folder: Path
    """Of the photos, of pictures made from them, and of the database where that is a file."""
    database: str | None = None
    """The URL of a database that a PostgreSQL server keeps; None for an SQLite file in the folder."""

    def __str__(self) -> str:
        """Its name for people, without any password."""
        if self.database is None:
            return str(self.folder)
        url = make_url(self.database).set(drivername="postgresql")
        return f"{self.folder} and {url.render_as_string(hide_password=True)}"

    @classmethod
    def of(cls, where: "Path | LogPlace") -> "LogPlace":
        """Take a folder for a log that lies in it altogether."""
        return where if isinstance(where, LogPlace) else cls(where)

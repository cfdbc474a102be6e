"""Where a log is kept: its folder, its database, and its photos."""

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.engine import make_url

__all__ = ["LogPlace"]


@dataclass(frozen=True, slots=True)
class LogPlace:
    """Where a log is kept."""

    folder: Path
    """Of pictures made from photos, and of the photos and the database where no other place is named for them."""
    database: str | None = None
    """The URL of a database that a PostgreSQL server keeps; None for an SQLite file in the folder."""
    photos: str | None = None
    """The URL of an object store that keeps the photos, as in s3://bucket/prefix; None for files in the folder."""

    def __str__(self) -> str:
        """Its name for people, without any password."""
        names = [str(self.folder)]
        if self.database is not None:
            url = make_url(self.database).set(drivername="postgresql")
            names.append(url.render_as_string(hide_password=True))
        if self.photos is not None:
            names.append(self.photos)
        return " and ".join(names)

    @classmethod
    def of(cls, where: "Path | LogPlace") -> "LogPlace":
        """Take a folder for a log that lies in it altogether."""
        return where if isinstance(where, LogPlace) else cls(where)

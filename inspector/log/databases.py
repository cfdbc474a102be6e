"""What a log asks of the database that keeps its rows, and which one a place names."""

from datetime import datetime
from pathlib import Path
from typing import Protocol

from sqlalchemy import Connection, Engine

from inspector.log.places import LogPlace
from inspector.log.postgresql_server import PostgresqlDatabase
from inspector.log.row_copies import CopiedTable, ToldOfCopy, unwatched
from inspector.log.sqlite_file import SqliteFile

__all__ = ["DATABASE_NAME", "Database", "database_of"]

DATABASE_NAME = "log.sqlite3"


class Database(Protocol):
    """Where the rows of a log are kept. As text it is its name for people, without any password."""

    @property
    def to_do(self) -> str:
        """What to see to where it cannot be read or written."""

    def holds_log(self) -> bool:
        """Whether there is a log in it."""

    def connect(self) -> Engine:
        """Connect to it, for those who read."""

    def for_writing(self, engine: Engine) -> Engine:
        """Give the same connection for those who write: one after the other, in all programs."""

    def for_migrating(self, engine: Engine) -> Engine:
        """Give the same connection for writing tables anew that others refer to; it is let go of afterwards."""

    def copy_to(self, target: Path) -> None:
        """Copy it as it is at one moment into a new SQLite file."""

    def take_over(self, copy: Path) -> None:
        """Become what a copy that `copy_to` made holds, where there is no log yet; all or nothing. It is used up."""

    def take_rows(self, source: Connection, *, told: ToldOfCopy = unwatched) -> tuple[CopiedTable, ...]:
        """Become what another database holds, where there is no log yet; all or nothing."""

    def now(self, connection: Connection) -> datetime:
        """The time by the one clock that all who share the database go by."""

    def faults(self, connection: Connection) -> list[str]:
        """Tell what is wrong with the database itself."""

    def dangling(self, connection: Connection) -> list[tuple[str, int, str]]:
        """Name table and number of rows that refer to a row which is not there, and the table of that one."""

    def risks(self, connection: Connection) -> list[str]:
        """Tell what may lose acknowledged words at a power cut."""


def database_of(place: LogPlace) -> Database:
    """Find the database of a log; it is not asked for anything yet.

    Raises
    ------
    InputError
        If the place names a database of a kind that keeps no log.
    """
    if place.database is None:
        return SqliteFile(place.folder / DATABASE_NAME)
    return PostgresqlDatabase(place.database)

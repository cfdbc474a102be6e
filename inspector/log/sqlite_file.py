"""A log's database as an SQLite file in its folder."""

import logging
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event

from inspector.errors import InputError
from inspector.log.durable_files import make_folder, remove_left_over, whole_file
from inspector.log.row_copies import CopiedTable, ToldOfCopy, copy_rows, unwatched
from inspector.log.schema import bring_to_schema, schema_of

__all__ = ["SqliteFile", "disposing"]

# Another process may be writing (a second window, a backup); writes take milliseconds, so this is generous.
_BUSY_TIMEOUT_S = 30
# What a file that is filled may keep of itself in memory: indexes are sorted there.
_FILLING_KIB = 64 * 1024

_logger = logging.getLogger(__name__)


class SqliteFile:
    """An SQLite file."""

    to_do = "See that the disk has room, that the file may be written to and that no other program holds it."

    def __init__(self, path: Path) -> None:
        self.path = path

    def __str__(self) -> str:
        return str(self.path)

    def holds_log(self) -> bool:
        """Whether the file is there."""
        return self.path.is_file()

    def connect(self) -> Engine:
        """Connect to it, with all that keeps what was acknowledged; it is made where missing."""
        engine = create_engine(f"sqlite:///{self.path.as_posix()}", connect_args={"timeout": _BUSY_TIMEOUT_S})

        @event.listens_for(engine, "connect")
        def _configure(connection: sqlite3.Connection, _record: Any) -> None:
            connection.isolation_level = None  # transactions begin below, DDL included
            cursor = connection.cursor()
            _keep_write_ahead(cursor)
            cursor.execute("PRAGMA synchronous = FULL")  # in WAL, NORMAL may lose the last commits at a power cut
            cursor.execute("PRAGMA foreign_keys = ON")
            cursor.execute("PRAGMA trusted_schema = OFF")  # a database that was restored may come from anywhere
            cursor.close()

        @event.listens_for(engine, "begin")
        def _begin(connection: Connection) -> None:
            options = connection.get_execution_options()
            if options.get("sqlite_references") == "unchecked":
                connection.exec_driver_sql("PRAGMA foreign_keys = OFF")  # within a transaction it would do nothing
            kind = options.get("sqlite_begin", "DEFERRED")
            connection.exec_driver_sql(f"BEGIN {kind}")

        return engine

    def for_writing(self, engine: Engine) -> Engine:
        """Have those who write take the lock when they begin.

        A reader that turns writer could otherwise find that somebody else wrote in between, and no waiting would help.
        """
        return engine.execution_options(sqlite_begin="IMMEDIATE")

    def for_migrating(self, engine: Engine) -> Engine:
        """Have references unchecked while tables are written anew (https://sqlite.org/lang_altertable.html, 7).

        SQLite changes few things in place; a table goes for a moment while others refer to it.
        """
        return engine.execution_options(sqlite_begin="IMMEDIATE", sqlite_references="unchecked")

    def copy_to(self, target: Path) -> None:
        """Copy the database as it is at one moment, while others read and write it.

        Raises
        ------
        sqlite3.Error
            If it cannot be read, or the copy cannot be written.
        """
        with closing(sqlite3.connect(self.path)) as source, closing(sqlite3.connect(target)) as copy:
            source.backup(copy)  # in one step, over a transaction that reads: writers go on (sqlite.org/backup)

    def take_over(self, copy: Path) -> None:
        """Become a copy on the same disk, where there is no file yet; on disk when this returns, or not there at all.

        Raises
        ------
        OSError
            If it cannot be written.
        """
        make_folder(self.path.parent)
        with whole_file(self.path) as part:
            copy.replace(part)

    def take_rows(self, source: Connection, *, told: ToldOfCopy = unwatched) -> tuple[CopiedTable, ...]:
        """Become what another database holds, where there is no file yet; on disk when this returns, or not there.

        One that was killed leaves a hidden file, which the next one removes once nobody has written to it for an hour.

        Raises
        ------
        InputError
            If there is a file.
        InspectorError
            If the rows did not arrive as they were.
        OSError
            If it cannot be written.
        """
        if self.holds_log():
            raise InputError(f"{self} holds a log already, and nothing is written over. Move that one away first.")
        make_folder(self.path.parent)
        remove_left_over(self.path.parent.glob(f".{self.path.name}-*.part"), now_s=time.time())
        with whole_file(self.path) as part:
            return SqliteFile(part).fill(source, told=told)

    def fill(self, source: Connection, *, told: ToldOfCopy = unwatched) -> tuple[CopiedTable, ...]:
        """Put what another database holds into this file, which is new or empty.

        Whoever calls this removes the file where it fails, and brings it to disk where it does not.
        """
        engine = self.connect()
        event.listen(engine, "connect", _write_straight_into_the_file)
        with disposing(engine), engine.begin() as target:
            bring_to_schema(target, schema_of(source) or "base")
            return copy_rows(source, target, told=told)

    def now(self, connection: Connection) -> datetime:  # noqa: ARG002 - a server has a clock of its own
        """The time by the clock of this machine, which all who share the file are at."""
        return datetime.now(UTC)

    def faults(self, connection: Connection) -> list[str]:
        """Have SQLite look at every page (https://sqlite.org/pragma.html#pragma_integrity_check)."""
        said = [text for (text,) in connection.exec_driver_sql("PRAGMA integrity_check")]
        return [] if said == ["ok"] else said[:5]

    def dangling(self, connection: Connection) -> list[tuple[str, int, str]]:
        """Name rows that refer to what is not there: written by a program that did not have SQLite refuse them."""
        return sorted(
            (name, row_id, other) for name, row_id, other, _ in connection.exec_driver_sql("PRAGMA foreign_key_check")
        )

    def risks(self, connection: Connection) -> list[str]:  # noqa: ARG002 - a server may be set otherwise
        """Name what may lose acknowledged words at a power cut: nothing, as `connect` sets it."""
        return []


@contextmanager
def disposing(engine: Engine) -> Iterator[Engine]:
    """Let go of the database when the block is left."""
    try:
        yield engine
    finally:
        engine.dispose()


def _write_straight_into_the_file(connection: sqlite3.Connection, _record: Any) -> None:
    """Nothing can be undone in a file that is removed where anything fails, and references come with their rows."""
    for setting in ("journal_mode = OFF", "synchronous = OFF", "foreign_keys = OFF", f"cache_size = {-_FILLING_KIB}"):
        connection.execute(f"PRAGMA {setting}").close()


def _keep_write_ahead(cursor: sqlite3.Cursor) -> None:
    """Let readers and a writer go on side by side: a mode that the file remembers.

    Two that open a new log at once each stand in the way of the other's switch, and SQLite refuses that one statement
    at once instead of waiting. Both work in the mode that the file then has; the next connection switches it.
    """
    try:
        cursor.execute("PRAGMA journal_mode = WAL")
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
            raise
        _logger.info("another opens this log at the same time; the next connection makes it write ahead")

"""The open log: one database, the folder of photos beside it, and its schema brought up to date."""

import logging
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from inspector.errors import InputError, InspectorError
from inspector.log.durable_files import make_folder, whole_file
from inspector.log.history import carry_over, history_faults, recording_history
from inspector.log.photos import PhotoFolder

__all__ = [
    "DATABASE_NAME",
    "Log",
    "copy_database",
    "database_engine",
    "known_schemas",
    "make_data_folder",
    "open_log",
    "photo_folder",
]

DATABASE_NAME = "log.sqlite3"
_MIGRATIONS = Path(__file__).parent / "migrations"
# Another process may be writing (a second window, a backup); writes take milliseconds, so this is generous.
_BUSY_TIMEOUT_S = 30

_logger = logging.getLogger(__name__)


class Log:
    """An open log. Reading and writing go through `reading` and `writing`; it may be shared by threads."""

    def __init__(self, engine: Engine, photos: PhotoFolder, *, database: Path) -> None:
        self.photos = photos
        self.database = database
        self._engine = engine
        # Writers take the lock when they begin: a reader that turns writer could otherwise find
        # that somebody else wrote in between, and no waiting would help.
        self._write_engine = engine.execution_options(sqlite_begin="IMMEDIATE")
        # Writers of this program take turns. Left to SQLite each would ask again after a pause, whoever came first.
        self._turn = threading.RLock()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that sees one state of the log and writes nothing."""
        with self._explained("read"), Session(self._engine) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Give a session that is committed with its history, and on disk, when the block is left; undone on failure."""
        with (
            self._explained("written"),
            self._turn,
            Session(self._write_engine) as session,
            session.begin(),
            recording_history(session),
        ):
            yield session

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextmanager
    def _explained(self, done: str) -> Iterator[None]:
        try:
            yield
        except OverflowError as error:
            if "SQLite INTEGER" not in str(error):
                raise
            raise InputError("A number that was given is larger than any in the log. Check the numbers.") from error
        except DatabaseError as error:
            if isinstance(error.orig, sqlite3.IntegrityError):
                raise  # a fault of the program, not of the disk
            raise InspectorError(
                f"The log {self.database} could not be {done}: {error.orig}. "
                "See that the disk has room, that the file may be written to and that no other program holds it."
            ) from error


def open_log(data_dir: Path) -> Log:
    """Open the log kept in a folder, making both where missing and bringing the schema up to date.

    A copy of the database is put into `backups` beside it before its schema is changed.

    Raises
    ------
    InspectorError
        If the folder or database cannot be used, or a newer program wrote it.
    """
    database = data_dir / DATABASE_NAME
    try:
        make_data_folder(data_dir)
    except OSError as error:
        raise InspectorError(
            f"The data folder {data_dir} cannot be made: {error.strerror or error}. Name another one with --data."
        ) from error
    log = Log(database_engine(database), photo_folder(data_dir), database=database)
    try:
        _bring_up_to_date(log)
    except BaseException:
        log.close()
        raise
    log.photos.clear_unfinished(now_s=time.time())
    return log


def make_data_folder(data_dir: Path) -> None:
    """Make the folder of a log for this account alone: it holds hashes of passwords, and where photos were taken."""
    make_folder(data_dir, mode=0o700)


def photo_folder(data_dir: Path) -> PhotoFolder:
    """Where the photos of a log lie."""
    return PhotoFolder(data_dir / "photos")


def known_schemas() -> tuple[str, ...]:
    """The schemas that this program can bring up to date, the latest first."""
    return tuple(script.revision for script in ScriptDirectory.from_config(_migrating()).walk_revisions())


def copy_database(database: Path, target: Path) -> None:
    """Copy a database as it is at one moment, while others read and write it.

    Raises
    ------
    sqlite3.Error
        If it cannot be read, or the copy cannot be written.
    """
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(target)) as copy:
        source.backup(copy)  # in one step, over a transaction that reads: writers go on meanwhile (sqlite.org/backup)


def database_engine(database: Path) -> Engine:
    """Connect to the database of a log, with all that keeps what was acknowledged."""
    engine = create_engine(f"sqlite:///{database.as_posix()}", connect_args={"timeout": _BUSY_TIMEOUT_S})

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
        kind = connection.get_execution_options().get("sqlite_begin", "DEFERRED")
        connection.exec_driver_sql(f"BEGIN {kind}")

    return engine


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


def _bring_up_to_date(log: Log) -> None:
    config = _migrating()
    known = known_schemas()
    head = known[0]
    with log.writing() as session:
        connection = session.connection()
        current = MigrationContext.configure(connection).get_current_revision()
        if current == head:
            return
        if current is not None:
            if current not in known:
                raise InspectorError(
                    f"The log {log.database} was written by a newer program (its schema is {current}, this program "
                    f"knows up to {head}). Install that version again, or open another data folder with --data."
                )
            _back_up(log.database, revision=current)
        amiss = [fault.row for fault in history_faults(connection)]
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        carry_over(connection, by=f"schema {current} to {head}", at=datetime.now(UTC), but_for=amiss)
    _logger.info("log %s: schema %s -> %s", log.database, current, head)


def _migrating() -> Config:
    config = Config()
    config.set_main_option("script_location", _MIGRATIONS.as_posix().replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def _back_up(database: Path, *, revision: str) -> None:
    """Copy the database, consistently while it is open, before its schema is changed."""
    folder = database.parent / "backups"
    copy = folder / f"{database.stem}-schema-{revision}-{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}{database.suffix}"
    try:
        make_folder(folder)
        with whole_file(copy) as unfinished:
            copy_database(database, unfinished)
    except (OSError, sqlite3.Error) as error:
        raise InspectorError(
            f"The log {database} has to be brought up to date, and no copy of it could be put into {folder} before: "
            f"{error}. Make room or give write access there, then start again; the log is as it was."
        ) from error

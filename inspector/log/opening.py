"""The open log: one database, the folder of photos beside it, and its schema brought up to date."""

import logging
import sqlite3
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

from inspector.errors import InspectorError
from inspector.log.photos import PhotoFolder

__all__ = ["Log", "open_log"]

_DATABASE_NAME = "log.sqlite3"
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

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that sees one state of the log and writes nothing."""
        with self._explained("read"), Session(self._engine) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Give a session that is committed, and on disk, when the block is left; undone if it fails."""
        with self._explained("written"), Session(self._write_engine) as session, session.begin():
            yield session

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextmanager
    def _explained(self, done: str) -> Iterator[None]:
        try:
            yield
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
    database = data_dir / _DATABASE_NAME
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InspectorError(
            f"The data folder {data_dir} cannot be made: {error.strerror or error}. Name another one with --data."
        ) from error
    log = Log(_sqlite_engine(database), PhotoFolder(data_dir / "photos"), database=database)
    try:
        _bring_up_to_date(log)
    except BaseException:
        log.close()
        raise
    return log


def _sqlite_engine(database: Path) -> Engine:
    engine = create_engine(f"sqlite:///{database.as_posix()}", connect_args={"timeout": _BUSY_TIMEOUT_S})

    @event.listens_for(engine, "connect")
    def _configure(connection: sqlite3.Connection, _record: Any) -> None:
        connection.isolation_level = None  # transactions begin below, DDL included
        cursor = connection.cursor()
        _keep_write_ahead(cursor)
        cursor.execute("PRAGMA synchronous = FULL")  # in WAL, NORMAL may lose the last commits at a power cut
        cursor.execute("PRAGMA foreign_keys = ON")
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
    config = Config()
    config.set_main_option("script_location", _MIGRATIONS.as_posix().replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    scripts = ScriptDirectory.from_config(config)
    head = scripts.get_current_head()
    with log.writing() as session:
        connection = session.connection()
        current = MigrationContext.configure(connection).get_current_revision()
        if current == head:
            return
        if current is not None:
            if current not in {script.revision for script in scripts.walk_revisions()}:
                raise InspectorError(
                    f"The log {log.database} was written by a newer program (its schema is {current}, this program "
                    f"knows up to {head}). Install that version again, or open another data folder with --data."
                )
            _back_up(log.database, revision=current)
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
    _logger.info("log %s: schema %s -> %s", log.database, current, head)


def _back_up(database: Path, *, revision: str) -> Path:
    """Copy the database, consistently while it is open, before its schema is changed."""
    folder = database.parent / "backups"
    folder.mkdir(exist_ok=True)
    copy = folder / f"{database.stem}-schema-{revision}-{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}{database.suffix}"
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
    return copy

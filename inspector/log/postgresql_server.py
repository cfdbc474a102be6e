"""A log's database as one that a PostgreSQL server keeps."""

import logging
import time
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, MetaData, and_, create_engine, event, exists, select
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DataError, IntegrityError

from inspector.errors import InputError
from inspector.log.database_errors import said_by
from inspector.log.row_copies import CopiedTable, CopyStep, ToldOfCopy, copy_rows, is_empty, unwatched
from inspector.log.schema import bring_to_schema, schema_of
from inspector.log.sqlite_file import SqliteFile, disposing

__all__ = ["PostgresqlDatabase"]

_DRIVER = "postgresql+psycopg"
_CONNECT_TIMEOUT_S = 10
# Another process may be writing (another server, a migration); writes take milliseconds, so this is generous.
_LOCK_TIMEOUT_S = 30
_TOLD_EVERY_S = 10
# What writers lock, so that they come one after the other: a number of our own, the first bytes of "Inspector" read as
# one. Numbers of rows and the chain of the history follow the order of commits, as in SQLite.
_WRITERS = int.from_bytes(b"Inspecto")

# As psycopg numbers it (`psycopg.IsolationLevel`), which need not be installed.
_REPEATABLE_READ = 3

# Off, either may lose commits that were acknowledged, at a power cut of the server.
_KEEPS_COMMITS = ("fsync", "full_page_writes")


_logger = logging.getLogger(__name__)


class PostgresqlDatabase:
    """A database of a PostgreSQL server."""

    to_do = (
        "See that the server runs and can be reached, that address, user and password are right, and that its disk "
        "has room."
    )

    def __init__(self, url: str) -> None:
        self._url = _read_url(url)

    def __str__(self) -> str:
        return self._url.set(drivername="postgresql").render_as_string(hide_password=True)

    def holds_log(self) -> bool:
        """Whether there is a schema in it."""
        with disposing(self.connect()) as engine, engine.connect() as connection:
            return schema_of(connection) is not None

    def connect(self) -> Engine:
        """Connect to it, with all that keeps what was acknowledged; readers see one state each, and write nothing."""
        try:
            engine = create_engine(
                self._url,
                connect_args={"connect_timeout": _CONNECT_TIMEOUT_S, "application_name": "inspector"},
                pool_pre_ping=True,  # the server may have been started anew
            )
        except ModuleNotFoundError as error:
            raise InputError(
                f"The log {self} is kept by a PostgreSQL server, and what speaks to one is not installed. "
                "Install it with: pip install 'psycopg[binary]'."
            ) from error

        @event.listens_for(engine, "connect")
        def _configure(connection: Any, _record: Any) -> None:
            connection.autocommit = True
            # Whatever the server's own settings are: a commit is on its disk before it is answered.
            connection.execute("SET synchronous_commit = on")
            connection.execute("SET timezone = 'UTC'")
            connection.execute(f"SET lock_timeout = '{_LOCK_TIMEOUT_S}s'")
            connection.autocommit = False

        @event.listens_for(engine, "begin")
        def _begin(connection: Connection) -> None:
            writes = connection.get_execution_options().get("takes_turns", False)
            # Told to the driver, it goes with BEGIN: a page begins a dozen transactions or two.
            driver: Any = connection.connection.driver_connection
            driver.isolation_level = None if writes else _REPEATABLE_READ
            driver.read_only = None if writes else True
            if writes:
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITERS})")

        return engine

    def for_writing(self, engine: Engine) -> Engine:
        """Have those who write wait for each other, in all programs: each sees all that was committed before."""
        return engine.execution_options(takes_turns=True)

    def for_migrating(self, engine: Engine) -> Engine:
        """Migrate as one writes: a server changes tables that others refer to in place."""
        return self.for_writing(engine)

    def copy_to(self, target: Path) -> None:
        """Copy the database as it is at one moment into an SQLite file, while others read and write it.

        Of a log of a million pieces that takes minutes: how far it is is told to the program's log.

        Raises
        ------
        sqlalchemy.exc.DatabaseError
            If it cannot be read, or the copy cannot be written.
        """
        with disposing(self.connect()) as engine, engine.connect() as source:
            SqliteFile(target).fill(source, told=_telling(str(self)))

    def take_over(self, copy: Path) -> None:
        """Become what an SQLite copy holds, all or nothing.

        Raises
        ------
        InputError
            If the copy holds what no program of ours wrote.
        """
        with disposing(SqliteFile(copy).connect()) as engine, engine.connect() as source:
            self.take_rows(source)

    def take_rows(self, source: Connection, *, told: ToldOfCopy = unwatched) -> tuple[CopiedTable, ...]:
        """Become what another database holds, all or nothing.

        Raises
        ------
        InputError
            If this one is not empty, or the other holds what no program of ours wrote.
        """
        with disposing(self.connect()) as engine, self.for_writing(engine).begin() as target:
            if not is_empty(target):
                raise InputError(
                    f"The database {self} holds tables already, and nothing is written over. Name an empty one."
                )
            bring_to_schema(target, schema_of(source) or "base")
            try:
                copied = copy_rows(source, target, told=told)
            except (ValueError, DataError) as error:  # SQLite holds anything in any column
                said = said_by(error) if isinstance(error, DataError) else error
                raise InputError(
                    f"The log holds what no column of {self} takes: {said}. Nothing was changed."
                ) from error
            except IntegrityError as error:
                raise InputError(
                    f"The log has a row that refers to one that is not there, which {self} does not take: "
                    f"{said_by(error)}. Nothing was changed; `inspector check` names such rows."
                ) from error
            target.exec_driver_sql("ANALYZE")  # else it plans as for empty tables until it looks for itself
            return copied

    def now(self, connection: Connection) -> datetime:
        """The time by the clock of the server: those of the machines that it serves may differ."""
        now: datetime = connection.exec_driver_sql("SELECT clock_timestamp()").scalar_one()
        return now

    def faults(self, connection: Connection) -> list[str]:
        """Tell whether it holds text as this program writes it; the server looks after its pages itself."""
        encoding = connection.exec_driver_sql("SHOW server_encoding").scalar_one()
        return [] if encoding == "UTF8" else [f"its encoding is {encoding}, where it has to be UTF8"]

    def dangling(self, connection: Connection) -> list[tuple[str, int, str]]:
        """Name rows that refer to what is not there: written or removed while the server's triggers were off."""
        described = MetaData()
        described.reflect(connection)
        found = []
        for each in described.sorted_tables:
            (first_key, *_) = each.primary_key.columns
            for reference in sorted(each.foreign_key_constraints, key=lambda reference: str(reference.name)):
                other = reference.referred_table.alias()
                pairs = [(link.parent, other.c[link.column.name]) for link in reference.elements]
                there = exists().where(and_(*(ours == theirs for ours, theirs in pairs)))
                lost = select(first_key).where(*(ours.is_not(None) for ours, _ in pairs), ~there).order_by(first_key)
                found += [(each.name, row_id, reference.referred_table.name) for row_id in connection.scalars(lost)]
        return found

    def risks(self, connection: Connection) -> list[str]:
        """Name what may lose acknowledged words at a power cut."""
        settings = {name: connection.exec_driver_sql(f"SHOW {name}").scalar_one() for name in _KEEPS_COMMITS}
        return [f"The server's setting {name} is {said}" for name, said in settings.items() if said != "on"]


def _telling(name: str) -> ToldOfCopy:
    """Tell now and then how far a copy is; one that is soon made is not told of."""
    told_at_s = time.monotonic()

    def tell(step: CopyStep) -> None:
        nonlocal told_at_s
        if time.monotonic() - told_at_s >= _TOLD_EVERY_S:
            told_at_s = time.monotonic()
            _logger.warning("copying %s: %s, %d of %d", name, step.doing, step.done, step.of)

    return tell


def _read_url(text: str) -> URL:
    try:
        url = make_url(text)
    except ArgumentError:
        url = None
    if url is None or url.drivername not in ("postgresql", _DRIVER):
        kind = text.partition(":")[0]
        raise InputError(
            f"A database named by {kind!r} cannot keep a log. Name one of a PostgreSQL server, as in "
            "postgresql+psycopg://user@host/database, or none, for an SQLite file in the data folder."
        )
    return url.set(drivername=_DRIVER)

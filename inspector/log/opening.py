"""The open log: one database, what keeps its photos, and its schema brought up to date."""

import copy
import logging
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

from sqlalchemy import Connection, Select, select
from sqlalchemy.exc import DatabaseError, DataError, IntegrityError
from sqlalchemy.orm import Session

from inspector.errors import InputError, InspectorError
from inspector.log.database_errors import said_by
from inspector.log.databases import Database, database_of
from inspector.log.durable_files import make_folder, remove_left_over, whole_file
from inspector.log.history import carry_over, recording_history, rows_amiss
from inspector.log.photo_objects import PhotoObjects
from inspector.log.photos import PhotoFolder, PhotoStore
from inspector.log.places import LogPlace
from inspector.log.rollups import keeping_rollups, rebuild_rollups
from inspector.log.schema import bring_to_schema, known_schemas, schema_of, steps_from
from inspector.log.scope import SiteScope, put_at_site
from inspector.log.site_tables import SiteRow

__all__ = ["Log", "make_data_folder", "open_log", "photos_of"]

# PostgreSQL, appendix A: numeric_value_out_of_range. Its numbers of rows have 31 bits, where SQLite's have 63.
_OUT_OF_RANGE = "22003"
_TOO_LARGE = "A number that was given is larger than any in the log. Check the numbers."

_logger = logging.getLogger(__name__)


class Log:
    """An open log. Reading and writing go through `reading` and `writing`; it may be shared by threads.

    As it is opened it is the log of all sites; `at` gives that of one.
    """

    def __init__(self, place: LogPlace) -> None:
        self.place = place
        self.photos = photos_of(place)
        self.site_id: int | None = None
        """The site that it is held to; None: to none."""
        self._scope: SiteScope | None = None
        self._other_site: Select[int] | None = None
        self.database: Database = database_of(place)
        self._engine = self.database.connect()
        self._write_engine = self.database.for_writing(self._engine)
        # Writers of this program take turns. Left to SQLite each would ask again after a pause, whoever came first.
        self._turn = threading.RLock()

    def at(self, site_id: int) -> Self:
        """Give the same open log as one site sees it: what belongs to others does not exist there."""
        held = copy.copy(self)
        held.site_id, held._scope = site_id, SiteScope(site_id)
        sites = SiteRow.__table__.c.id
        held._other_site = select(sites).where(sites != site_id).limit(1)
        return held

    def whole(self) -> Self:
        """Give the same open log as all sites together see it: for what is told to nobody."""
        whole = copy.copy(self)
        whole.site_id, whole._scope, whole._other_site = None, None, None
        return whole

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that sees one state of the log and writes nothing."""
        with self._explained("read"), Session(self._engine) as session:
            self._hold(session)
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
            keeping_rollups(session),
        ):
            self._hold(session)
            put_at_site(session, self.site_id)
            yield session

    @contextmanager
    def migrating(self) -> Iterator[Session]:
        """Give a session in which tables may be written anew, committed when the block is left."""
        try:
            with (
                self._explained("written"),
                self._turn,
                Session(self.database.for_migrating(self._engine)) as session,
                session.begin(),
            ):
                yield session
        finally:
            self._engine.dispose()  # its connections may not refuse rows that refer to nothing

    @contextmanager
    def held_still(self) -> Iterator[Connection]:
        """Give a connection to read the log by while nobody writes to it, in any program.

        Raises
        ------
        sqlalchemy.exc.DatabaseError
            If it cannot be read.
        """
        with self._turn, self._write_engine.begin() as connection:
            yield connection

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def _hold(self, session: Session) -> None:
        """Hold a session to the site; while there is no other, it sees none anyway.

        That is asked of the connection, past the session: each session asks it, and so it takes half as long.
        """
        if self._scope is None or self._other_site is None:
            return
        if session.connection().scalar(self._other_site) is not None:
            self._scope.hold(session)

    @contextmanager
    def _explained(self, done: str) -> Iterator[None]:
        try:
            yield
        except OverflowError as error:
            if "SQLite INTEGER" not in str(error):
                raise
            raise InputError(_TOO_LARGE) from error
        except IntegrityError:
            raise  # a fault of the program, not of the disk
        except DataError as error:
            if getattr(error.orig, "sqlstate", None) == _OUT_OF_RANGE:
                raise InputError(_TOO_LARGE) from error
            raise InputError(
                f"The log cannot keep that: {said_by(error)}. Write it with letters and numbers."
            ) from error
        except DatabaseError as error:
            raise InspectorError(
                f"The log {self.database} could not be {done}: {said_by(error)}. {self.database.to_do}"
            ) from error


def open_log(where: Path | LogPlace) -> Log:
    """Open the log kept in a place, making folder and tables where missing and bringing the schema up to date.

    A copy of the database is put into `backups` in the folder before its schema is changed.

    Parameters
    ----------
    where : Path or LogPlace
        A folder is that of a log whose database lies in it.

    Raises
    ------
    InputError
        If the place names a database of a kind that keeps no log.
    InspectorError
        If the folder or database cannot be used, or a newer program wrote it.
    """
    place = LogPlace.of(where)
    try:
        make_data_folder(place.folder)
    except OSError as error:
        raise InspectorError(
            f"The data folder {place.folder} cannot be made: {error.strerror or error}. Name another one with --data."
        ) from error
    log = Log(place)
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


def photos_of(place: LogPlace) -> PhotoStore:
    """Find what keeps the photos of a log; it is not asked for anything yet.

    Raises
    ------
    InputError
        If the place names a store of a kind that keeps no photos.
    """
    return PhotoFolder(place.folder / "photos") if place.photos is None else PhotoObjects(place.photos)


def _bring_up_to_date(log: Log) -> None:
    known = known_schemas()
    head = known[0]
    with log.writing() as session:
        if schema_of(session.connection()) == head:
            return
    with log.migrating() as session:
        connection = session.connection()
        current = schema_of(connection)
        if current == head:
            return
        if current is not None:
            if current not in known:
                raise InspectorError(
                    f"The log {log.database} was written by a newer program (its schema is {current}, this program "
                    f"knows up to {head}). Install that version again, or open another data folder with --data."
                )
            _back_up(log, schema=current)
        steps = steps_from(current)
        amiss = rows_amiss(connection, steps.tables)
        amiss_before = log.database.dangling(connection)
        bring_to_schema(connection, head)
        if steps.stale_rollups:
            rebuild_rollups(connection)
        lost = sorted(set(log.database.dangling(connection)) - set(amiss_before))
        if lost:
            raise InspectorError(
                f"The log {log.database} cannot be brought up to date: row {lost[0][1]} of its table {lost[0][0]} "
                "would refer to nothing. It is as it was; tell those who make Inspector."
            )
        carry_over(
            connection, tables=steps.tables, by=f"schema {current} to {head}", at=datetime.now(UTC), but_for=amiss
        )
    _logger.info("log %s: schema %s -> %s", log.database, current, head)


def _back_up(log: Log, *, schema: str) -> None:
    """Copy the database, consistently while it is open, before its schema is changed."""
    folder = log.place.folder / "backups"
    copy = folder / f"log-schema-{schema}-{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}.sqlite3"
    try:
        make_folder(folder)
        remove_left_over(folder.glob(".log-schema-*.part"), now_s=time.time())
        with whole_file(copy) as unfinished:
            log.database.copy_to(unfinished)
    except (OSError, sqlite3.Error, DatabaseError) as error:
        raise InspectorError(
            f"The log {log.database} has to be brought up to date, and no copy of it could be put into {folder} "
            f"before: {error}. Make room or give write access there, then start again; the log is as it was."
        ) from error

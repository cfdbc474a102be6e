"""Is a log whole? Its database, the schema, what refers to what, every photo's content, and the history."""

from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

from sqlalchemy import ColumnClause, Connection, column, func, select, table
from sqlalchemy.exc import DatabaseError, OperationalError

from inspector.errors import InputError
from inspector.log.database_errors import said_by
from inspector.log.databases import Database, database_of
from inspector.log.held_rows import ROWS_A_STATEMENT
from inspector.log.history import HistoryFault, count_changes, history_faults, last_link
from inspector.log.opening import photos_of
from inspector.log.photos import PhotoStore
from inspector.log.places import LogPlace
from inspector.log.portions import in_portions
from inspector.log.rollups import disagreements
from inspector.log.schema import known_schemas, schema_of
from inspector.log.sqlite_file import disposing

__all__ = ["LogCheck", "Trouble", "check_log"]

_FROM_BACKUP = (
    "Restore the latest backup into a new folder with `inspector restore FILE --data DIR`, and see what it lacks. "
    "Keep this folder as it is."
)
_NAMES_A_QUERY = 500
_NAME_ONE = "Name the data folder with --data, or a server's database with --database."


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something about a log that is not as it was written."""

    what: str
    to_do: str


@dataclass(frozen=True, slots=True)
class LogCheck:
    """What was looked at, and what is wrong."""

    troubles: tuple[Trouble, ...]
    notes: tuple[str, ...]
    """What is worth knowing, and does no harm."""
    schema: str
    photos: int
    byte_count: int
    """Of the photos. [B]"""
    changes: int
    """Entries of the history."""
    last_link: str
    """Hexadecimal; noted elsewhere, it shows whether the history up to now was written anew later."""


def check_log(where: Path | LogPlace) -> LogCheck:
    """Look at everything that a log is made of; nothing is changed or repaired.

    Parameters
    ----------
    where : Path or LogPlace
        A folder is that of a log whose database lies in it.

    Raises
    ------
    InputError
        If there is no log, it cannot be looked at, or a newer program wrote it.
    """
    place = LogPlace.of(where)
    database = database_of(place)
    try:
        if not database.holds_log():
            raise InputError(f"There is no log in {place.folder if place.database is None else database}. {_NAME_ONE}")
        with disposing(database.connect()) as engine, engine.connect() as connection:
            return _check(connection, photos_of(place), database)
    except OperationalError as error:
        raise InputError(
            f"{database} could not be looked at: {said_by(error)}. {database.to_do} Then check again."
        ) from error
    except DatabaseError as error:
        return _only(Trouble(f"The database {database} is damaged: {said_by(error)}.", _FROM_BACKUP))


def _check(connection: Connection, photos: PhotoStore, database: Database) -> LogCheck:
    if faults := database.faults(connection):
        return _only(Trouble(f"The database {database} is damaged: {'; '.join(faults)}.", _FROM_BACKUP))
    schema = schema_of(connection)
    known = known_schemas()
    if schema not in known:
        raise InputError(
            f"The log {database} was written by a newer program (its schema is {schema}, this program knows up to "
            f"{known[0]}). Install that version to check it."
        )
    troubles = [
        Trouble(f"Row {row_id} of table {name} refers to a row of {other} that is not there.", _FROM_BACKUP)
        for name, row_id, other in database.dangling(connection)
    ]
    notes = [f"{risk}: a power cut may cost what was written last." for risk in database.risks(connection)]
    if schema != known[0]:
        notes.append(f"The schema is {schema}; the next start brings it to {known[0]}, and puts a copy aside before.")
    photos.check_reach()
    whole_bytes = 0
    columns: list[ColumnClause[Any]] = [
        column(name) for name in ("id", "name", "piece_id", "sha256", "media_type", "byte_count")
    ]
    # A portion at a time: there are millions.
    every_photo = select(*columns).select_from(table("photo")).execution_options(yield_per=ROWS_A_STATEMENT)
    for photo_id, name, piece_id, sha256, media_type, byte_count in connection.execute(every_photo):
        where = photos.where(sha256, media_type)
        wrong = photos.wrong_with(sha256, media_type)
        if wrong is None:
            whole_bytes += byte_count
            continue
        of = "" if piece_id is None else f" of piece {piece_id}"
        troubles.append(
            Trouble(
                f"Photo {photo_id} ({name}){of} {wrong}: {where}.",
                "Record the same photo once more, or put this file back from a backup.",
            )
        )
    if unnamed := _count_unnamed(connection, photos):
        notes.append(
            f"{unnamed} photo files are not named by the log. They were kept for something that was then not logged."
        )
    if schema == known[0]:
        troubles += [
            Trouble(
                f"What lists and trends know of {kind} {number} is not what the log says.",
                "Have it worked out anew: `inspector refit --rebuild`.",
            )
            for kind, number in disagreements(connection)
        ]
    troubles += [_trouble(fault) for fault in history_faults(connection)]
    return LogCheck(
        troubles=tuple(troubles),
        notes=tuple(notes),
        schema=schema,
        photos=connection.scalar(select(func.count(column("sha256").distinct())).select_from(table("photo"))) or 0,
        byte_count=whole_bytes,
        changes=count_changes(connection),
        last_link=last_link(connection).hex(),
    )


def _count_unnamed(connection: Connection, photos: PhotoStore) -> int:
    """Count photo files that the log does not name, some at a time."""
    columns: list[ColumnClause[Any]] = [column("sha256"), column("media_type")]
    unnamed = 0
    for portion in in_portions(photos.names(), _NAMES_A_QUERY):
        contents = [content for content in map(_content_told_by, portion) if content is not None]
        query = select(*columns).select_from(table("photo")).where(columns[0].in_(contents))
        named = {photos.where(sha256, media_type) for sha256, media_type in connection.execute(query)}
        unnamed += sum(name not in named for name in portion)
    return unnamed


def _content_told_by(name: str) -> bytes | None:
    """Read the hash that a photo's file is named after; None of another file."""
    try:
        return bytes.fromhex(PurePath(name).stem)
    except ValueError:
        return None


def _trouble(fault: HistoryFault) -> Trouble:
    row = f"Row {fault.row_id} of table {fault.row_table}"
    if fault.kind == "entry":
        what = f"Entry {fault.change_id} of the history, which tells of row {fault.row_id} of table {fault.row_table}"
        what += ", does not fit the one before: an entry was edited, added or removed."
    elif fault.kind == "changed":
        what = f"{row} is not what entry {fault.change_id} of the history says: it was edited outside of Inspector."
    elif fault.kind == "removed":
        what = f"{row}, which entry {fault.change_id} of the history tells of, was removed outside of Inspector."
    else:
        what = f"{row} was added outside of Inspector: the history knows nothing of it."
    return Trouble(what, "Ask who works on the file itself. What it said before stands in the latest backup.")


def _only(trouble: Trouble) -> LogCheck:
    return LogCheck((trouble,), (), schema="", photos=0, byte_count=0, changes=0, last_link="")

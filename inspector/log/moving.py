"""A whole log from one database into another, of whatever kind; photos stay where they are."""

from dataclasses import replace
from pathlib import Path

from sqlalchemy.exc import DatabaseError

from inspector.errors import InputError, InspectorError
from inspector.log.database_errors import said_by
from inspector.log.databases import Database, database_of
from inspector.log.opening import open_log
from inspector.log.places import LogPlace
from inspector.log.row_copies import CopiedTable, ToldOfCopy, unwatched

__all__ = ["move_log"]


def move_log(where: Path | LogPlace, *, to: str | None, told: ToldOfCopy = unwatched) -> tuple[CopiedTable, ...]:
    """Copy all rows of a log into an empty database, and find each of them there; meanwhile nobody writes to the log.

    Parameters
    ----------
    where : Path or LogPlace
        Where the log is. It is brought up to date first, and stays as it is then.
    to : str, optional
        URL of a server's database; None for a file in the log's folder.
    told : callable
        Is told now and then how far it is.

    Returns
    -------
    copied : tuple of CopiedTable
        What was found in both, table by table.

    Raises
    ------
    InputError
        If there is no log, or one where it is to go, or both are the same.
    InspectorError
        If one of them cannot be read or written, or rows did not arrive as they were. The new one is empty then.
    """
    place = LogPlace.of(where)
    source, target = database_of(place), database_of(replace(place, database=to))
    if str(source) == str(target):
        raise InputError(f"The log is kept by {source} already. Name another database with --to.")
    try:
        if not source.holds_log():
            raise InputError(f"There is no log in {source}. Name it with --data and --database.")
    except DatabaseError as error:
        raise InspectorError(f"The log {source} could not be read: {said_by(error)}. {source.to_do}") from error
    log = open_log(place)
    try:
        with log.held_still() as connection:
            return target.take_rows(connection, told=told)
    except DatabaseError as error:  # of either: rows go straight from one into the other
        raise _unmoved(source, target, said_by(error)) from error
    except OSError as error:
        raise _unmoved(source, target, error.strerror or str(error)) from error
    finally:
        log.close()


def _unmoved(source: Database, target: Database, why: str) -> InspectorError:
    return InspectorError(
        f"The log could not be moved from {source} into {target}: {why}. The old one is as it was, and the new one is "
        f"empty. {target.to_do} Then start again with the same command."
    )

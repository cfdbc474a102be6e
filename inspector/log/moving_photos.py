"""All photos of a log from one keeper into another, each found there again; the log itself stays where it is."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.exc import DatabaseError

from inspector.errors import InputError, InspectorError
from inspector.log.database_errors import said_by
from inspector.log.databases import database_of
from inspector.log.opening import open_log, photos_of
from inspector.log.photos import find_whole
from inspector.log.places import LogPlace
from inspector.log.tables import PhotoRow

__all__ = ["MovedPhoto", "move_photos"]


@dataclass(frozen=True, slots=True)
class MovedPhoto:
    """What became of one photo that the log names."""

    of: int
    """So many are named."""
    byte_count: int
    """Of what was found again where it went. [B]"""
    left_out: str | None
    """A sentence, where the photo was gone or damaged."""


def move_photos(where: Path | LogPlace, *, to: str | None) -> Iterator[MovedPhoto]:
    """Copy every photo that a log names, and find it where it went; what is there already is not sent again.

    Parameters
    ----------
    where : Path or LogPlace
        Where the log is, and its photos now. They stay as they are.
    to : str, optional
        URL of an object store; None for files in the log's folder.

    Raises
    ------
    InputError
        If there is no log, or the photos are kept there already.
    OutOfReachError
        If one of the two cannot be reached. What was moved stays, and need not be moved again.
    InspectorError
        If the log cannot be read, or the folder cannot be written to.
    """
    place = LogPlace.of(where)
    source, target = photos_of(place), photos_of(replace(place, photos=to))
    if str(source) == str(target):
        raise InputError(f"The photos are kept in {source} already. Name another place with --photos-to.")
    database = database_of(place)
    try:
        if not database.holds_log():
            raise InputError(f"There is no log in {database}. Name it with --data and --database.")
    except DatabaseError as error:
        raise InspectorError(f"The log {database} could not be read: {said_by(error)}. {database.to_do}") from error
    for keeper in (source, target):
        keeper.check_reach()
    log = open_log(place)
    try:
        with log.reading() as session:
            columns = (PhotoRow.id, PhotoRow.name, PhotoRow.sha256, PhotoRow.media_type)
            named = session.execute(select(*columns).order_by(PhotoRow.id)).all()
    finally:
        log.close()
    for photo_id, name, sha256, media_type in named:
        data = find_whole(source, sha256, media_type)
        if data is None:
            sentence = f"Photo {photo_id} ({name}) is gone or damaged: {source.where(sha256, media_type)}."
            yield MovedPhoto(of=len(named), byte_count=0, left_out=sentence)
        else:
            target.keep(data)
            yield MovedPhoto(of=len(named), byte_count=len(data), left_out=None)

"""One file that holds a whole log: a ZIP archive of the database, the photos it names, and a list of their hashes.

The database is copied first, as it is at one moment; photos are only ever added, so those that the copy names are
kept from then on, and serving goes on meanwhile.
"""

import hashlib
import json
import re
import shutil
import sqlite3
import tempfile
import time
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy.exc import DatabaseError

from inspector.errors import InputError, InspectorError
from inspector.log.access_tables import PASSING_TABLES
from inspector.log.database_errors import said_by
from inspector.log.databases import DATABASE_NAME, database_of
from inspector.log.durable_files import remove_left_over, whole_file
from inspector.log.opening import make_data_folder, photos_of
from inspector.log.photos import MOST_PHOTO_BYTES, PhotoStore, find_whole, name_of
from inspector.log.places import LogPlace
from inspector.log.schema import known_schemas

__all__ = ["Backup", "back_up", "restore"]

_FORMAT = "Inspector backup 1"
_LIST = "contents.json"
# A folder beside the backup while it is made; eight more signs make its name.
_SCRATCH = ".inspector-backup-"
_ENCRYPTED = 0x1  # PKWARE APPNOTE 4.4.4
# No name in an archive leads anywhere else.
_PHOTO = re.compile(r"photos/([0-9a-f]{2})/(\1[0-9a-f]{62})\.[a-z]{3,4}")
# What the list may take of an archive, beside what it says of each file: about a kilobyte.
_LIST_BYTES = 10_000_000
_LIST_BYTES_A_FILE = 1000
# Of a database: that of the demo packs to a third, an empty one to a fiftieth. Small ones are let be.
_MOST_PACKED = 200
_SMALL_BYTES = 50_000_000
_PORTION_BYTES = 1_000_000
_NAME_ONE = "Name the data folder with --data, or a server's database with --database."


@dataclass(frozen=True, slots=True)
class Backup:
    """What a backup holds."""

    file: Path
    made_at: datetime
    schema: str
    photos: int
    byte_count: int
    """Of all that is in it. [B]"""
    left_out: tuple[str, ...]
    """A sentence for each photo that the log names and that was gone or damaged."""


def back_up(where: Path | LogPlace, file: Path) -> Backup:
    """Put a log and its photos into one file, while others may go on reading and writing.

    Parameters
    ----------
    where : Path or LogPlace
        Where the log is; a folder is that of a log whose database lies in it.
    file : Path
        Where the backup is to stand. It is there complete and on disk when this returns, or not at all.

    Raises
    ------
    InputError
        If the file exists already, or there is no log.
    InspectorError
        If the log cannot be read or the backup cannot be written.
    """
    place = LogPlace.of(where)
    database = database_of(place)
    if file.exists():
        raise InputError(f"{file} exists already. Name a new file for the backup; none is written over.")
    try:
        if not database.holds_log():
            raise InputError(f"There is no log in {place.folder if place.database is None else database}. {_NAME_ONE}")
        remove_left_over(file.parent.glob(f"{_SCRATCH}????????"), now_s=time.time())
        with (
            tempfile.TemporaryDirectory(dir=file.parent, prefix=_SCRATCH) as scratch,
            whole_file(file, unfinished_in=Path(scratch)) as part,
        ):
            copy = Path(scratch) / DATABASE_NAME
            database.copy_to(copy)
            _end_what_passes(copy)
            return _pack(copy, photos_of(place), part, file=file)
    except (sqlite3.Error, DatabaseError) as error:
        if _is_full(error):
            raise _unwritten(file, "No space left on device") from error
        raise InspectorError(
            f"The log {database} could not be copied: {error}. Run `inspector check` to see what is wrong with it."
        ) from error
    except OSError as error:
        raise _unwritten(file, error.strerror or str(error)) from error


def restore(file: Path, where: Path | LogPlace) -> Backup:
    """Bring a log and its photos back into a place that holds none; every byte is checked on the way.

    The database comes last: a place into which a restore was cut short holds no log, and can be restored into again.
    It may be of another kind than the one that the backup was made of.

    Raises
    ------
    InputError
        If the file is no backup, is damaged, or was made by a newer program; or the folder holds a log.
    InspectorError
        If the folder cannot be written to.
    """
    place = LogPlace.of(where)
    database = database_of(place)
    try:
        if database.holds_log():
            raise InputError(
                f"{place.folder if place.database is None else database} holds a log already, and nothing is written "
                "over. Name another folder with --data, or another database, or move that one away first."
            )
        with _opened(file) as archive:
            contents = _contents(archive, file)
            _check_room(contents, place)
            _check_packing(archive, contents, file)
            make_data_folder(place.folder)
            photos = photos_of(place)
            photos.check_reach()
            for name in contents["files"]:
                if name != DATABASE_NAME and photos.keep(_read(archive, name, contents, file)).hex() not in name:
                    raise _damaged(file, name)
            with tempfile.TemporaryDirectory(dir=place.folder, prefix=".restoring-") as scratch:
                copy = Path(scratch) / DATABASE_NAME
                _unpack_database(archive, copy, contents, file)
                database.take_over(copy)
    except OSError as error:
        raise InspectorError(
            f"{file} could not be restored into {place.folder}: {error.strerror or error}. See that the folder has "
            "room and may be written to, then restore again."
        ) from error
    except DatabaseError as error:
        raise InspectorError(
            f"{file} could not be restored into {database}: {said_by(error)}. {database.to_do} Then restore again."
        ) from error
    return _summary(contents, file)


def _is_full(error: Exception) -> bool:
    """Whether it is the copy that found no room, not the log that is amiss."""
    by_sqlite = error.orig if isinstance(error, DatabaseError) else error
    return isinstance(by_sqlite, sqlite3.Error) and by_sqlite.sqlite_errorcode & 0xFF == sqlite3.SQLITE_FULL


def _unwritten(file: Path, why: str) -> InspectorError:
    return InspectorError(
        f"The backup {file} could not be written: {why}. See that its folder exists, has room and may be written to. "
        "The log is as it was."
    )


def _pack(database: Path, photos: PhotoStore, part: Path, *, file: Path) -> Backup:
    photos.check_reach()
    with closing(sqlite3.connect(database)) as connection:
        (schema,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        named = connection.execute("SELECT id, name, sha256, media_type FROM photo ORDER BY id").fetchall()
    files: dict[str, dict[str, Any]] = {}
    left_out = []
    with zipfile.ZipFile(part, "w") as archive:  # photos are compressed already
        for photo_id, photo_name, sha256, media_type in named:
            data = find_whole(photos, sha256, media_type)
            if data is None:
                where = photos.where(sha256, media_type)
                left_out.append(f"Photo {photo_id} ({photo_name}) is gone or damaged: {where}.")
                continue
            name = f"photos/{name_of(sha256, media_type)}"
            archive.writestr(name, data)
            files[name] = {"sha256": sha256.hex(), "bytes": len(data)}
        archive.write(database, DATABASE_NAME, compress_type=zipfile.ZIP_DEFLATED)
        files[DATABASE_NAME] = {"sha256": _file_sha256(database), "bytes": database.stat().st_size}
        contents = {
            "format": _FORMAT,
            "made_at": datetime.now(UTC).isoformat(),
            "schema": schema,
            "left_out": left_out,
            "files": files,
        }
        archive.writestr(_LIST, json.dumps(contents, indent=1))
    return _summary(contents, file)


def _end_what_passes(copy: Path) -> None:
    """Leave sessions and links out: who has signed out since, or used one, must not be let in by a restored log."""
    with closing(sqlite3.connect(copy)) as connection, connection:
        held = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for name in PASSING_TABLES & held:  # a log of an older program has not all of them
            connection.execute(f"DELETE FROM {name}")  # noqa: S608 - names of this program


def _summary(contents: Mapping[str, Any], file: Path) -> Backup:
    files = contents["files"]
    return Backup(
        file=file,
        made_at=datetime.fromisoformat(contents["made_at"]),
        schema=contents["schema"],
        photos=len(files) - 1,
        byte_count=sum(entry["bytes"] for entry in files.values()),
        left_out=tuple(contents["left_out"]),
    )


@contextmanager
def _opened(file: Path) -> Iterator[zipfile.ZipFile]:
    if not file.is_file():
        raise InputError(f"There is no file {file}. Name the backup to restore.")
    try:
        with zipfile.ZipFile(file) as archive:
            yield archive
    except (zipfile.BadZipFile, zlib.error, EOFError) as error:
        raise InputError(f"{file} is no backup, or is cut off or damaged: {error}. Use another backup.") from error


def _contents(archive: zipfile.ZipFile, file: Path) -> dict[str, Any]:
    """Read the list of an archive, and see that the archive holds just that and nothing that leads elsewhere."""
    infos = archive.infolist()
    names = [info.filename for info in infos]
    for info in infos:
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) or info.flag_bits & _ENCRYPTED:
            raise InputError(f"{file} is packed as no backup of Inspector is. Use another backup.")
    try:
        if archive.getinfo(_LIST).file_size > _LIST_BYTES + _LIST_BYTES_A_FILE * len(infos):
            raise ValueError("too long a list")
        contents = json.loads(archive.read(_LIST))
        files: dict[str, dict[str, Any]] = {
            name: {"sha256": bytes.fromhex(entry["sha256"]).hex(), "bytes": _size(entry["bytes"])}
            for name, entry in contents["files"].items()
        }
        made_at, left_out = datetime.fromisoformat(contents["made_at"]), [str(said) for said in contents["left_out"]]
        made_by, schema = contents["format"], contents["schema"]
    except (KeyError, ValueError, TypeError, AttributeError, RecursionError) as error:
        raise InputError(f"{file} is no backup of Inspector: it holds no list of what is in it.") from error
    if made_by != _FORMAT:
        raise InputError(f"{file} was made by another program ({made_by}). Restore it with that one.")
    if sorted(names) != sorted([*files, _LIST]) or DATABASE_NAME not in files:
        raise InputError(f"{file} does not hold what its list says. Use another backup.")
    for name, entry in files.items():
        photo = _PHOTO.fullmatch(name)
        if name != DATABASE_NAME and (photo is None or photo[2] != entry["sha256"]):
            raise InputError(f"{file} holds {name!r}, which is no photo of a log. Use another backup.")
        if photo is not None and entry["bytes"] > MOST_PHOTO_BYTES:
            raise InputError(
                f"{file} holds a photo of {entry['bytes'] / 1e6:.0f} MB, and {MOST_PHOTO_BYTES / 1e6:.0f} MB are the "
                "most that are kept: it was not made by Inspector. Use another backup."
            )
    known = known_schemas()
    if schema not in known:
        raise InputError(
            f"{file} was made by a newer program (its schema is {schema}, this program knows up to {known[0]}). "
            "Install that version to restore it."
        )
    return {"made_at": made_at.isoformat(), "schema": schema, "left_out": left_out, "files": files}


def _size(value: object) -> int:
    if not isinstance(value, int) or value < 0:
        raise ValueError(f"{value!r} is no size of a file")
    return value


def _check_room(contents: Mapping[str, Any], place: LogPlace) -> None:
    in_folder = contents["files"] if place.photos is None else [DATABASE_NAME]
    needed = sum(contents["files"][name]["bytes"] for name in in_folder)
    there = next(path for path in (place.folder, *place.folder.parents) if path.exists())
    free = shutil.disk_usage(there).free
    if needed > free:
        raise InputError(
            f"The backup takes {needed / 1e6:.0f} MB, and {there} has {free / 1e6:.0f} MB of room. Make room there, "
            "or restore into a folder on another disk with --data."
        )


def _check_packing(archive: zipfile.ZipFile, contents: Mapping[str, Any], file: Path) -> None:
    unpacked_bytes, packed_bytes = (
        contents["files"][DATABASE_NAME]["bytes"],
        archive.getinfo(DATABASE_NAME).compress_size,
    )
    if unpacked_bytes > max(_SMALL_BYTES, _MOST_PACKED * packed_bytes):
        raise InputError(
            f"{file} holds a database of {unpacked_bytes / 1e6:.0f} MB in {packed_bytes / 1e6:.1f} MB: it was packed "
            "to fill the disk. Use another backup."
        )


def _read(archive: zipfile.ZipFile, name: str, contents: Mapping[str, Any], file: Path) -> bytes:
    """Read a file of the archive, no more of it than the list says."""
    entry = contents["files"][name]
    with archive.open(name) as packed:
        data = packed.read(entry["bytes"] + 1)
    if len(data) != entry["bytes"] or hashlib.sha256(data).hexdigest() != entry["sha256"]:
        raise _damaged(file, name)
    return data


def _unpack_database(archive: zipfile.ZipFile, copy: Path, contents: Mapping[str, Any], file: Path) -> None:
    """Write the database of the archive into a file, no more of it than the list says; it may be of any size."""
    entry = contents["files"][DATABASE_NAME]
    left, digest = entry["bytes"], hashlib.sha256()
    with archive.open(DATABASE_NAME) as packed, copy.open("wb") as unpacked:
        while portion := packed.read(_PORTION_BYTES):
            left -= len(portion)
            if left < 0:
                break
            digest.update(portion)
            unpacked.write(portion)
    if left != 0 or digest.hexdigest() != entry["sha256"]:
        raise _damaged(file, DATABASE_NAME)


def _damaged(file: Path, name: str) -> InputError:
    return InputError(f"{file} is damaged: {name} in it is not what was put in. Use another backup.")


def _file_sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

"""One file that holds a whole log: a ZIP archive of the database, the photos it names, and a list of their hashes.

The database is copied first, as it is at one moment; photos are only ever added, so those that the copy names lie in
the folder from then on, and serving goes on meanwhile.
"""

import hashlib
import json
import re
import shutil
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from inspector.errors import InputError, InspectorError
from inspector.log.access_tables import PASSING_TABLES
from inspector.log.durable_files import whole_file
from inspector.log.opening import DATABASE_NAME, copy_database, known_schemas, make_data_folder, photo_folder

__all__ = ["Backup", "back_up", "restore"]

_FORMAT = "Inspector backup 1"
_LIST = "contents.json"
# No name in an archive leads anywhere else.
_PHOTO = re.compile(r"photos/([0-9a-f]{2})/(\1[0-9a-f]{62})\.[a-z]{3,4}")


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


def back_up(data_dir: Path, file: Path) -> Backup:
    """Put a log and its photos into one file, while others may go on reading and writing.

    Parameters
    ----------
    data_dir : Path
        Folder of the log.
    file : Path
        Where the backup is to stand. It is there complete and on disk when this returns, or not at all.

    Raises
    ------
    InputError
        If the file exists already, or there is no log in the folder.
    InspectorError
        If the log cannot be read or the backup cannot be written.
    """
    database = data_dir / DATABASE_NAME
    if file.exists():
        raise InputError(f"{file} exists already. Name a new file for the backup; none is written over.")
    if not database.is_file():
        raise InputError(f"There is no log in {data_dir}. Name the data folder with --data.")
    try:
        with tempfile.TemporaryDirectory(dir=file.parent, prefix=".inspector-") as scratch, whole_file(file) as part:
            copy = Path(scratch) / DATABASE_NAME
            copy_database(database, copy)
            _end_what_passes(copy)
            return _pack(copy, data_dir, part, file=file)
    except sqlite3.Error as error:
        raise InspectorError(
            f"The log {database} could not be copied: {error}. Run `inspector check` to see what is wrong with it."
        ) from error
    except OSError as error:
        raise InspectorError(
            f"The backup {file} could not be written: {error.strerror or error}. "
            "See that its folder exists, has room and may be written to. The log is as it was."
        ) from error


def restore(file: Path, data_dir: Path) -> Backup:
    """Bring a log and its photos back into a folder that holds none; every byte is checked on the way.

    The database comes last: a folder into which a restore was cut short holds no log, and can be restored into again.

    Raises
    ------
    InputError
        If the file is no backup, is damaged, or was made by a newer program; or the folder holds a log.
    InspectorError
        If the folder cannot be written to.
    """
    database = data_dir / DATABASE_NAME
    if database.exists():
        raise InputError(
            f"{data_dir} holds a log already, and nothing is written over. "
            "Name another folder with --data, or move that one away first."
        )
    try:
        with _opened(file) as archive:
            contents = _contents(archive, file)
            _check_room(contents, data_dir)
            make_data_folder(data_dir)
            photos = photo_folder(data_dir)
            for name in contents["files"]:
                if name != DATABASE_NAME and photos.keep(_read(archive, name, contents, file)).hex() not in name:
                    raise _damaged(file, name)
            with whole_file(database) as part:
                part.write_bytes(_read(archive, DATABASE_NAME, contents, file))
    except OSError as error:
        raise InspectorError(
            f"{file} could not be restored into {data_dir}: {error.strerror or error}. See that the folder has room "
            "and may be written to, then restore again."
        ) from error
    return _summary(contents, file)


def _pack(database: Path, data_dir: Path, part: Path, *, file: Path) -> Backup:
    photos = photo_folder(data_dir)
    with closing(sqlite3.connect(database)) as connection:
        (schema,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        named = connection.execute("SELECT id, name, sha256, media_type FROM photo ORDER BY id").fetchall()
    files: dict[str, dict[str, Any]] = {}
    left_out = []
    with zipfile.ZipFile(part, "w") as archive:  # photos are compressed already
        for photo_id, photo_name, sha256, media_type in named:
            path = photos.path(sha256, media_type)
            data = path.read_bytes() if path.is_file() else b""
            if hashlib.sha256(data).digest() != sha256:
                left_out.append(f"Photo {photo_id} ({photo_name}) is gone or damaged: {path}.")
                continue
            name = f"photos/{path.parent.name}/{path.name}"
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
        if held >= PASSING_TABLES:  # a log of an older program has none
            for name in PASSING_TABLES:
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
    names = [info.filename for info in archive.infolist()]
    try:
        contents = json.loads(archive.read(_LIST))
        files = {
            name: (bytes.fromhex(entry["sha256"]), int(entry["bytes"])) for name, entry in contents["files"].items()
        }
        told = contents["format"], datetime.fromisoformat(contents["made_at"]), contents["schema"], contents["left_out"]
    except (KeyError, ValueError, TypeError, AttributeError) as error:
        raise InputError(f"{file} is no backup of Inspector: it holds no list of what is in it.") from error
    if told[0] != _FORMAT:
        raise InputError(f"{file} was made by another program ({told[0]}). Restore it with that one.")
    if sorted(names) != sorted([*files, _LIST]) or DATABASE_NAME not in files:
        raise InputError(f"{file} does not hold what its list says. Use another backup.")
    for name, (sha256, _) in files.items():
        photo = _PHOTO.fullmatch(name)
        if name != DATABASE_NAME and (photo is None or photo[2] != sha256.hex()):
            raise InputError(f"{file} holds {name!r}, which is no photo of a log. Use another backup.")
    known = known_schemas()
    if told[2] not in known:
        raise InputError(
            f"{file} was made by a newer program (its schema is {told[2]}, this program knows up to {known[0]}). "
            "Install that version to restore it."
        )
    return dict(contents)


def _check_room(contents: Mapping[str, Any], data_dir: Path) -> None:
    needed = sum(entry["bytes"] for entry in contents["files"].values())
    there = next(path for path in (data_dir, *data_dir.parents) if path.exists())
    free = shutil.disk_usage(there).free
    if needed > free:
        raise InputError(
            f"The backup takes {needed / 1e6:.0f} MB, and {there} has {free / 1e6:.0f} MB of room. Make room there, "
            "or restore into a folder on another disk with --data."
        )


def _read(archive: zipfile.ZipFile, name: str, contents: Mapping[str, Any], file: Path) -> bytes:
    """Read a file of the archive, no more of it than the list says."""
    entry = contents["files"][name]
    with archive.open(name) as packed:
        data = packed.read(entry["bytes"] + 1)
    if len(data) != entry["bytes"] or hashlib.sha256(data).hexdigest() != entry["sha256"]:
        raise _damaged(file, name)
    return data


def _damaged(file: Path, name: str) -> InputError:
    return InputError(f"{file} is damaged: {name} in it is not what was put in. Use another backup.")


def _file_sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

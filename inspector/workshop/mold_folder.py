"""Reading a mold's folder: `mold.toml` with its name, material, reference photos and features."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from inspector.errors import InputError
from inspector.log.records import Points

__all__ = ["FolderFeature", "MoldFolder", "read_mold_folder"]

_FILE_NAME = "mold.toml"
_KEYS = {"name", "title", "view", "material", "release_agent", "references", "features"}


@dataclass(frozen=True, slots=True)
class FolderFeature:
    """A named polygon in pixels of one of the folder's photos."""

    name: str
    photo: str
    polygon_xy: Points


@dataclass(frozen=True, slots=True)
class MoldFolder:
    """What a mold's folder says, its photos not yet opened."""

    name: str
    title: str
    view: str
    material: str
    release_agent: str
    photos: tuple[Path, ...]
    features: tuple[FolderFeature, ...]


def read_mold_folder(folder: Path) -> MoldFolder:
    """Read `mold.toml` in a folder.

    Raises
    ------
    InputError
        If it is missing or says something that cannot be used; the message names the file and the entry.
    """
    path = folder / _FILE_NAME
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(f"There is no {_FILE_NAME} in {folder}. It names the mold and its reference photos.") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{path} cannot be read: {error}.") from error
    if unknown := sorted(content.keys() - _KEYS):
        raise InputError(f"{path} has {unknown[0]!r}, which is not known. Known are: {', '.join(sorted(_KEYS))}.")
    photos = tuple(_photo(path, item, what="references") for item in _tables(path, content, "references"))
    if not photos:
        raise InputError(f'{path} names no reference photo. Add `[[references]]` with `photo = "..."`.')
    name = _text(path, content, "name")
    return MoldFolder(
        name=name,
        title=_text(path, content, "title", default=name),
        view=_text(path, content, "view", default="front"),
        material=_text(path, content, "material", default=""),
        release_agent=_text(path, content, "release_agent", default=""),
        photos=tuple(folder / photo for photo in photos),
        features=tuple(_feature(path, item, photos) for item in _tables(path, content, "features")),
    )


def _feature(path: Path, item: Mapping[str, Any], photos: tuple[str, ...]) -> FolderFeature:
    name = _text(path, item, "name", what="features")
    photo = _photo(path, item, what="features")
    if photo not in photos:
        raise InputError(f"{path} draws feature {name!r} on {photo}, which is not among its references.")
    polygon = item.get("polygon")
    if (
        not isinstance(polygon, list)
        or len(polygon) < 3
        or not all(isinstance(point, list) and len(point) == 2 and all(map(_is_number, point)) for point in polygon)
    ):
        raise InputError(f"{path}: the polygon of feature {name!r} must be three or more points [x, y].")
    return FolderFeature(name=name, photo=photo, polygon_xy=tuple((float(x), float(y)) for x, y in polygon))


def _photo(path: Path, item: Mapping[str, Any], *, what: str) -> str:
    photo = _text(path, item, "photo", what=what)
    if Path(photo).name != photo:
        raise InputError(
            f"{path} names the photo {photo!r}; photos lie in the same folder, so give the file name only."
        )
    return photo


def _tables(path: Path, content: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    value = content.get(key, [])
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        raise InputError(f"{path}: {key!r} must be tables, each under `[[{key}]]`.")
    return value


def _text(
    path: Path, content: Mapping[str, Any], key: str, *, default: str | None = None, what: str | None = None
) -> str:
    value = content.get(key, default)
    if not isinstance(value, str) or (default is None and not value.strip()):
        where = key if what is None else f"{key} of [[{what}]]"
        raise InputError(f"{path}: {where!r} must be given as a text in quotes.")
    return value.strip()


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)

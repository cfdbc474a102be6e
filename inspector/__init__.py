"""Inspector: compares photos of cast concrete pieces with photos of good ones, and learns when to demold.

>>> from inspector import Reference, inspect
>>> references = [Reference.open("good-1.jpg"), Reference.open("good-2.jpg")]
>>> inspection = inspect("piece.jpg", references)
>>> inspection.as_json()["findings"]
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from inspector.errors import InputError, InspectorError, PhotoError

if TYPE_CHECKING:
    from inspector.imaging.reading import Photo
    from inspector.inspection import Feature, Finding, Inspection, MoldModel, Reference, combine

__all__ = [
    "Feature",
    "Finding",
    "InputError",
    "Inspection",
    "InspectorError",
    "MoldModel",
    "Photo",
    "PhotoError",
    "Reference",
    "combine",
    "inspect",
]

# Looked up once somebody asks for them: whatever needs a part of the package alone, such as the process that reads a
# photo, would start with all of the inspection, which takes a second.
_MADE_IN = {
    "Feature": "inspector.inspection",
    "Finding": "inspector.inspection",
    "Inspection": "inspector.inspection",
    "MoldModel": "inspector.inspection",
    "Photo": "inspector.imaging.reading",
    "Reference": "inspector.inspection",
    "combine": "inspector.inspection",
}

if not TYPE_CHECKING:  # a type checker would take any name for one of this module

    def __getattr__(name: str) -> object:
        if name not in _MADE_IN:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return getattr(import_module(_MADE_IN[name]), name)


def inspect(photo: str | Path | Photo, references: Sequence[Reference] | MoldModel) -> Inspection:
    """Compare a photo of a piece with photos of good pieces from the same mold.

    Parameters
    ----------
    photo : str, Path or Photo
        A file, or a photo already read.
    references : sequence of Reference, or MoldModel
        Good pieces of this mold, seen from the same side. For many photos, ``combine`` them once.

    Raises
    ------
    PhotoError
        If the file is not a photo that can be read.
    InputError
        If there is no reference.
    """
    from inspector.imaging.reading import Photo, read_photo
    from inspector.inspection import inspect_photo

    if not isinstance(photo, Photo):
        path = Path(photo)
        photo = read_photo(path.read_bytes(), name=path.name)
    return inspect_photo(photo, references)

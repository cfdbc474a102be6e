"""Inspector: compares photos of cast concrete pieces with photos of good ones, and learns when to demold.

>>> from inspector import Reference, inspect
>>> references = [Reference.open("good-1.jpg"), Reference.open("good-2.jpg")]
>>> inspection = inspect("piece.jpg", references)
>>> inspection.as_json()["findings"]
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from inspector.errors import InputError, InspectorError, PhotoError
from inspector.imaging.reading import Photo, read_photo
from inspector.inspection import Feature, Finding, Inspection, MoldModel, Reference, combine, inspect_photo

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
    if not isinstance(photo, Photo):
        path = Path(photo)
        photo = read_photo(path.read_bytes(), name=path.name)
    return inspect_photo(photo, references)

"""What a phone wrote beside the picture: which way up it is, when it was taken, how long the lens was.

Reads the few tags needed from the TIFF structure that Exif uses (CIPA DC-008, Exif 3.0), wherever it is
embedded. Cameras and apps write this block carelessly and it never decides whether a photo is good: what
cannot be read counts as not written.
"""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from types import MappingProxyType

__all__ = ["Exif", "focal_length_px", "read_exif", "tiff_tags"]

# Tag numbers: TIFF 6.0, and Exif 3.0 tables 4 to 8.
IMAGE_WIDTH, IMAGE_LENGTH, SAMPLE_FORMAT, DNG_VERSION = 256, 257, 339, 50706
ORIENTATION, EXIF_IFD = 274, 34665
DATE_TIME_ORIGINAL, OFFSET_TIME_ORIGINAL = 36867, 36881
FOCAL_LENGTH, FOCAL_LENGTH_IN_35MM_FILM = 37386, 41989
FOCAL_PLANE_X_RESOLUTION, FOCAL_PLANE_RESOLUTION_UNIT, PIXEL_X_DIMENSION = 41486, 41488, 40962

# TIFF 6.0, section 2: bytes of one value by field type, and how it is unpacked.
_FIELD_FORMATS = MappingProxyType(
    {1: "B", 3: "H", 4: "I", 5: "II", 6: "b", 8: "h", 9: "i", 10: "ii", 13: "I"}  # RATIONALs are two numbers
)
_ASCII = 2
# FocalPlaneResolutionUnit: 2 is the inch, which is also its default, 3 the centimetre (Exif 3.0, 4.6.6).
_MM_PER_RESOLUTION_UNIT = MappingProxyType({2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001})
# "35 mm equivalent" compares diagonals (CIPA DCG-001); that of a 36 x 24 mm frame.
FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)
# A focal length outside this many image diagonals is a slip of the writer: 120 to 3 degrees across.
PLAUSIBLE_FOCAL_PER_DIAGONAL = (0.28, 20.0)
# Before the first there was no digital camera, and clocks that were never set begin at 1980; what lies outside was
# made up, and some of it cannot be told in another time zone.
EARLIEST_YEAR, LATEST_YEAR = 1975, 2199
# An IFD of a photo has some dozens of entries; more are not read, so that a forged one costs no time.
MOST_ENTRIES = 1000


@dataclass(frozen=True, slots=True)
class Exif:
    """The tags of one photo, as they were written."""

    orientation: int = 1  # 1 to 8: how row 0 and column 0 are shown (1: top, left)
    taken_at: datetime | None = None  # with its offset where the camera wrote one
    focal_length_35mm_mm: float | None = None
    focal_length_mm: float | None = None
    focal_plane_px_per_mm: float | None = None
    width_px: int | None = None  # of the picture that the focal plane resolution belongs to


def read_exif(tiff: bytes) -> Exif:
    r"""Read an Exif block.

    Parameters
    ----------
    tiff : bytes
        From the TIFF header on, with or without ``Exif\0\0`` before it; anything else gives an empty result.

    Returns
    -------
    Exif
        With the defaults of its fields for what is missing or not readable.
    """
    tags = tiff_tags(tiff)
    orientation = tags.get(ORIENTATION)
    unit_mm = _MM_PER_RESOLUTION_UNIT.get(int(_number(tags, FOCAL_PLANE_RESOLUTION_UNIT) or 2))
    px_per_unit = _number(tags, FOCAL_PLANE_X_RESOLUTION)
    width_px = _number(tags, PIXEL_X_DIMENSION)
    return Exif(
        orientation=orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1,
        taken_at=_taken_at(tags.get(DATE_TIME_ORIGINAL), tags.get(OFFSET_TIME_ORIGINAL)),
        focal_length_35mm_mm=_number(tags, FOCAL_LENGTH_IN_35MM_FILM),
        focal_length_mm=_number(tags, FOCAL_LENGTH),
        focal_plane_px_per_mm=px_per_unit / unit_mm if px_per_unit and unit_mm else None,
        width_px=int(width_px) if width_px else None,
    )


def focal_length_px(exif: Exif, *, width_px: int, height_px: int) -> float | None:
    """Focal length in pixels of a picture of this size, before or after turning it.

    The 35 mm equivalent is preferred: phones write it for the frame as cropped and stitched, while the
    resolution of the focal plane is often missing or that of another mode of the sensor.

    Returns
    -------
    float or None
        None where the tags don't say, or say something that no lens does. [px]
    """
    diagonal_px = math.hypot(width_px, height_px)
    if exif.focal_length_35mm_mm:
        focal_px = exif.focal_length_35mm_mm / FILM_DIAGONAL_MM * diagonal_px
    elif exif.focal_length_mm and exif.focal_plane_px_per_mm:
        focal_px = exif.focal_length_mm * exif.focal_plane_px_per_mm
        if exif.width_px:  # the picture may have been made smaller since
            focal_px *= max(width_px, height_px) / max(exif.width_px, max(width_px, height_px))
    else:
        return None
    low, high = PLAUSIBLE_FOCAL_PER_DIAGONAL
    return focal_px if low * diagonal_px <= focal_px <= high * diagonal_px else None


def tiff_tags(tiff: bytes) -> dict[int, int | float | str]:
    """First values of the tags of the first directory and of the Exif directory under it.

    Returns
    -------
    dict
        Tag number to value: text, whole number, or fraction; empty if this is no TIFF structure.
    """
    if tiff[:6] == b"Exif\0\0":
        tiff = tiff[6:]
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(tiff[:4])
    if order is None or len(tiff) < 8:
        return {}
    (first,) = struct.unpack_from(order + "I", tiff, 4)
    tags = _directory(tiff, first, order)
    exif_at = tags.get(EXIF_IFD)
    if isinstance(exif_at, int):
        tags = _directory(tiff, exif_at, order) | tags
    return tags


def _directory(tiff: bytes, start: int, order: str) -> dict[int, int | float | str]:
    """Tags of one image file directory, as far as it lies within the bytes."""
    if start + 2 > len(tiff):
        return {}
    (count,) = struct.unpack_from(order + "H", tiff, start)
    tags: dict[int, int | float | str] = {}
    for entry in range(start + 2, start + 2 + 12 * min(count, MOST_ENTRIES), 12):
        if entry + 12 > len(tiff):
            break
        tag, field_type, values = struct.unpack_from(order + "HHI", tiff, entry)
        value = _value(tiff, entry + 8, field_type, values, order)
        if value is not None:
            tags.setdefault(tag, value)
    return tags


def _value(tiff: bytes, at: int, field_type: int, values: int, order: str) -> int | float | str | None:
    """The first value of an entry; None if it is of no use here or lies outside the bytes."""
    field_format = _FIELD_FORMATS.get(field_type)
    size = values if field_type == _ASCII else struct.calcsize("=" + field_format) if field_format else 0
    if size == 0 or values == 0:
        return None
    stored = size if field_type == _ASCII else size * values
    if stored > 4:  # what does not fit in the entry lies elsewhere
        (at,) = struct.unpack_from(order + "I", tiff, at)
    if at + size > len(tiff):
        return None
    if field_format is None:
        return tiff[at : at + size].split(b"\0")[0].decode("ascii", errors="replace")
    numbers: tuple[int, ...] = struct.unpack_from(order + field_format, tiff, at)
    if len(numbers) == 1:
        return numbers[0]
    numerator, denominator = numbers
    return numerator / denominator if denominator else None


def _number(tags: dict[int, int | float | str], tag: int) -> float | None:
    """A positive number, or None: 0 is how cameras write "unknown"."""
    value = tags.get(tag)
    return float(value) if isinstance(value, int | float) and value > 0 else None


def _taken_at(written: object, offset: object) -> datetime | None:
    """Time from "2026:05:04 07:31:00" and "+02:00"; None from blanks and zeros, written where there is no clock."""
    if not isinstance(written, str):
        return None
    try:
        taken_at = datetime.strptime(written.strip()[:19], "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007 - Exif has local time
    except ValueError:
        return None
    if not EARLIEST_YEAR <= taken_at.year <= LATEST_YEAR:
        return None
    parts = re.fullmatch(r"([+-])(\d\d):(\d\d)\s*", offset) if isinstance(offset, str) else None
    if parts is None:
        return taken_at
    minutes = int(parts[2]) * 60 + int(parts[3])
    if minutes >= 24 * 60:
        return taken_at
    return taken_at.replace(tzinfo=timezone(timedelta(minutes=-minutes if parts[1] == "-" else minutes)))

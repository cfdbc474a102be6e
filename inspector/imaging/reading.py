"""Bytes of a file to a photo as a person sees it: upright, eight bits, three colours.

JPEG, the bulk of what phones make, is decoded by OpenCV; PNG, WebP and TIFF by Pillow and HEIC by libheif.
The size is read from the header before anything is decoded, so that a forged file costs no memory.
"""

from __future__ import annotations

import io
import struct
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath, PureWindowsPath

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image

from inspector.errors import PhotoError
from inspector.imaging.exif import (
    DNG_VERSION,
    IMAGE_LENGTH,
    IMAGE_WIDTH,
    SAMPLE_FORMAT,
    Exif,
    focal_length_px,
    read_exif,
    tiff_tags,
)

__all__ = ["MOST_MEGAPIXELS", "Photo", "read_photo"]

# Phones reach 50 megapixels, medium format 60; one such photo takes 200 MB as an array.
MOST_MEGAPIXELS = 64

# TIFF 6.0: SampleFormat of floating-point samples.
FLOATING_POINT = 3
# ISO/IEC 23008-12, annex B: brands of a file with HEVC coded pictures.
HEIC_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx"})

_TAKE_AGAIN = "copy it again from the phone, or take it again"


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A photo as displayed, with what its file says about how it was taken."""

    name: str  # file name, without folders
    image_bgr: NDArray[np.uint8]  # (h, w, 3), as displayed (EXIF orientation applied)
    taken_at: datetime | None  # with its offset if the camera wrote one, else local time without
    focal_px: float | None  # focal length in pixels of this image, None if unknown


@dataclass(frozen=True, slots=True)
class _Header:
    """What is known of a file before it is decoded."""

    width_px: int
    height_px: int
    exif: Exif


@dataclass(frozen=True, slots=True)
class _Kind:
    """How one kind of file is read."""

    read_header: Callable[[bytes, str], _Header]
    decode: Callable[[bytes, str], NDArray[np.uint8]]
    turned_by_decoder: bool = False  # if not, Exif's orientation is still to be applied


def read_photo(data: bytes, *, name: str) -> Photo:
    """Read the bytes of a JPEG, PNG, WebP, TIFF or HEIC file.

    Grey becomes colour, 16 bits are scaled to 8, and what is transparent is shown over white. Of several
    pages or frames the first is read. Exif that cannot be read counts as not written.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        Its name, for messages; folders in it are left out.

    Returns
    -------
    Photo
        As displayed, with EXIF orientation applied.

    Raises
    ------
    PhotoError
        If the file is empty, cut off, damaged, too large, or not a photo of these kinds; one sentence that
        names it and says what to do.
    """
    name = PurePosixPath(PureWindowsPath(name).as_posix()).name or "without a name"
    if not data:
        raise PhotoError(f"Photo {name} is empty (0 bytes): {_TAKE_AGAIN}.")
    kind = _kind(data, name)
    header = kind.read_header(data, name)
    _check_size(header, name)
    image_bgr = kind.decode(data, name)
    if not kind.turned_by_decoder:
        image_bgr = _upright(image_bgr, header.exif.orientation)
    height_px, width_px = image_bgr.shape[:2]
    return Photo(
        name=name,
        image_bgr=image_bgr,
        taken_at=header.exif.taken_at,
        focal_px=focal_length_px(header.exif, width_px=width_px, height_px=height_px),
    )


def _kind(data: bytes, name: str) -> _Kind:
    """The kind of file, told from its first bytes: names lie."""
    if data.startswith(b"\xff\xd8\xff"):
        return _Kind(_jpeg_header, _decode_jpeg)
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return _Kind(_png_header, _decode_with_pillow)
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return _Kind(_webp_header, _decode_with_pillow)
    if data[:4] in (b"II*\0", b"MM\0*"):  # Pillow turns this kind and no other
        return _Kind(_tiff_header, _decode_with_pillow, turned_by_decoder=True)
    if data[4:8] == b"ftyp" and HEIC_BRANDS & set(_brands(data)):
        # libheif turns the picture by its own properties, which count instead of Exif's orientation.
        return _Kind(_heic_header, _decode_heic, turned_by_decoder=True)
    raise PhotoError(f"{name} is not a photo that can be read: use a JPEG, PNG, WebP, TIFF or HEIC file.")


def _check_size(header: _Header, name: str) -> None:
    width_px, height_px = header.width_px, header.height_px
    if width_px <= 0 or height_px <= 0:
        raise PhotoError(f"Photo {name} has no pixels ({width_px} x {height_px}): {_TAKE_AGAIN}.")
    if width_px * height_px > MOST_MEGAPIXELS * 1_000_000:
        raise PhotoError(
            f"Photo {name} has {width_px} x {height_px} pixels ({width_px * height_px / 1e6:.0f} megapixels), more "
            f"than the {MOST_MEGAPIXELS} megapixels that are read: choose a smaller picture size in the camera."
        )


def _upright(image: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turn and mirror as displayed (Exif 3.0, 4.6.5.1.6 Orientation)."""
    turned = {
        2: lambda: cv2.flip(image, 1),
        3: lambda: cv2.rotate(image, cv2.ROTATE_180),
        4: lambda: cv2.flip(image, 0),
        5: lambda: cv2.transpose(image),
        6: lambda: cv2.rotate(image, cv2.ROTATE_90_CLOCKWISE),
        7: lambda: cv2.flip(cv2.transpose(image), -1),
        8: lambda: cv2.rotate(image, cv2.ROTATE_90_COUNTERCLOCKWISE),
    }.get(orientation, lambda: image)()
    return np.asarray(turned, dtype=np.uint8)


def _cut_off(name: str) -> PhotoError:
    return PhotoError(f"Photo {name} is cut off, its end is missing: {_TAKE_AGAIN}.")


def _damaged(name: str) -> PhotoError:
    return PhotoError(f"Photo {name} is damaged and cannot be decoded: {_TAKE_AGAIN}.")


# JPEG (ITU-T T.81)


def _jpeg_header(data: bytes, name: str) -> _Header:
    """Size and Exif from the segments before the first scan, and a look whether the picture ends."""
    size: tuple[int, int] | None = None
    exif = Exif()
    for marker, start, end in _jpeg_segments(data):
        if marker == 0xE1 and data[start : start + 6] == b"Exif\0\0" and exif == Exif():
            exif = read_exif(data[start:end])
        elif 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC) and end - start >= 6:
            height_px, width_px = struct.unpack_from(">HH", data, start + 1)
            size = (width_px, height_px)
        elif marker == 0xDA:
            # Within a scan 0xFF is always followed by 0 or a restart marker, so that the next FF D9 is the
            # picture's own end, whatever a phone appends. OpenCV would fill what is missing with grey.
            if data.rfind(b"\xff\xd9", end) < 0:
                raise _cut_off(name)
            if size is None:
                raise _damaged(name)
            return _Header(*size, exif)
    raise _cut_off(name)


def _jpeg_segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Marker, start and end of the contents of each segment, up to the first that is not whole."""
    at = 2
    while (at := data.find(b"\xff", at)) >= 0 and at + 4 <= len(data):
        marker = data[at + 1]
        if marker in (0x00, 0x01, 0xFF) or 0xD0 <= marker <= 0xD8:  # fill bytes and markers without contents
            at += 1 if marker == 0xFF else 2
            continue
        (length,) = struct.unpack_from(">H", data, at + 2)
        start, end = at + 4, at + 2 + length
        if length < 2 or end > len(data):
            return
        yield marker, start, end
        at = end


def _jpeg_channels(data: bytes) -> int:
    """How many colour channels the frame header names: 1 grey, 3 colour, 4 print colours."""
    return next(
        (data[start + 5] for marker, start, _ in _jpeg_segments(data) if 0xC0 <= marker <= 0xC2),
        3,
    )


def _decode_jpeg(data: bytes, name: str) -> NDArray[np.uint8]:
    if _jpeg_channels(data) == 4:  # CMYK: OpenCV does not know which of them are stored inverted
        return _decode_with_pillow(data, name)
    # Turned here rather than by OpenCV, so that one reader of Exif decides for all kinds of files.
    flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        image_bgr = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), flags)
    except cv2.error as error:
        raise _damaged(name) from error
    if image_bgr is None:
        raise _damaged(name)
    return np.asarray(image_bgr, dtype=np.uint8)


# PNG (ISO/IEC 15948), WebP (RFC 9649), TIFF 6.0


def _png_header(data: bytes, name: str) -> _Header:
    if len(data) < 33 or data[12:16] != b"IHDR":
        raise _cut_off(name)
    width_px, height_px = struct.unpack_from(">II", data, 16)
    at = 8
    while at + 8 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        if kind == b"eXIf":
            return _Header(width_px, height_px, read_exif(data[at + 8 : at + 8 + length]))
        at += 12 + length
    return _Header(width_px, height_px, Exif())


def _webp_header(data: bytes, name: str) -> _Header:
    size: tuple[int, int] | None = None
    exif = Exif()
    at = 12
    while at + 8 <= len(data):
        kind, length = struct.unpack_from("<4sI", data, at)
        body = data[at + 8 : at + 8 + length]
        if len(body) < length:
            raise _cut_off(name)
        if kind == b"VP8X" and length >= 10:
            size = (1 + int.from_bytes(body[4:7], "little"), 1 + int.from_bytes(body[7:10], "little"))
        elif kind == b"VP8L" and length >= 5 and size is None:
            bits = int.from_bytes(body[1:5], "little")
            size = (1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF))
        elif kind == b"VP8 " and length >= 10 and size is None:
            width_px, height_px = struct.unpack_from("<HH", body, 6)
            size = (width_px & 0x3FFF, height_px & 0x3FFF)
        elif kind == b"EXIF":
            exif = read_exif(body)
        at += 8 + length + length % 2
    if size is None:
        raise _cut_off(name)
    return _Header(*size, exif)


def _tiff_header(data: bytes, name: str) -> _Header:
    tags = tiff_tags(data)
    width_px, height_px = tags.get(IMAGE_WIDTH), tags.get(IMAGE_LENGTH)
    if DNG_VERSION in tags:
        raise PhotoError(f"Photo {name} is a raw file (DNG): save it as JPEG or HEIC in the camera.")
    if tags.get(SAMPLE_FORMAT) == FLOATING_POINT:
        raise PhotoError(f"Photo {name} holds floating-point values: save it with 8 or 16 bits a channel.")
    if not isinstance(width_px, int) or not isinstance(height_px, int):
        raise _cut_off(name)
    return _Header(width_px, height_px, read_exif(data))


def _decode_with_pillow(data: bytes, name: str) -> NDArray[np.uint8]:
    try:
        with warnings.catch_warnings():
            # Remarks on odd metadata of a photo that is good all the same.
            warnings.filterwarnings("ignore", module=r"PIL\.")
            with Image.open(io.BytesIO(data), formats=["JPEG", "PNG", "WEBP", "TIFF"]) as image:
                image.load()
                return _bgr_from_pillow(image, name)
    except PhotoError:
        raise
    except Exception as error:  # hostile bytes make Pillow raise nearly anything
        raise (_cut_off(name) if "truncated" in str(error) else _damaged(name)) from error


def _bgr_from_pillow(image: Image.Image, name: str) -> NDArray[np.uint8]:
    """Eight bits and three colours of any picture that Pillow has loaded."""
    if image.mode.startswith("I;16"):
        gray = np.asarray(np.asarray(image) >> 8, dtype=np.uint8)
        return np.asarray(cv2.cvtColor(gray, cv2.COLOR_GRAY2BGR), dtype=np.uint8)
    if image.mode in ("I", "F", "LAB", "HSV"):
        raise PhotoError(f"Photo {name} has pixels of an unusual kind ({image.mode}): save it as JPEG or PNG.")
    if image.has_transparency_data:
        image = _over_white(image.convert("RGBA"))
    return np.asarray(cv2.cvtColor(np.asarray(image.convert("RGB")), cv2.COLOR_RGB2BGR), dtype=np.uint8)


def _over_white(image: Image.Image) -> Image.Image:
    return Image.alpha_composite(Image.new("RGBA", image.size, "white"), image)


# HEIC (ISO/IEC 23008-12)


def _brands(data: bytes) -> list[bytes]:
    """The major brand and the compatible ones."""
    end = min(int.from_bytes(data[:4], "big"), len(data), 256)
    return [data[8:12], *(data[at : at + 4] for at in range(16, end - 3, 4))]


def _heic_header(data: bytes, name: str) -> _Header:
    try:
        heic = pillow_heif.open_heif(data)
        width_px, height_px = heic.size
        exif = heic.info.get("exif")
    except Exception as error:
        raise _heic_error(error, name) from error
    return _Header(width_px, height_px, read_exif(exif or b""))


def _decode_heic(data: bytes, name: str) -> NDArray[np.uint8]:
    try:
        image = pillow_heif.open_heif(data).to_pillow()
    except Exception as error:
        raise _heic_error(error, name) from error
    return _bgr_from_pillow(image, name)


def _heic_error(error: Exception, name: str) -> PhotoError:
    """Read what libheif says; hostile bytes make it and its wrapper raise several kinds."""
    cut_off = any(words in str(error).lower() for words in ("end of file", "file bounds"))
    return _cut_off(name) if cut_off else _damaged(name)

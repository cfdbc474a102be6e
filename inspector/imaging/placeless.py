"""A photo's file without the place it was taken at: the same pixels, and only what is needed beside them.

Phones write the place into Exif, into XMP, into makers' own blocks, and into previews appended after the picture. So
nothing is taken out that is known to tell it; all is left out but what is known to tell nothing: how the pixels are
coded and coloured, which way up the photo is, when it was taken, and how long the lens was.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator

from PIL import Image

from inspector.imaging.exif import (
    DATE_TIME_ORIGINAL,
    EXIF_IFD,
    FOCAL_LENGTH_IN_35MM_FILM,
    OFFSET_TIME_ORIGINAL,
    ORIENTATION,
    Exif,
    read_exif,
)

__all__ = ["without_place"]

_EXIF_HEADER = b"Exif\0\0"
# ITU-T T.81, table B.1. A marker within coded data is 0xFF and neither a stuffed zero nor a restart.
_EOI, _SOS, _COM = 0xD9, 0xDA, 0xFE
_APP0, _APP1, _APP15 = 0xE0, 0xE1, 0xEF
_MARKER_IN_SCAN = re.compile(rb"\xff+[^\x00\xd0-\xd7\xff]")
# Application segments that say how to show the pixels: JFIF, ICC.1 annex B.4, and Adobe's colour transform.
_JPEG_KEPT = ((0xE0, b"JFIF\0"), (0xE2, b"ICC_PROFILE\0"), (0xEE, b"Adobe"))
_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
# PNG, third edition, table 7: the image itself, its colours, and the size of its pixels.
_PNG_KEPT = {
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"cHRM", b"gAMA", b"iCCP", b"sBIT", b"sRGB", b"cICP", b"bKGD", b"pHYs",
}  # fmt: skip


def without_place(data: bytes) -> bytes | None:
    """Write a photo's file anew without anything that might tell the place.

    Parameters
    ----------
    data : bytes
        The file of a photo that could be read.

    Returns
    -------
    data : bytes or None
        A file of the same format with the same pixels, bit for bit. None where that cannot be done without decoding:
        other formats than JPEG and PNG, and files whose parts do not follow their format.
    """
    if data.startswith(b"\xff\xd8"):
        return _jpeg(data)
    if data.startswith(_PNG_SIGNATURE):
        return _png(data)
    return None


def _jpeg(data: bytes) -> bytes | None:
    segments = list(_jpeg_segments(data))
    if not segments or segments[-1][0] != _EOI:
        return None  # it breaks off, so that it is not known what else follows
    exif = Exif()
    first: list[bytes] = []
    rest: list[bytes] = []
    for marker, segment in segments:
        if marker == _APP1 and segment[4:].startswith(_EXIF_HEADER) and exif == Exif():
            exif = read_exif(segment[4:])
        if marker == _COM or (_APP0 <= marker <= _APP15 and not _says_how_to_show(marker, segment)):
            continue
        (first if marker == _APP0 else rest).append(segment)
    block = _EXIF_HEADER + _exif_block(exif)
    # Exif 3.0, 4.5.4: its segment comes first; where JFIF wants the same, readers take either order.
    return b"".join([b"\xff\xd8", *first, b"\xff\xe1", struct.pack(">H", 2 + len(block)), block, *rest])


def _jpeg_segments(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Marker and bytes of each segment up to the end of the first picture, a scan with its coded data as one."""
    at = 2
    while at + 1 < len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:  # any number of these may stand before a marker
            at += 1
            continue
        if marker == _EOI:
            yield marker, b"\xff\xd9"
            return
        if at + 4 > len(data):
            return
        (length,) = struct.unpack_from(">H", data, at + 2)
        end = at + 2 + length
        if marker == _SOS:
            following = _MARKER_IN_SCAN.search(data, end)
            if following is None:
                return
            end = following.start()
        if length < 2 or end > len(data):
            return
        yield marker, data[at:end]
        at = end


def _says_how_to_show(marker: int, segment: bytes) -> bool:
    return any(marker == kept and segment[4:].startswith(name) for kept, name in _JPEG_KEPT)


def _png(data: bytes) -> bytes | None:
    exif = Exif()
    kept: list[bytes] = []
    at = len(_PNG_SIGNATURE)
    while at + 12 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        end = at + 12 + length
        if end > len(data):
            return None
        if kind == b"eXIf":
            exif = read_exif(data[at + 8 : end - 4])
        if kind in _PNG_KEPT:
            kept.append(data[at:end])
        at = end
        if kind == b"IEND":
            # Found after the picture, it is written before: PNG, 5.6 lets it stand anywhere but between IDATs.
            return b"".join([_PNG_SIGNATURE, kept[0], _png_chunk(b"eXIf", _exif_block(exif)), *kept[1:]])
    return None


def _png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _exif_block(exif: Exif) -> bytes:
    """An Exif block, from the TIFF header on, with the few tags that are handed on."""
    tags = Image.Exif()
    tags[ORIENTATION] = exif.orientation
    more: dict[int, str | int] = {}
    if exif.taken_at is not None:
        more[DATE_TIME_ORIGINAL] = f"{exif.taken_at:%Y:%m:%d %H:%M:%S}"
        if exif.taken_at.tzinfo is not None:
            offset = f"{exif.taken_at:%z}"
            more[OFFSET_TIME_ORIGINAL] = f"{offset[:3]}:{offset[3:5]}"
    if exif.focal_length_35mm_mm is not None:
        more[FOCAL_LENGTH_IN_35MM_FILM] = round(exif.focal_length_35mm_mm)
    if more:
        tags.get_ifd(EXIF_IFD).update(more)
    return tags.tobytes().removeprefix(_EXIF_HEADER)

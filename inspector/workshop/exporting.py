"""The log as one zip of open formats: pieces as CSV, outlines as COCO JSON, and the photos.

It is made while it is sent: nothing but one portion of pieces and one photo is held in memory, however large the log.
"""

import json
import re
import tempfile
import zipfile
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from io import RawIOBase
from typing import IO, Any

from inspector import log
from inspector.errors import InspectorError
from inspector.imaging.placeless import without_place
from inspector.log import LoggedPhoto, PieceDetail, PieceFilter
from inspector.workshop.coco import CATEGORIES, coco_annotation, coco_image, coco_info
from inspector.workshop.curing import Curing
from inspector.workshop.months import Month
from inspector.workshop.piece_csv import csv_lines, finding_rows
from inspector.workshop.portions import read_in_portions

__all__ = ["Export", "Exporting"]

# Pieces read at once, with all that is known about them.
_PORTION = 100
# What is kept in memory of the outlines until all pieces are read; more goes to a file of its own.
_KEPT_IN_MEMORY_BYTES = 4_000_000
# What is sent at once.
_CHUNK_BYTES = 256 * 1024
_LONGEST_NAME = 80
# Of these the place can be left out without touching the pixels.
_KEPT_AS_THEY_ARE = ("image/jpeg", "image/png")
# Within these every date that zip knows lies (APPNOTE 4.4.6: from 1980, two digits of years since).
_ZIP_YEARS = (1980, 2107)

_READ_ME = """\
What is in here

pieces.csv   One row a finding, one row for a piece without any. UTF-8, commas, times with their offset (ISO 8601).
             strength_fraction is a share of the strength after 28 days, worked out from age, temperature and cement
             and from break tests; it is no strength that was measured on the piece. photo_file names the photo below.
coco.json    The photos and the outlines on them in the COCO format; pixels are those of the photos as displayed, with
             their Exif orientation applied. Findings that a person dismissed are left out; where "verdict" is null,
             nobody has looked yet.
photos       {photos}

These are records of ornamental pieces. They say nothing about structural concrete or when its formwork may come off.
{left_out}"""
_WITHOUT_PLACE = (
    "As they came in, pixel for pixel, without the place they were taken at. Photos that are neither JPEG\n"
    "             nor PNG are given as upright JPEG."
)
_AS_THEY_CAME_IN = "Byte for byte as they came in, with all that the phone wrote beside them, such as the place."


@dataclass(slots=True)
class Export:
    """A zip on its way."""

    pieces: int
    """How many are in it."""
    chunks: Iterator[bytes]
    """Its bytes, made as they are asked for."""
    left_out: list[str]
    """One sentence for each photo that could not be put in; complete when all chunks were taken."""


class Exporting:
    """Giving out what is in the log.

    Parameters
    ----------
    opened : Log
        An open log, which stays open.
    curing : Curing
        What the same log knows about curing.
    upright_jpeg : callable
        Gives a photo by its number as a JPEG that stands upright, with nothing beside the pixels.
    """

    def __init__(self, opened: log.Log, curing: Curing, upright_jpeg: Callable[[int], bytes]) -> None:
        self._log = opened
        self._curing = curing
        self._upright_jpeg = upright_jpeg

    def piece_ids(self, *, mold: str | None = None, month: Month | None = None) -> Sequence[int]:
        """Find the pieces of a mold, or all, that left it in a month, latest first.

        Where nobody knows when a piece left its mold, the time of its first photo in the log counts.
        """
        if mold is not None:
            log.find_mold_title(self._log, mold)
        since, until = (None, None) if month is None else month.search_span
        which = PieceFilter(mold=mold, since=since, until=until)
        pages = read_in_portions(partial(log.list_piece_times, self._log, which))
        # As numbers of a machine, not as objects: there may be millions.
        return array("q", (number for page in pages for number, at in page.items if month is None or month.holds(at)))

    def export(
        self, *, now: datetime, mold: str | None = None, month: Month | None = None, with_place: bool = False
    ) -> Export:
        """Put pieces, outlines and photos into a zip.

        Parameters
        ----------
        now : datetime
        mold, month
            Which pieces, as in `piece_ids`.
        with_place : bool
            Give the photos' files byte for byte, with the place they were taken at.
        """
        piece_ids = self.piece_ids(mold=mold, month=month)
        left_out: list[str] = []
        return Export(
            pieces=len(piece_ids),
            chunks=self._chunks(piece_ids, left_out, now=now, with_place=with_place),
            left_out=left_out,
        )

    def _chunks(
        self, piece_ids: Sequence[int], left_out: list[str], *, now: datetime, with_place: bool
    ) -> Iterator[bytes]:
        outlet = _Outlet()
        with (
            zipfile.ZipFile(outlet, "w") as archive,
            tempfile.SpooledTemporaryFile(_KEPT_IN_MEMORY_BYTES, mode="w+", encoding="utf-8") as images,
            tempfile.SpooledTemporaryFile(_KEPT_IN_MEMORY_BYTES, mode="w+", encoding="utf-8") as annotations,
            tempfile.SpooledTemporaryFile(_KEPT_IN_MEMORY_BYTES, mode="w+", encoding="utf-8") as photos,
        ):

            def rows() -> Iterator[dict[str, Any]]:
                for detail, strengths in self._details(piece_ids):
                    files = _file_names(detail, with_place=with_place)
                    photos.writelines(f"{photo_id} {name}\n" for photo_id, name in files.items())
                    _write_outlines(detail, files, images, annotations)
                    yield from finding_rows(detail, strengths, files=files)

            yield from _member(archive, outlet, "pieces.csv", csv_lines(rows()), now=now)
            yield from _member(archive, outlet, "coco.json", _coco_json(images, annotations, now=now), now=now)
            photos.seek(0)
            for line in photos:
                photo_id, file_name = line.split()
                photo = log.find_photo(self._log, int(photo_id))
                try:
                    data = self._photo(photo, with_place=with_place)
                except InspectorError as error:
                    left_out.append(f"Photo {photo.id} ({photo.name}) could not be put in: {error}")
                    continue
                archive.writestr(_zip_info(file_name, now=photo.taken_at or now), data)
                yield from outlet.taken()
            yield from _member(archive, outlet, "READ-ME.txt", _read_me(left_out, with_place=with_place), now=now)
        yield from outlet.taken(all_of_it=True)

    def _details(self, piece_ids: Sequence[int]) -> Iterator[tuple[PieceDetail, dict[int, Any]]]:
        for start in range(0, len(piece_ids), _PORTION):
            details = log.read_piece_details(self._log, piece_ids[start : start + _PORTION])
            strengths = self._curing.demold_strengths([detail.piece for detail in details])
            for detail in details:
                yield detail, strengths

    def _photo(self, photo: LoggedPhoto, *, with_place: bool) -> bytes:
        if with_place or photo.media_type in _KEPT_AS_THEY_ARE:
            data = log.read_photo_file(self._log, photo.id).data
            placeless = data if with_place else without_place(data)
            if placeless is not None:
                return placeless
            if photo.media_type == "image/png":  # its name in the zip says so already
                raise InspectorError("its file does not follow its format, so that it may tell the place unseen.")
        return self._upright_jpeg(photo.id)


def _file_names(detail: PieceDetail, *, with_place: bool) -> dict[int, str]:
    """A name in the zip for each photo of a piece that no system takes for anything else than a plain file.

    The photo's number goes first, so that no two are alike and none is a name that some system keeps for itself.
    """
    names = {}
    for photo in detail.photos:
        stem = photo.name.rpartition(".")[0] or photo.name
        plain = re.sub("[^A-Za-z0-9_-]+", "-", stem).strip("-")[:_LONGEST_NAME]
        kept = with_place or photo.media_type in _KEPT_AS_THEY_ARE
        suffix = log.suffix_of(photo.media_type) if kept else ".jpg"
        names[photo.id] = f"photos/{photo.id:06d}{'-' if plain else ''}{plain}{suffix}"
    return names


def _write_outlines(detail: PieceDetail, files: dict[int, str], images: IO[str], annotations: IO[str]) -> None:
    for photo, inspection in zip(detail.photos, detail.inspections, strict=True):
        print(json.dumps(coco_image(photo, detail.piece, file_name=files[photo.id])), file=images)
        for finding in () if inspection is None else inspection.findings:
            if finding.verdict != "dismissed":
                print(json.dumps(coco_annotation(finding, photo_id=photo.id)), file=annotations)


def _coco_json(images: IO[str], annotations: IO[str], *, now: datetime) -> Iterator[str]:
    yield f'{{"info": {json.dumps(coco_info(made_at=now))},\n"licenses": [],\n'
    yield f'"categories": {json.dumps(CATEGORIES)}'
    for name, lines in (("images", images), ("annotations", annotations)):
        yield f',\n"{name}": ['
        lines.seek(0)
        for number, line in enumerate(lines):
            yield f"{',' if number else ''}\n{line.rstrip()}"
        yield "]"
    yield "}\n"


def _read_me(left_out: Sequence[str], *, with_place: bool) -> Iterator[str]:
    photos = _AS_THEY_CAME_IN if with_place else _WITHOUT_PLACE
    missing = "".join(f"\n{sentence}" for sentence in left_out)
    yield _READ_ME.format(photos=photos, left_out=f"\nNot in here:\n{missing}\n" if missing else "")


class _Outlet(RawIOBase):
    """A file that can only be written to; what was written is taken from it piece by piece."""

    def __init__(self) -> None:
        self._waiting = bytearray()

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._waiting += data
        return len(data)

    def taken(self, *, all_of_it: bool = False) -> Iterator[bytes]:
        if self._waiting and (all_of_it or len(self._waiting) >= _CHUNK_BYTES):
            yield bytes(self._waiting)
            self._waiting.clear()


def _member(
    archive: zipfile.ZipFile, outlet: _Outlet, name: str, parts: Iterable[str], *, now: datetime
) -> Iterator[bytes]:
    with archive.open(_zip_info(name, now=now, compress=True), "w") as file:
        for part in parts:
            file.write(part.encode())
            yield from outlet.taken()


def _zip_info(name: str, *, now: datetime, compress: bool = False) -> zipfile.ZipInfo:
    at = now if _ZIP_YEARS[0] <= now.year <= _ZIP_YEARS[1] else datetime(_ZIP_YEARS[0], 1, 1)  # noqa: DTZ001
    info = zipfile.ZipInfo(name, (at.year, at.month, at.day, at.hour, at.minute, at.second))
    info.compress_type = zipfile.ZIP_DEFLATED if compress else zipfile.ZIP_STORED  # photos are compressed already
    info.external_attr = 0o644 << 16
    return info

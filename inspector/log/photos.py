"""Where photos lie: one file for each content, named after its SHA-256, never changed once written."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from inspector.errors import InspectorError
from inspector.log.durable_files import make_folder, remove_left_over, sync_folder, whole_file

__all__ = [
    "MOST_PHOTO_BYTES",
    "PhotoFolder",
    "PhotoStore",
    "find_whole",
    "media_type_of",
    "name_of",
    "sha256_of",
    "suffix_of",
]

MOST_PHOTO_BYTES = 100_000_000
"""Of a photo that is kept: some three times what phones make of 60 megapixels."""

_SUFFIXES = {
    "image/jpeg": ".jpg",
    "image/png": ".png",
    "image/webp": ".webp",
    "image/tiff": ".tif",
    "image/heic": ".heic",
    "application/octet-stream": ".bin",
}
# Brands of ISO/IEC 23008-12 (HEIF) files, at byte 8 after the `ftyp` box's name.
_HEIF_BRANDS = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1")


def sha256_of(data: bytes) -> bytes:
    """Content hash under which a photo is kept."""
    return hashlib.sha256(data).digest()


def name_of(sha256: bytes, media_type: str) -> str:
    """Name of a kept photo in its folder, store or archive."""
    name = sha256.hex()
    return f"{name[:2]}/{name}{suffix_of(media_type)}"


def find_whole(photos: "PhotoStore", sha256: bytes, media_type: str) -> bytes | None:
    """Read a kept photo's bytes; None where it is gone or no longer what was recorded."""
    data = photos.find(sha256, media_type)
    return data if data is not None and sha256_of(data) == sha256 else None


def media_type_of(data: bytes) -> str:
    """Media type of a photo's file, told by its first bytes."""
    if data.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "image/webp"
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "image/tiff"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return "image/heic"
    return "application/octet-stream"


def suffix_of(media_type: str) -> str:
    """How the name of a photo's file ends, by a type that `media_type_of` gives."""
    return _SUFFIXES[media_type]


class PhotoStore(Protocol):
    """What keeps photos. It can be sent to another process; as text it is its name for people."""

    def keep(self, data: bytes) -> bytes:
        """Keep a photo so that it outlasts a power cut, and give its content hash; the same again changes nothing."""

    def find(self, sha256: bytes, media_type: str) -> bytes | None:
        """Read a kept photo's bytes; None where it is gone."""

    def read(self, sha256: bytes, media_type: str) -> bytes:
        """Read a kept photo's bytes, as they came in."""

    def where(self, sha256: bytes, media_type: str) -> str:
        """Where a photo of that content is, for people."""

    def wrong_with(self, sha256: bytes, media_type: str) -> str | None:
        """Tell what is wrong with a kept photo; None where every byte is as it came in."""

    def names(self) -> Iterator[str]:
        """Find all photos that are kept, whether or not the log names them; as `where` has them."""

    def check_reach(self) -> None:
        """See that it can be used at all, so that its being away is not taken for photos that are gone."""

    def clear_unfinished(self, *, now_s: float) -> None:
        """Remove what was left by a program that was killed while it kept a photo; nobody was told that it was kept."""


@dataclass(frozen=True, slots=True)
class PhotoFolder:
    """The folder of photos beside the database."""

    folder: Path

    def __str__(self) -> str:
        return str(self.folder)

    def keep(self, data: bytes) -> bytes:
        """Write a photo so that it outlasts a power cut, unless it is there already, whole.

        Returns
        -------
        sha256 : bytes, length 32
            Content hash; the file is complete and on disk when this returns.

        Raises
        ------
        InspectorError
            If the folder cannot be written to.
        """
        sha256 = sha256_of(data)
        path = self.path(sha256, media_type_of(data))
        try:
            if _holds(path, data):
                sync_folder(path.parent)  # it may have been put there a moment ago by somebody who is not that far
                return sha256
            make_folder(path.parent)
            make_folder(self._unfinished)
            self._write(path, data)
        except OSError as error:
            raise InspectorError(
                f"The photo could not be kept in {self.folder}: {error.strerror or error}. "
                "Make room or give write access there, then add the photo again."
            ) from error
        return sha256

    def read(self, sha256: bytes, media_type: str) -> bytes:
        """Read a kept photo's bytes, as they came in.

        Raises
        ------
        InspectorError
            If the file is gone or cannot be read.
        """
        path = self.path(sha256, media_type)
        try:
            return path.read_bytes()
        except OSError as error:
            raise InspectorError(
                f"The log names the photo {path}, but it cannot be read: {error.strerror or error}. "
                "Add the same photo again, or put the file back from a backup."
            ) from error

    def find(self, sha256: bytes, media_type: str) -> bytes | None:
        """Read a kept photo's bytes; None where its file is gone.

        Raises
        ------
        InspectorError
            If the file cannot be read.
        """
        return self.read(sha256, media_type) if self.path(sha256, media_type).is_file() else None

    def where(self, sha256: bytes, media_type: str) -> str:
        """Where a photo of that content lies, for people."""
        return str(self.path(sha256, media_type))

    def wrong_with(self, sha256: bytes, media_type: str) -> str | None:
        """Tell what is wrong with a kept photo; None where every byte is as it came in."""
        try:
            with self.path(sha256, media_type).open("rb") as file:
                found = hashlib.file_digest(file, "sha256").digest()
        except FileNotFoundError:
            return "is gone"
        except OSError as error:
            return f"cannot be read ({error.strerror or error})"
        return None if found == sha256 else "is not what was recorded"

    def check_reach(self) -> None:
        """Do nothing: each file tells for itself."""

    def path(self, sha256: bytes, media_type: str) -> Path:
        """Where a photo of that content lies."""
        return self.folder / name_of(sha256, media_type)

    def names(self) -> Iterator[str]:
        """Find all photos that are kept, whether or not the log names them; as `where` has them."""
        return (str(path) for path in self.folder.glob("??/*") if path.is_file())

    def clear_unfinished(self, *, now_s: float) -> None:
        """Remove what was left by a program that was killed while it kept a photo; nobody was told that it was kept."""
        remove_left_over(self._unfinished.glob(".*.part"), now_s=now_s)

    @property
    def _unfinished(self) -> Path:
        return self.folder / "unfinished"

    def _write(self, path: Path, data: bytes) -> None:
        try:
            with whole_file(path, unfinished_in=self._unfinished) as unfinished:
                unfinished.write_bytes(data)
        except OSError:
            # Windows refuses while somebody reads the same photo, just written by another request.
            if not _holds(path, data):
                raise


def _holds(path: Path, data: bytes) -> bool:
    return path.is_file() and path.stat().st_size == len(data) and path.read_bytes() == data

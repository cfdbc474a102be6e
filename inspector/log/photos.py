"""Where photos lie: one file for each content, named after its SHA-256, never changed once written."""

import hashlib
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from inspector.errors import InspectorError

__all__ = ["PhotoFolder", "media_type_of", "sha256_of"]

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


@dataclass(frozen=True, slots=True)
class PhotoFolder:
    """The folder of photos beside the database."""

    folder: Path

    def keep(self, data: bytes) -> bytes:
        """Write a photo so that it outlasts a power cut, unless it is there already.

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
        path = self._path(sha256, media_type_of(data))
        try:
            if _is_whole(path, data):
                return sha256
            _make_folder(path.parent)
            _write_whole(path, data)
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
        path = self._path(sha256, media_type)
        try:
            return path.read_bytes()
        except OSError as error:
            raise InspectorError(
                f"The log names the photo {path}, but it cannot be read: {error.strerror or error}. "
                "Put the file back from a copy of the data folder."
            ) from error

    def _path(self, sha256: bytes, media_type: str) -> Path:
        name = sha256.hex()
        return self.folder / name[:2] / f"{name}{_SUFFIXES[media_type]}"


def _make_folder(folder: Path) -> None:
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for path in missing:
        _sync_folder(path.parent)


def _write_whole(path: Path, data: bytes) -> None:
    with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".writing-", delete=False) as file:
        temporary = Path(file.name)
        try:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        except OSError:
            file.close()
            temporary.unlink()
            raise
    try:
        temporary.replace(path)
    except OSError:
        temporary.unlink()
        # Windows refuses while somebody reads the same photo, just written by another request.
        if not _is_whole(path, data):
            raise
    _sync_folder(path.parent)


def _is_whole(path: Path, data: bytes) -> bool:
    return path.is_file() and path.stat().st_size == len(data)


def _sync_folder(folder: Path) -> None:
    """Bring a folder's entries to disk; Windows has no such call and orders them itself."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

"""Files that are there complete or not at all, whatever is killed or loses power while they are written."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["make_folder", "sync_folder", "whole_file"]


@contextmanager
def whole_file(path: Path, *, unfinished_in: Path | None = None) -> Iterator[Path]:
    """Give a path to write to; when the block is left, that file stands at `path`, complete and on disk.

    Parameters
    ----------
    path : Path
        What stands there is replaced.
    unfinished_in : Path, optional
        Folder of the file while it is written, on the same disk; by default the folder of `path`.

    Raises
    ------
    OSError
        If it cannot be written; nothing is left behind then.
    """
    handle, name = tempfile.mkstemp(dir=unfinished_in or path.parent, prefix=f".{path.name}-", suffix=".part")
    os.close(handle)
    unfinished = Path(name)
    try:
        yield unfinished
        _sync(unfinished, os.O_RDWR)
        unfinished.replace(path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def make_folder(folder: Path, *, mode: int = 0o777) -> None:
    """Make a folder with those above it, so that they outlast a power cut; one that is there stays as it is."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    folder.mkdir(mode=mode, parents=True, exist_ok=True)
    for path in missing:
        sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Bring a folder's entries to disk; Windows has no such call and orders them itself."""
    if os.name != "nt":
        _sync(folder, os.O_RDONLY)


def _sync(path: Path, flags: int) -> None:
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

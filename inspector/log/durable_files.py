"""Files that are there complete or not at all, whatever is killed or loses power while they are written."""

import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

__all__ = ["make_folder", "remove_left_over", "sync_folder", "whole_file"]

# Nobody is at a file any more that was not written to for so long.
_SURELY_LEFT_S = 3600.0


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


def remove_left_over(unfinished: Iterable[Path], *, now_s: float) -> None:
    """Remove unfinished files, and folders of them, that a program left which was killed: those nobody writes to.

    Parameters
    ----------
    unfinished : iterable of Path
    now_s : float
        Seconds since 1970.
    """
    for path in unfinished:
        # Gone already if another program clears up as well; there is nothing to tell if it cannot be removed.
        with suppress(OSError):
            written_s = max(one.stat().st_mtime for one in (path, *path.rglob("*")))
            if now_s - written_s <= _SURELY_LEFT_S:
                continue
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink()


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

"""Which photos in a folder have come in whole, as far as looking at it from time to time can tell.

Looking, not notifications of the system: those do not reach across network drives and the folders that phones are
synchronised into, and differ between systems. A file counts as whole when its size and time have stayed the same for a
while and a decoder accepts all of it; one that is still being written is waited for.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

__all__ = ["GIVE_UP_S", "FileState", "FolderWatch", "list_photo_files"]

PHOTO_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif"})
# A file that no decoder accepts is handed over after this long without a change, so that it is told what is wrong.
GIVE_UP_S = 30.0


@dataclass(frozen=True, slots=True)
class FileState:
    """What changes while a file is being written."""

    size: int
    modified_ns: int


@dataclass(slots=True)
class _Followed:
    """A file that was seen, since when it has not changed, and whether it was handed over as it is."""

    state: FileState
    since_s: float
    handed_over: bool = False


class FolderWatch:
    """A folder that is looked at again and again.

    Parameters
    ----------
    folder : Path
    settle_s : float
        How long a file must not change before it is tried.
    is_whole : callable
        Whether a decoder accepts all of a file; false as well where it cannot be opened yet.
    list_files : callable
        The photos in a folder with their states; raises OSError if the folder cannot be read.
    clock : callable
        Seconds that never run backwards.
    """

    def __init__(
        self,
        folder: Path,
        *,
        settle_s: float,
        is_whole: Callable[[Path], bool],
        list_files: Callable[[Path], Mapping[Path, FileState]],
        clock: Callable[[], float],
    ) -> None:
        self._folder = folder
        self._settle_s = settle_s
        self._is_whole = is_whole
        self._list_files = list_files
        self._clock = clock
        self._followed: dict[Path, _Followed] = {}

    def look(self) -> tuple[Path, ...]:
        """Look once: photos that have come in whole since the last look, oldest first.

        Each is given once, and again only if it changes. A file that stays broken is given once, too.
        """
        now_s = self._clock()
        there = self._list_files(self._folder)
        for path in self._followed.keys() - there.keys():
            del self._followed[path]
        ready = []
        for path, state in there.items():
            known = self._followed.get(path)
            if known is None or known.state != state:
                self._followed[path] = known = _Followed(state, now_s)
            if known.handed_over or now_s - known.since_s < self._settle_s:
                continue
            if now_s - known.since_s >= GIVE_UP_S or (state.size > 0 and self._is_whole(path)):
                known.handed_over = True
                ready.append(path)
        return tuple(sorted(ready, key=lambda path: (there[path].modified_ns, path.name)))


def list_photo_files(folder: Path) -> dict[Path, FileState]:
    """List the photos directly in a folder, by the ends of their names; hidden files are left out.

    Raises
    ------
    OSError
        If the folder cannot be read.
    """
    found = {}
    for path in folder.iterdir():
        if path.name.startswith(".") or path.suffix.lower() not in PHOTO_SUFFIXES:
            continue
        try:
            # Asked of the file itself: on Windows the folder's own entry lags behind while a file is written.
            status = path.stat()
        except OSError:
            continue  # gone again, or renamed when its transfer was done
        if path.is_file():
            found[path] = FileState(status.st_size, status.st_mtime_ns)
    return found

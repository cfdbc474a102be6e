"""The cores of this machine: the same work on many items, in the order given, a process each."""

import multiprocessing
import os
import pickle
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Protocol, TypeVar

import cv2

__all__ = ["OwnCores", "Workers", "cores_for"]

# A worker takes about a second to start; fewer items than this are done sooner without.
_FEWEST_FOR_WORKERS = 6
# A worker may hold 700 MB at a time while it inspects a large photo.
_MOST_WORKERS = 8

_Shared = TypeVar("_Shared")
_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


class Workers(Protocol):
    """Those who do the same work on many items."""

    def each(
        self,
        work: Callable[[_Shared, _Item], _Result],
        shared: _Shared,
        items: Iterable[_Item],
        *,
        died: Callable[[_Item], _Result],
    ) -> Iterator[_Result]:
        """Work on items.

        Parameters
        ----------
        work : callable
            A function of a module, so that it can be sent; takes what is shared and an item.
        shared : object
            What is the same for all items, up to hundreds of megabytes; it is sent to each worker once.
        items : iterable
            Asked for as they are handed out, two a worker, so that they may be made or read then.
        died : callable
            What to give for an item that ended the program which worked on it.

        Yields
        ------
        result : object
            One an item, in the order of the items, whoever died meanwhile.
        """


def cores_for(items: int) -> int:
    """How many processes so many items are worth: one a core, eight at most, and none for a handful of items."""
    return min(os.cpu_count() or 1, _MOST_WORKERS) if items >= _FEWEST_FOR_WORKERS else 1


class OwnCores:
    """Processes of this machine.

    Parameters
    ----------
    workers : int
        So many; one means that the work is done by this process itself.
    """

    def __init__(self, workers: int) -> None:
        self._workers = workers

    def each(
        self,
        work: Callable[[_Shared, _Item], _Result],
        shared: _Shared,
        items: Iterable[_Item],
        *,
        died: Callable[[_Item], _Result],
    ) -> Iterator[_Result]:
        """Work on items, as `Workers` has it; at most two a worker are under way at any time."""
        if self._workers <= 1:
            for item in items:
                yield work(shared, item)
            return
        upcoming = iter(items)
        left: deque[_Item] = deque()  # handed out, and not given back yet
        with TemporaryDirectory(prefix="inspector-") as folder:
            handed_over = _hand_over(shared, Path(folder))
            while True:
                try:
                    with _pool(handed_over, self._workers) as pool:
                        under_way = deque(pool.submit(_work_in_worker, work, item) for item in left)
                        while True:
                            for item in islice(upcoming, 2 * self._workers - len(left)):
                                left.append(item)
                                under_way.append(pool.submit(_work_in_worker, work, item))
                            if not left:
                                return
                            result = under_way.popleft().result()
                            left.popleft()
                            yield result
                except BrokenProcessPool:
                    # A worker died, most likely for want of memory. The item in turn gets a process of its own, so that
                    # either it or one that was under way beside it is found out; then all go on.
                    yield _work_alone(work, left.popleft(), handed_over, died)


def _hand_over(shared: object, folder: Path) -> Path:
    """Write what the workers share into a file: hundreds of megabytes, which a pipe would hold in memory once more."""
    path = folder / "shared"
    with path.open("wb") as file:
        pickle.dump(shared, file, protocol=pickle.HIGHEST_PROTOCOL)
    return path


def _work_alone(
    work: Callable[[Any, _Item], _Result], item: _Item, shared: Path, died: Callable[[_Item], _Result]
) -> _Result:
    try:
        with _pool(shared, workers=1) as pool:
            return pool.submit(_work_in_worker, work, item).result()
    except BrokenProcessPool:
        return died(item)


def _pool(shared: Path, workers: int) -> ProcessPoolExecutor:
    # Spawned, not forked: the same on all systems, and safe beside the threads of OpenCV.
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker, initargs=(shared,))


# What a worker process shares with the others, set once when it starts: too large to be sent with each item.
_shared: list[Any] = []


def _start_worker(shared: Path) -> None:
    cv2.setNumThreads(1)  # the workers share the cores; threads in each would only get in each other's way
    with shared.open("rb") as file:
        _shared[:] = [pickle.load(file)]  # noqa: S301 - written by the process that started this one


def _work_in_worker(work: Callable[[Any, _Item], _Result], item: _Item) -> _Result:
    return work(_shared[0], item)

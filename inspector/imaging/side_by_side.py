"""Pictures worked at side by side: OpenCV, NumPy and SciPy let other threads run while they are at it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import cv2

__all__ = ["both", "side_by_side"]

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")
_Other = TypeVar("_Other")


def side_by_side(work: Callable[[_Item], _Result], items: Iterable[_Item]) -> list[_Result]:
    """The results for all items, in their order, on as many threads as OpenCV may use, this one among them."""
    beside = cv2.getNumThreads() - 1
    if beside < 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(beside) as threads:
        waiting = [(threads.submit(work, item), item) for item in items]
        # Each thread keeps some memory of its own: rather than wait, this one does what none has begun, from the end.
        own = {future: work(item) for future, item in reversed(waiting) if future.cancel()}
        return [own[future] if future in own else future.result() for future, _ in waiting]


def both(first: Callable[[], _Result], second: Callable[[], _Other]) -> tuple[_Result, _Other]:
    """Two results, worked out side by side where OpenCV may use more than one thread."""
    if cv2.getNumThreads() < 2:
        return first(), second()
    with ThreadPoolExecutor(1) as beside:
        one = beside.submit(first)
        other = second()
        return one.result(), other

"""Pictures worked at side by side: OpenCV, NumPy and SciPy let other threads run while they are at it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import cv2

__all__ = ["side_by_side"]

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


def side_by_side(work: Callable[[_Item], _Result], items: Iterable[_Item]) -> list[_Result]:
    """The results for all items, in their order, worked out on as many threads as OpenCV may use."""
    with ThreadPoolExecutor(cv2.getNumThreads()) as threads:
        return list(threads.map(work, items))

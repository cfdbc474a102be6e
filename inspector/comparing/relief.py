"""Where the relief of a piece differs from that of every good one.

Edges without sign (see ``aligning.structure``) are compared in small windows, each window at its best place
within reach of what the alignment may be off. Where neither photo has edges, nothing differs; where only one
has, or they run in other directions, the mismatch approaches one. A place counts only by how much it exceeds
what good pieces show among themselves there: light, grain and mottling differ between those too.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["mismatch", "normal_mismatch"]

WINDOW_MM = 3.6
REACH_MM = 0.7
# Edge energy below this is grain: it neither matches nor differs.
QUIET_ENERGY = 0.03


def mismatch(photo: NDArray[np.float32], reference: NDArray[np.float32], *, px_per_mm: float) -> NDArray[np.float32]:
    """How much the edges of two aligned photos differ, place by place.

    Parameters
    ----------
    photo, reference : ndarray, shape (h, w, 2), float32
        Orientation fields in one frame.
    px_per_mm : float

    Returns
    -------
    ndarray, shape (h, w), float32
        0 (the same, or nothing there) to 1 (nothing in common).
    """
    side = 2 * round(WINDOW_MM * px_per_mm / 2) + 1
    reach = max(1, round(REACH_MM * px_per_mm))
    photo_x, photo_y = cv2.split(photo)
    other_x, other_y = cv2.split(reference)
    own = cv2.blur(photo_x**2 + photo_y**2, (side, side))
    other = cv2.blur(other_x**2 + other_y**2, (side, side))
    height, width = own.shape
    borders = (reach, reach, reach, reach, cv2.BORDER_CONSTANT)
    padded_x, padded_y = cv2.copyMakeBorder(other_x, *borders), cv2.copyMakeBorder(other_y, *borders)
    best = np.zeros((height, width), dtype=np.float32)
    for dy in range(2 * reach + 1):
        for dx in range(2 * reach + 1):
            if np.hypot(dy - reach, dx - reach) > reach + 0.5:
                continue
            rows, columns = slice(dy, dy + height), slice(dx, dx + width)
            shared = photo_x * padded_x[rows, columns] + photo_y * padded_y[rows, columns]
            np.maximum(best, cv2.blur(shared, (side, side)), out=best)
    quiet = np.float32(2 * QUIET_ENERGY)
    return np.asarray(1 - (2 * best + quiet) / (own + other + quiet), dtype=np.float32).clip(0, 1)


def normal_mismatch(
    structures: Sequence[NDArray[np.float32]], *, px_per_mm: float, alone: float
) -> NDArray[np.float32]:
    """What good pieces show among themselves: each against its nearest fellow, the worst of them counts.

    Parameters
    ----------
    structures : sequence of ndarray, shape (h, w, 2)
        Orientation fields of the references, in one frame.
    px_per_mm : float
    alone : float
        What to allow where there is only one reference.
    """
    count = len(structures)
    shape = structures[0].shape[:2]
    if count < 2:
        return np.full(shape, alone, dtype=np.float32)
    between = np.zeros((count, count, *shape), dtype=np.float32)
    for i in range(count):
        for j in range(i + 1, count):
            between[i, j] = between[j, i] = mismatch(structures[i], structures[j], px_per_mm=px_per_mm)
    nearest = np.stack([np.delete(between[i], i, axis=0).min(axis=0) for i in range(count)])
    worst = nearest.max(axis=0) if count > 2 else nearest[0]
    reach = 2 * round(REACH_MM * px_per_mm) + 1
    return np.asarray(cv2.dilate(worst, np.ones((reach, reach), dtype=np.uint8)))

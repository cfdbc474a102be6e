"""Light from the values of a photo, and its logarithm: there a lamp twice as bright adds the same everywhere.

Photos carry light under a display curve, close to a power of 2.2 (IEC 61966-2-1, sRGB, is within a few hundredths).
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["DISPLAY_GAMMA", "contrast_and_detail", "linear_light", "log_light"]

DISPLAY_GAMMA = 2.2
AROUND_MM, DETAIL_MM = 4.0, 0.5
# The mean around a place changes slowly: it is taken on a raster this much coarser.
COARSER = 4


def linear_light(values: NDArray[np.uint8]) -> NDArray[np.float32]:
    """The light that a photo shows, white is 1, of the same shape."""
    return np.asarray((values.astype(np.float32) / 255) ** DISPLAY_GAMMA, dtype=np.float32)


def log_light(values: NDArray[np.uint8], *, darkest: float = 0.01) -> NDArray[np.float32]:
    """Natural log of linear light, where white is 1.

    Parameters
    ----------
    values : ndarray, uint8
        Any number of channels.
    darkest : float
        Added to the light: what is darker is noise.
    """
    return np.asarray(cv2.LUT(values, _table(darkest)))


def contrast_and_detail(
    logs: NDArray[np.float32], *, px_per_mm: float, on_piece: NDArray[np.bool_] | None = None
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Log light against its surroundings, and fine detail: nothing of lamp and mix is left.

    Parameters
    ----------
    logs : ndarray, shape (h, w), float32
        As `log_light` gives it.
    px_per_mm : float
    on_piece : ndarray, shape (h, w), bool, optional
        What counts as surroundings; without it all does.
    """
    height, width = logs.shape
    small = (max(1, width // COARSER), max(1, height // COARSER))
    sigma = AROUND_MM * px_per_mm / COARSER

    def around_of(values: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.GaussianBlur(cv2.resize(values, small, interpolation=cv2.INTER_AREA), (0, 0), sigma))

    if on_piece is None:
        around = around_of(logs)
    else:
        weight = around_of(on_piece.astype(np.float32))
        total = around_of(np.where(on_piece, logs, np.float32(0)))
        around = np.asarray(total / np.maximum(weight, np.float32(0.05)), dtype=np.float32)
    return (
        logs - cv2.resize(around, (width, height), interpolation=cv2.INTER_LINEAR),
        logs - cv2.GaussianBlur(logs, (0, 0), DETAIL_MM * px_per_mm),
    )


@lru_cache
def _table(darkest: float) -> NDArray[np.float32]:
    return np.log((np.arange(256) / 255.0) ** DISPLAY_GAMMA + darkest).astype(np.float32)

"""Log light from the values of a photo: there a lamp twice as bright adds the same everywhere.

Photos carry light under a display curve, close to a power of 2.2 (IEC 61966-2-1, sRGB, is within a few hundredths).
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["DISPLAY_GAMMA", "log_light"]

DISPLAY_GAMMA = 2.2


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


@lru_cache
def _table(darkest: float) -> NDArray[np.float32]:
    return np.log((np.arange(256) / 255.0) ** DISPLAY_GAMMA + darkest).astype(np.float32)

"""How rough the surface is, place by place: fresh fracture shows pores and aggregate where a cast skin is smooth.

Detail finer than half a millimetre is squared and averaged, on log brightness so that light and shade weigh
alike, and only over the piece itself: its outline would count as the roughest place of all.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["roughness"]

DETAIL_MM = 0.5
WINDOW_MM = 0.9  # standard deviation
AWAY_FROM_OUTLINE_MM = 0.8
# Detail below this is sensor noise. [log units, squared]
NOISE = 4e-4


def roughness(gray: NDArray[np.uint8], mask: NDArray[np.uint8], *, px_per_mm: float) -> NDArray[np.float32]:
    """Log of the local energy of fine detail.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
    mask : ndarray, shape (h, w), uint8
        255 on the piece.
    px_per_mm : float

    Returns
    -------
    ndarray, shape (h, w), float32
        0.5 * log of the mean square; the noise floor where the piece is too thin to tell.
    """
    logs = _LOG_OF_VALUE[gray]
    detail = logs - cv2.GaussianBlur(logs, (0, 0), DETAIL_MM * px_per_mm)
    radius = round(AWAY_FROM_OUTLINE_MM * px_per_mm)
    weight = cv2.erode(mask, np.ones((2 * radius + 1,) * 2, dtype=np.uint8)).astype(np.float32) / 255
    sigma = WINDOW_MM * px_per_mm
    energy = cv2.GaussianBlur(detail * detail * weight, (0, 0), sigma)
    covered = cv2.GaussianBlur(weight, (0, 0), sigma)
    return np.asarray(0.5 * np.log(energy / np.maximum(covered, 0.05) + NOISE), dtype=np.float32)


def _log_of_value() -> NDArray[np.float32]:
    light = (np.arange(256) / 255.0) ** 2.2
    return np.log(light + 0.01).astype(np.float32)


_LOG_OF_VALUE = _log_of_value()

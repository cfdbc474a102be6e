"""How rough the surface is, place by place: fresh fracture shows pores and aggregate where a cast skin is smooth.

Detail finer than half a millimetre is squared and averaged, on log brightness so that light and shade weigh
alike, and only over the piece itself: its outline would count as the roughest place of all. Detail that all runs
one way (the edge of a shadow, a tooled line) is no roughness: the energy counts by how far it lacks a direction,
from the structure tensor (Bigun and Granlund 1987).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import log_light

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
    logs = log_light(gray)
    detail = logs - cv2.GaussianBlur(logs, (0, 0), DETAIL_MM * px_per_mm)
    radius = round(AWAY_FROM_OUTLINE_MM * px_per_mm)
    weight = cv2.erode(mask, np.ones((2 * radius + 1,) * 2, dtype=np.uint8)).astype(np.float32) / 255
    sigma = WINDOW_MM * px_per_mm

    def averaged(image: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.GaussianBlur(image * weight, (0, 0), sigma))

    smooth = cv2.GaussianBlur(detail, (0, 0), 0.7)
    gx, gy = cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    xx, yy, xy = averaged(gx * gx), averaged(gy * gy), averaged(gx * gy)
    one_way = np.sqrt((xx - yy) ** 2 + 4 * xy**2) / np.maximum(xx + yy, 1e-9)
    covered = np.maximum(averaged(np.ones_like(detail)), np.float32(0.05))
    energy = averaged(detail * detail) / covered * (1 - one_way)
    return np.asarray(0.5 * np.log(energy + NOISE), dtype=np.float32)

"""How sharp a photo is: how wide the steps of brightness in it are at their sharpest."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["edge_width_mm"]

# A raster on which an edge of a millimetre is still several pixels wide.
ENOUGH_PX_PER_MM = 6.0


def edge_width_mm(gray: NDArray[np.uint8], *, px_per_mm: float) -> float:
    """How wide the sharpest edges of a part of a photo are; 0 where it has hardly any.

    The width of a blurred step is its height over its steepest slope; of all edge places the sharpest
    tenth counts, since soft shading and shadows are no fault of the photo.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
        May be empty.
    px_per_mm : float
    """
    if gray.size == 0:
        return 0.0
    part, scale = gray, px_per_mm
    if scale > ENOUGH_PX_PER_MM:
        part = cv2.resize(
            part, None, fx=ENOUGH_PX_PER_MM / scale, fy=ENOUGH_PX_PER_MM / scale, interpolation=cv2.INTER_AREA
        )
        scale = ENOUGH_PX_PER_MM
    smooth = cv2.GaussianBlur(part, (0, 0), 0.8)
    slope_x, slope_y = (cv2.Scharr(smooth, cv2.CV_32F, dx, 1 - dx, scale=1 / 32) for dx in (1, 0))
    slope = cv2.magnitude(slope_x, slope_y)
    window = 2 * round(1.2 * scale) + 1
    kernel = np.ones((window, window), dtype=np.uint8)
    rise = cv2.subtract(cv2.dilate(smooth, kernel), cv2.erode(smooth, kernel))
    strong = rise > max(25.0, float(np.percentile(rise[::2, ::2], 90)))
    if strong.sum() < 200:
        return 0.0
    peak = cv2.dilate(slope, kernel)
    width_px = rise[strong] / np.maximum(peak[strong], 1e-3)
    return float(np.percentile(width_px, 10)) / scale

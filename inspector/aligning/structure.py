"""What stays the same on a piece when the light moves: its edges, as direction without sign.

The gradient of log brightness is taken at one scale, its strength compressed against the strength around it,
and its direction doubled (Granlund and Knutsson 1995), so that a ridge lit from the left and the same ridge
lit from the right point the same way.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import log_light

__all__ = ["orientation_field"]

# Edges are compared with what lies within about 5 mm.
NEIGHBOURHOOD_MM = 5.0
# Gradients of log brightness below this are grain and noise, whatever their neighbourhood. [1/mm]
GRAIN_PER_MM = 0.02


def orientation_field(gray: NDArray[np.uint8], *, px_per_mm: float, scale_mm: float) -> NDArray[np.float32]:
    """Edges as vectors of doubled angle.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
    px_per_mm : float
    scale_mm : float
        Standard deviation of the smoothing before the gradient.

    Returns
    -------
    ndarray, shape (h, w, 2), float32
        Length 0 (flat) to 1 (the strongest edge around), direction twice the gradient's.
    """
    gx, gy = _log_gradient(gray, px_per_mm, scale_mm)
    strength = cv2.magnitude(gx, gy)
    share = _compressed(strength, px_per_mm)
    safe = np.maximum(strength, 1e-9)
    gx /= safe
    gy /= safe
    return np.dstack([share * (gx * gx - gy * gy), share * (2 * gx * gy)])


def _log_gradient(
    gray: NDArray[np.uint8], px_per_mm: float, scale_mm: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Gradient of the log of linear light. [1/mm]"""
    logs = log_light(gray)
    smooth = cv2.GaussianBlur(logs, (0, 0), max(0.6, scale_mm * px_per_mm))
    to_mm = px_per_mm / 32.0  # Scharr's weights sum to 16, over two pixels
    return cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=to_mm), cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=to_mm)


def _compressed(strength: NDArray[np.float32], px_per_mm: float) -> NDArray[np.float32]:
    window = 2 * round(NEIGHBOURHOOD_MM * px_per_mm) + 1
    around = cv2.blur(strength, (window, window))
    relative = strength / (around + np.float32(0.5 * float(around.mean()) + GRAIN_PER_MM))
    return np.asarray(relative / (1 + relative), dtype=np.float32)

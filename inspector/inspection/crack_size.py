"""How long and wide a crack is: by the light missing across it, in widths of a line that reflects next to nothing."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import DISPLAY_GAMMA

__all__ = ["crack_size_px"]

# The inside of a crack is not quite black: its walls pass some light on. From memory of photographs, no source.
CRACK_REFLECTANCE = 0.05
# A line filter sees a crack this far beyond its ends; there the path counts only while this part of the usual light
# is missing.
FILTER_REACH_MM = 3.2
LEAST_MISSING = 0.4
PROFILE_MM = 1.3
CORE_MM = 0.7


def crack_size_px(gray: NDArray[np.uint8], path_xy: NDArray[np.float64], *, px_per_mm: float) -> tuple[float, float]:
    """Length of a crack and its median opening, below one pixel too.

    Across the path the brightness is integrated against a straight line between both sides; blur spreads what is
    missing but does not change its sum. Linear light, since only there is the sum conserved.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
        The photo.
    path_xy : ndarray, shape (n, 2)
        The crack's middle. [px]
    px_per_mm : float

    Returns
    -------
    tuple of float
        Length and width in px; 0, 0 where the path is no line.
    """
    path = _resampled(path_xy, 1.0)
    if len(path) < 3:
        return 0.0, 0.0
    tangent = np.gradient(path, axis=0)
    for axis in (0, 1):
        tangent[:, axis] = np.convolve(np.pad(tangent[:, axis], 4, mode="edge"), np.ones(9) / 9, mode="valid")
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-6)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    half = max(3.0, PROFILE_MM * px_per_mm)
    offset = np.arange(-half, half + 0.25, 0.5)
    points = (path[:, None] + offset[None, :, None] * normal[:, None]).astype(np.float32)
    profile = cv2.remap(gray, points, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = (profile.astype(np.float64) / 255) ** DISPLAY_GAMMA
    window = max(3, round(1.0 * px_per_mm) | 1)
    light = cv2.blur(light, (1, window), borderType=cv2.BORDER_REPLICATE)
    core = max(1.5, CORE_MM * px_per_mm)
    sides = np.abs(offset) > core
    left, right = sides & (offset < 0), sides & (offset > 0)
    base = np.median(light[:, left], axis=1)[:, None] * (0.5 - offset / (2 * half))
    base = base + np.median(light[:, right], axis=1)[:, None] * (0.5 + offset / (2 * half))
    missing = np.where(~sides, 1 - light / np.maximum(base, 1e-6), 0).sum(axis=1) * 0.5
    begin, end = _between_ends(missing, FILTER_REACH_MM * px_per_mm)
    return float(end - 1 - begin), max(0.0, float(np.median(missing[begin:end]))) / (1 - CRACK_REFLECTANCE)


def _between_ends(missing: NDArray[np.float64], reach_px: float) -> tuple[int, int]:
    """First place and one past the last at which the crack is really there."""
    least = LEAST_MISSING * float(np.median(missing))
    there = np.flatnonzero(missing >= least)
    if not len(there):
        return 0, len(missing)
    reach = round(min(reach_px, 0.3 * len(missing)))
    return min(int(there[0]), reach), max(int(there[-1]) + 1, len(missing) - reach)


def _resampled(path_xy: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """Points at equal distances along a path."""
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path_xy, axis=0), axis=1))])
    where = np.arange(0.0, at[-1] + 1e-9, step)
    return np.column_stack([np.interp(where, at, path_xy[:, k]) for k in (0, 1)])

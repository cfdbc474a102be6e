"""Dark lines on drawn concrete, of exactly known course and width."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

_FINE = 8  # subpixels a pixel


def concrete(shape: tuple[int, int], *, grain: float = 0.04, seed: int = 0) -> NDArray[np.float64]:
    """Reflectance of a mottled, grainy surface."""
    rng = np.random.default_rng(seed)
    fine = cv2.GaussianBlur(rng.normal(0, 1, shape), (0, 0), 0.8)
    broad = cv2.GaussianBlur(rng.normal(0, 1, shape), (0, 0), 20)
    return 0.4 * (1 + grain * fine / fine.std() + 0.08 * broad / broad.std())


def with_line(
    reflectance: NDArray[np.float64], path_xy: NDArray[np.float64], width_px: float, *, darkness: float = 0.75
) -> NDArray[np.float64]:
    """A line of the given width that takes away a part of the light, averaged from eight subpixels each way."""
    height, width = reflectance.shape
    canvas = np.zeros((height * _FINE, width * _FINE), np.uint8)
    across = max(1, round(width_px * _FINE))
    tangent = np.gradient(path_xy, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.linalg.norm(tangent, axis=1, keepdims=True)
    ribbon = np.vstack([path_xy + normal * width_px / 2, (path_xy - normal * width_px / 2)[::-1]])
    points = np.round(((ribbon + 0.5) * _FINE - 0.5) * 256).astype(np.int32)
    if across == 1:
        cv2.polylines(canvas, [points[: len(path_xy)]], False, 255, 1, cv2.LINE_8, 8)
    else:
        cv2.fillPoly(canvas, [points], 255, cv2.LINE_8, 8)
    cover = cv2.resize(canvas, (width, height), interpolation=cv2.INTER_AREA).astype(float) / 255
    return reflectance * (1 - darkness * cover)


def as_photo(
    reflectance: NDArray[np.float64], *, blur_px: float = 0.8, noise: float = 2.0, light: float = 1.0, seed: int = 0
) -> NDArray[np.uint8]:
    """Blurred in linear light, then as display values with the noise of a sensor."""
    linear = cv2.GaussianBlur(reflectance * light, (0, 0), blur_px) if blur_px > 0 else reflectance * light
    value = 255 * np.clip(linear, 0, 1) ** (1 / 2.2)
    return np.clip(np.round(value + np.random.default_rng(seed).normal(0, noise, value.shape)), 0, 255).astype(np.uint8)

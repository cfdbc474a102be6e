"""How a surface looks, piece by piece of half a millimetre, against the range that good pieces show there.

Brightness is taken against its surroundings on the piece, on log light, so that neither the lamp nor the colour of the
mix counts; fine detail is what is left of it below half a millimetre. Both are compared with the lowest and the
highest of the references within reach of what the alignment may be off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import log_light

__all__ = ["Appearance", "NormalAppearance", "appearance", "normal_appearance", "unlike_normal"]

AROUND_MM = 4.0
DETAIL_MM = 0.5
REACH_MM = 0.5
# The mean around a place changes slowly: it is taken on a raster this much coarser.
COARSER = 4


@dataclass(frozen=True, slots=True, eq=False)
class Appearance:
    """One photo of a piece; both maps in log units."""

    contrast: NDArray[np.float32]
    detail: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class NormalAppearance:
    """What references of one mold show, place by place."""

    lowest: NDArray[np.float32]
    highest: NDArray[np.float32]
    mean: NDArray[np.float32]
    detail: NDArray[np.float32]  # the strongest


def appearance(gray: NDArray[np.uint8], mask: NDArray[np.uint8], *, px_per_mm: float) -> Appearance:
    """Contrast against the surroundings, and fine detail.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
    mask : ndarray, shape (h, w), uint8
        255 on the piece: what lies beside it is no surrounding.
    px_per_mm : float
    """
    height, width = gray.shape
    logs = log_light(gray)
    small = (max(1, width // COARSER), max(1, height // COARSER))
    weight = cv2.resize((mask > 127).astype(np.float32), small, interpolation=cv2.INTER_AREA)
    sigma = AROUND_MM * px_per_mm / COARSER
    total = cv2.GaussianBlur(
        cv2.resize(np.where(mask > 127, logs, 0), small, interpolation=cv2.INTER_AREA), (0, 0), sigma
    )
    around = total / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), np.float32(0.05))
    contrast = logs - cv2.resize(around, (width, height), interpolation=cv2.INTER_LINEAR)
    return Appearance(contrast, logs - cv2.GaussianBlur(logs, (0, 0), DETAIL_MM * px_per_mm))


def normal_appearance(references: Sequence[Appearance], *, px_per_mm: float) -> NormalAppearance:
    """The range of the references, widened by what the alignment may be off."""
    contrasts = [one.contrast for one in references]
    reach = _reach(px_per_mm)
    return NormalAppearance(
        lowest=cv2.erode(np.min(contrasts, axis=0), reach),
        highest=cv2.dilate(np.max(contrasts, axis=0), reach),
        mean=np.mean(contrasts, axis=0, dtype=np.float32),
        detail=cv2.dilate(np.max([np.abs(one.detail) for one in references], axis=0), reach),
    )


def unlike_normal(own: Appearance, normal: NormalAppearance) -> NDArray[np.float32]:
    """How a photo looks beside what is normal.

    Returns
    -------
    ndarray, shape (6, h, w), float32
        Contrast, detail, contrast above and below the range, mean contrast of the references, detail beyond theirs.
    """
    return np.stack(
        [
            own.contrast,
            own.detail,
            np.maximum(own.contrast - normal.highest, 0),
            np.maximum(normal.lowest - own.contrast, 0),
            normal.mean,
            np.maximum(np.abs(own.detail) - normal.detail, 0),
        ]
    )


def _reach(px_per_mm: float) -> NDArray[np.uint8]:
    side = 2 * max(1, round(REACH_MM * px_per_mm)) + 1
    return np.ones((side, side), dtype=np.uint8)

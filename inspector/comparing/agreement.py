"""Whether a place still shows the surface that good pieces have there, or would show it a little aside.

Light, stains and wet patches change how bright a place is, and a photo may lie a millimetre or two aside: all of that
looks like damage. So the place is compared once more, by features that stay alike when the light moves
(``aligning.likeness``), where it lies and for all shifts within reach; and so is what lies around it. Where concrete
has broken away the surface is not found anywhere near, while what lies around it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.cutting import cut_box

__all__ = ["PlaceAgreement", "agreement_at"]

# The place itself, with a rim, and what lies around it.
_RIM_MM, _AROUND_MM = 1.6, (1.2, 7.0)
_REACH_MM = 2.5


@dataclass(frozen=True, slots=True)
class PlaceAgreement:
    """Normalised correlation with the reference that agrees best, 0 to 1."""

    place: float  # where it lies
    place_anywhere: float  # at the best shift
    around: float  # what lies around it, where that lies
    around_anywhere: float
    place_moved: float  # the place, moved as fits what lies around it


def agreement_at(
    place: NDArray[np.bool_],
    left: int,
    top: int,
    photo: NDArray[np.float32],
    references: Sequence[NDArray[np.float32]],
    piece: NDArray[np.bool_],
    *,
    px_per_mm: float,
) -> PlaceAgreement:
    """Compare one place of a photo with references that it has been laid over.

    Parameters
    ----------
    place : ndarray, shape (n, m), bool
        Cut out of the raster of the features, at ``left`` and ``top``.
    photo : ndarray, shape (h, w, channels), float32
        Features of the photo.
    references : sequence of ndarray, shape (h, w, channels), float32
        At least one.
    piece : ndarray, shape (h, w), bool
    px_per_mm : float
        Scale of the features.
    """
    margin, reach = (int(np.ceil(length * px_per_mm)) for length in (_AROUND_MM[1], _REACH_MM))
    height, width = place.shape
    outside = cv2.copyMakeBorder((~place).astype(np.uint8), *(margin,) * 4, cv2.BORDER_CONSTANT, value=1)
    away_mm = cv2.distanceTransform(outside, cv2.DIST_L2, cv2.DIST_MASK_5) / px_per_mm
    window = (left - margin, top - margin, width + 2 * margin, height + 2 * margin)
    wide = (window[0] - reach, window[1] - reach, window[2] + 2 * reach, window[3] + 2 * reach)
    on_piece = cut_box(piece.astype(np.uint8), window, fill=0) > 0
    near = away_mm <= _RIM_MM
    around = (away_mm > _AROUND_MM[0]) & (away_mm <= _AROUND_MM[1]) & on_piece
    seen = cut_box(photo, wide, fill=0)
    patches = [cut_box(reference, window, fill=0) for reference in references]
    near_scores, around_scores = (
        np.stack([_correlations(seen, patch, region) for patch in patches]) for region in (near, around)
    )
    down, across = np.unravel_index(int(around_scores.max(axis=0).argmax()), around_scores.shape[1:])
    return PlaceAgreement(
        place=float(near_scores[:, reach, reach].max()),
        place_anywhere=float(near_scores.max()),
        around=float(around_scores[:, reach, reach].max()),
        around_anywhere=float(around_scores.max()),
        place_moved=float(near_scores[:, down, across].max()),
    )


def _correlations(
    seen: NDArray[np.float32], patch: NDArray[np.float32], region: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Normalised correlation of a region of a patch, at all shifts."""
    inside = region.astype(np.float32)[..., None]
    if not (patch * inside).any():
        return np.zeros((seen.shape[0] - patch.shape[0] + 1, seen.shape[1] - patch.shape[1] + 1), dtype=np.float32)
    scores = cv2.matchTemplate(seen, patch, cv2.TM_CCORR_NORMED, mask=np.repeat(inside, patch.shape[-1], axis=-1))
    return np.clip(np.nan_to_num(scores, posinf=0.0, neginf=0.0), 0, 1)

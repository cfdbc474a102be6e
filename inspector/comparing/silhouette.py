"""Where the piece is in a photo, once it is known where it should be.

The photo itself teaches what concrete and what mat look like in it: the inside of the aligned reference gives
one histogram of brightness, colour and texture, its surroundings, shadows included, the other. Each place is
then told by the ratio of the two, averaged over a grain or two, with the aligned outline as a weak prior.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Silhouette", "depth_inside", "look_code", "piece_odds", "see_silhouette"]

# Distance kept from the aligned outline when learning, and how far around the piece the mat is learnt.
_CLEAR_MM = 2.5
_AROUND_MM = 18.0
# Histogram bins over tone, hue and texture.
_BINS = (28, 9, 10)
_TONE_RANGE = (-3.0, 0.9)
_HUE_RANGE = (-0.45, 0.45)
_TEXTURE_RANGE = (-1.0, 2.6)
# Evidence is averaged over this, as a standard deviation.
_AVERAGE_MM = 0.45
# Log odds of the prior a long way inside; its sign turns over this distance across the outline.
_PRIOR_LOG_ODDS = 1.0
_PRIOR_WIDTH_MM = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Silhouette:
    """What the photo says about each place: piece or mat."""

    log_odds: NDArray[np.float32]  # (h, w) evidence alone, positive for piece
    mask: NDArray[np.uint8]  # 255 where evidence and prior together say piece
    separation: float  # how well the two looks differ, 0 (not at all) to 1


def see_silhouette(
    looks: NDArray[np.int32],
    inside_mm: NDArray[np.float32],
    valid: NDArray[np.bool_],
    *,
    px_per_mm: float,
) -> Silhouette:
    """Tell piece from mat around an aligned outline.

    Parameters
    ----------
    looks : ndarray, shape (h, w), int32
        What each place of the photo looks like (`look_code`), in the reference's frame.
    inside_mm : ndarray, shape (h, w), float32
        How deep inside the piece's outline the reference has each place, negative outside (`depth_inside`).
    valid : ndarray, shape (h, w), bool
        Where the photo shows something that may be judged (not beyond its edge, no marker).
    px_per_mm : float
    """
    log_odds, separation = piece_odds(looks, inside_mm, valid, px_per_mm=px_per_mm)
    prior = _PRIOR_LOG_ODDS * np.tanh(inside_mm / np.float32(_PRIOR_WIDTH_MM))
    mask = np.where(log_odds + prior > 0, np.uint8(255), np.uint8(0))
    return Silhouette(log_odds, mask, separation)


def piece_odds(
    looks: NDArray[np.int32], inside_mm: NDArray[np.float32], valid: NDArray[np.bool_], *, px_per_mm: float
) -> tuple[NDArray[np.float32], float]:
    """Log odds and separation of `see_silhouette`, whose arguments these are, where the mask is not asked for."""
    piece = valid & (inside_mm > _CLEAR_MM)
    around = valid & (inside_mm < -_CLEAR_MM) & (inside_mm > -_AROUND_MM)
    if np.count_nonzero(piece) <= 200 or np.count_nonzero(around) <= 200:
        return np.zeros(looks.shape, dtype=np.float32), 0.0
    ratio, separation = _log_ratio(looks, piece, around)
    log_odds = cv2.GaussianBlur(ratio.take(looks), (0, 0), _AVERAGE_MM * px_per_mm)
    log_odds[~valid] = 0
    return log_odds, separation


def depth_inside(mask: NDArray[np.uint8], *, px_per_mm: float) -> NDArray[np.float32]:
    """Distance to a mask's outline in mm, positive inside, shape (h, w); the mask 255 inside."""
    binary = (mask > 127).astype(np.uint8)
    within = cv2.distanceTransform(binary, cv2.DIST_L2, 5)
    without = cv2.distanceTransform(1 - binary, cv2.DIST_L2, 5)
    return np.asarray((within - without) / np.float32(px_per_mm), dtype=np.float32)


def look_code(tone: NDArray[np.float32], hue: NDArray[np.float32], texture: NDArray[np.float32]) -> NDArray[np.int32]:
    """Brightness, colour and texture of each place as the number of a bin of a histogram over the three.

    All shape (h, w): the cues that ``imaging.segmenting`` takes of a photo.
    """
    code = np.zeros(tone.shape, dtype=np.int32)
    for cue, bins, (low, high) in zip(
        (tone, hue, texture), _BINS, (_TONE_RANGE, _HUE_RANGE, _TEXTURE_RANGE), strict=True
    ):
        place = np.clip((cue - low) * np.float32(bins / (high - low)), 0, bins - 1).astype(np.int32)
        code = code * bins + place
    return code


def _log_ratio(
    code: NDArray[np.int32], piece: NDArray[np.bool_], around: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], float]:
    """Log of the two smoothed histograms' ratio for each bin, and one less their overlap."""
    count = int(np.prod(_BINS))
    shares = []
    for where in (piece, around):
        histogram = np.bincount(code[where], minlength=count).astype(np.float32).reshape(_BINS)
        for axis in range(3):
            blurred = 0.25 * np.roll(histogram, 1, axis) + 0.5 * histogram + 0.25 * np.roll(histogram, -1, axis)
            histogram = blurred
        shares.append(histogram.ravel() / max(1.0, float(histogram.sum())))
    floor = 2e-4
    ratio = np.log((shares[0] + floor) / (shares[1] + floor)).astype(np.float32)
    return ratio, 1.0 - float(np.minimum(shares[0], shares[1]).sum())

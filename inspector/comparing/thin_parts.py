"""Which parts of a piece are thin and stick out, and so break first.

The thickness of a place is that of the largest disc inside the outline that covers it (Hildebrand and Rüegsegger,
1997). What lies below a thickness falls into parts; as the bound rises, parts grow and run together. A part is grown
as long as it stays about as thin as it was: a bill stops at the head, a petal goes on until it meets the body.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

__all__ = ["ThinPart", "local_thickness", "thin_parts"]

THINNEST_MM = 1.5
# A part is thin beside the thickest place of its piece. With this the bill, legs, stalk and petal tips of the demo
# molds are found and no body is.
THIN_SHARE = 0.5
# Reaching further than this times its thickness, a part sticks out; less is a corner or a bulge. A disc in a wedge
# leaves 0.80 of its diameter to the point at 45 degrees, 0.43 at 65, 0.21 at 90: (1 / sin(half the angle) - 1) / 2.
LEAST_SLENDERNESS = 0.42
LEAST_LENGTH_MM = 4.0
# The next step takes in something else when the mean thickness grows by more than this.
SAME_PART = 1.35
STEPS_PER_DOUBLING = 8
# Holes smaller than this are pits or glare, not gaps between parts.
LEAST_GAP_MM2 = 60.0
_RASTER_PX_PER_MM = 2.0
_SMOOTH_MM = 0.3
# What is cut from a part's rim by the discs is given back.
_RIM_MM = 1.0
# Discs on a raster miss the steps of an outline by this much.
_STAIR_PX = 0.5
_SQUARE = np.ones((3, 3), dtype=np.uint8)
_DIAMOND = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], dtype=np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class ThinPart:
    """A part of a piece that is thin and sticks out."""

    polygon_xy: NDArray[np.float64]  # (n, 2) px of the mask
    thickness_mm: float  # median over the part
    length_mm: float  # from where it joins the piece to its end, or between its two ends


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """A connected region under one bound of the thickness."""

    region: NDArray[np.bool_]
    thickness_mm: float
    mean_mm: float  # tells when something thicker has joined, which the median does not
    length_mm: float
    bound_mm: float

    @property
    def sticks_out(self) -> bool:
        return self.length_mm >= max(LEAST_LENGTH_MM, LEAST_SLENDERNESS * self.bound_mm)


def local_thickness(inside: NDArray[np.bool_], *, px_per_mm: float) -> NDArray[np.float32]:
    """Diameter of the largest disc inside a shape that covers each place.

    Parameters
    ----------
    inside : ndarray, shape (h, w), bool
    px_per_mm : float

    Returns
    -------
    thickness_mm : ndarray, shape (h, w), float32
        In steps of one pixel; 0 outside.
    """
    depth = _depth_px(inside)
    thickness = np.zeros(inside.shape, dtype=np.float32)
    for radius in np.arange(1.0, float(depth.max(initial=0.0)) + 0.5, 0.5):
        centres = depth >= radius
        if centres.any():
            reach = radius + _STAIR_PX
            covered = inside & (
                cv2.distanceTransform((~centres).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE) < reach
            )
            thickness[covered] = (2 * radius - 1) / px_per_mm  # the edge lies half a pixel nearer than the mat's
    return thickness


def thin_parts(mask: NDArray[np.uint8], *, px_per_mm: float) -> tuple[ThinPart, ...]:
    """Parts that are thin and stick out, the thinnest first.

    Parameters
    ----------
    mask : ndarray, shape (h, w), uint8
        255 where the piece is.
    px_per_mm : float

    Returns
    -------
    tuple of ThinPart
        Empty where nothing sticks out, or the mask is empty.
    """
    if not mask.any():
        return ()
    shrink = min(1.0, _RASTER_PX_PER_MM / px_per_mm)
    small = cv2.resize(mask, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    scale = px_per_mm * shrink
    # A notch in the outline is no joint between parts.
    smooth = cv2.GaussianBlur(small, (0, 0), _SMOOTH_MM * scale)
    inside = _without_pits(smooth > 127, scale)
    thickness = local_thickness(inside, px_per_mm=scale)
    thickest = float(thickness.max())
    steps = max(0, int(STEPS_PER_DOUBLING * np.log2(max(THIN_SHARE * thickest / THINNEST_MM, 1))))
    bounds = THINNEST_MM * 2 ** (np.arange(steps + 1) / STEPS_PER_DOUBLING)
    grown: list[_Part] = []
    for bound_mm in bounds:
        grown = _grow(grown, _parts_under(thickness, inside, float(bound_mm), scale))
    found = sorted((part for part in grown if part.sticks_out), key=lambda part: part.thickness_mm)
    back = 1 / shrink
    return tuple(
        ThinPart((_outline(part.region, inside, scale) + 0.5) * back - 0.5, part.thickness_mm, part.length_mm)
        for part in found
    )


def _grow(before: Sequence[_Part], after: Sequence[_Part]) -> list[_Part]:
    """Replace parts by those they have grown into, where these are still the same part."""
    kept = []
    for part in after:
        within = [old for old in before if part.region[old.region].any()]
        sticking = [old for old in within if old.sticks_out]
        if not sticking or (len(sticking) == 1 and part.sticks_out and part.mean_mm <= SAME_PART * sticking[0].mean_mm):
            kept.append(part)
        else:
            kept.extend(sticking)
    return kept


def _parts_under(
    thickness_mm: NDArray[np.float32], inside: NDArray[np.bool_], bound_mm: float, px_per_mm: float
) -> list[_Part]:
    # A rim one pixel wide is no part, and must not join two.
    under = cv2.morphologyEx((inside & (thickness_mm <= bound_mm)).astype(np.uint8), cv2.MORPH_OPEN, _SQUARE)
    labels, count = ndimage.label(under)
    parts = []
    for number, box in enumerate(ndimage.find_objects(labels, count), start=1):
        wide = tuple(slice(max(0, side.start - 2), side.stop + 2) for side in box)
        here = labels[wide] == number
        length_mm = _length_px(here, inside[wide]) / px_per_mm
        if length_mm >= LEAST_LENGTH_MM:
            region = np.zeros(inside.shape, dtype=bool)
            region[wide] = here
            values = thickness_mm[region]
            parts.append(_Part(region, float(np.median(values)), float(np.mean(values)), length_mm, bound_mm))
    return parts


def _length_px(region: NDArray[np.bool_], inside: NDArray[np.bool_]) -> float:
    """How far a part reaches from where it joins the rest, or from one joint to the other; 0 if it joins nothing."""
    joint = region & (cv2.dilate((inside & ~region).astype(np.uint8), _SQUARE) > 0)
    if not joint.any():
        return 0.0
    _, joints = ndimage.label(cv2.dilate(joint.astype(np.uint8), np.ones((5, 5), dtype=np.uint8)))
    reach = _farthest_px(region, joint)
    return 2 * reach if joints > 1 else reach


def _farthest_px(region: NDArray[np.bool_], start: NDArray[np.bool_]) -> float:
    """Length of the longest of the shortest ways inside a region, in pixels."""
    inside, reached = region.astype(np.uint8), start.astype(np.uint8)
    steps = 0
    while True:
        # A diamond and a square in turn make an octagon: within a twentieth of the true distance.
        kernel = _SQUARE if steps % 5 in (1, 3) else _DIAMOND
        further = cv2.dilate(reached, kernel) & inside
        if np.array_equal(further, reached):
            return float(steps)
        reached, steps = further, steps + 1


def _depth_px(inside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Distance to the nearest place outside; beyond the raster all is outside."""
    padded = np.pad(inside.astype(np.uint8), 1)
    return np.asarray(cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1], dtype=np.float32)


def _without_pits(inside: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.bool_]:
    labels, count = ndimage.label(~inside)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    small = sizes < LEAST_GAP_MM2 * px_per_mm**2
    small[0] = False
    filled = inside | small[labels]
    pieces, pieces_count = ndimage.label(filled)
    if pieces_count < 2:
        return np.asarray(filled)
    return np.asarray(pieces == 1 + int(np.argmax(np.bincount(pieces.ravel())[1:])))


def _outline(region: NDArray[np.bool_], inside: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.float64]:
    reach = 2 * round(_RIM_MM * px_per_mm) + 1
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    grown = cv2.dilate(region.astype(np.uint8), around) & inside.astype(np.uint8)
    contours, _ = cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(contours, key=cv2.contourArea)
    return np.asarray(cv2.approxPolyDP(longest, 0.3 * px_per_mm, True), dtype=np.float64).reshape(-1, 2)

"""What reviewers said about places of a mold, and how that changes how sure a mark at the same place is.

A mark that was dismissed on one piece and comes back on the next, at the same place of the mold, is more likely
something that good pieces have there: a nick of the mold, a seam, a tool mark. How sure a mark is, p, is taken for what
two pieces would tell: a beta prior with parameters 2 p and 2 (1 - p). Each piece on which a mark there was dismissed is
one that turned out good, so that the mean of the beta-binomial becomes 2 p / (2 + D): 0.9 is 0.6 after one piece, 0.3
after four. A piece on which a mark there was confirmed takes one of them back, and nothing is ever raised.

That lowers and does not blind. A dismissed mark explains only what is no clearer than itself: it counts in D with the
odds that it had over the odds of the mark that is judged, 1 at the most. Ten pieces dismissed at 0.7 leave a mark of
0.99 at 0.89. And a mark that reaches beyond the place is not of it: larger damage is judged as if nothing had been
said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.inspection.layers import Layer
from inspector.inspection.reference import Reference
from inspector.inspection.results import Kind

__all__ = ["KIND_CLASS", "PlaceInBox", "ReviewedPlace", "Said", "lowered", "place_in_box", "said_at"]

# Alignment leaves about this much between two photos of one place; see DEVELOPERS.md, Alignment.
REACH_MM = 1.5
# On the tuning split (three references), one dismissal as sure as the mark itself then hides 6 of 83 marks that were
# right and none of 31 missing features of 8 mm and more, but 13 of 27 false ones; three hide 20, 5 and 21. With a worth
# of one piece a single dismissal already hides two of the 31.
WORTH_PIECES = 2.0
# A mark is of a dismissed place where at least this share of it lies there, the reach included. With half, hollows of
# 16 mm planted where ones of 8 mm had been dismissed were taken for them: 110 to 140 mm2 beside 45 to 55.
WITHIN = 0.8
# Of two marks, one lies at the other's place where this share of the smaller one does.
MOSTLY = 0.5
# Points of a reference are looked up in the box on a raster this coarse. [px]
_STEP = 8
# Marks of one class take each other's place: how large a loss is decides whether it is a chip.
KIND_CLASS: dict[Kind, str] = {
    "missing feature": "loss",
    "chip": "loss",
    "surface void": "loss",
    "hairline crack": "crack",
    "excess": "excess",
}


@dataclass(frozen=True, slots=True, eq=False)
class ReviewedPlace:
    """Where a mark on a piece lay that a person spoke about."""

    reference: str  # the name of one of the references that the piece was compared with
    polygon_xy: NDArray[np.float64]  # (n, 2) px of that reference's photo
    kind: Kind  # as found where it was dismissed, else what it is held to be
    piece: int  # tells pieces apart: several photos of one are one piece
    confidence: float  # how sure it was by itself, 0 to 1
    confirmed: bool  # False: dismissed


@dataclass(frozen=True, slots=True, eq=False)
class PlaceInBox:
    """A reviewed place, brought into the frame of a mold's references."""

    place: ReviewedPlace
    mask: NDArray[np.uint8]  # 255 inside and up to `REACH_MM` around, cut to its bounding box
    left: int
    top: int


@dataclass(frozen=True, slots=True)
class Said:
    """What reviewers said about marks at a place."""

    dismissed: tuple[float, ...] = ()
    """How sure the mark was before it was dismissed, one number a piece, 0 to 1."""
    confirmed: int = 0
    """Pieces."""


def lowered(confidence: float, said: Said) -> float:
    """How sure a mark is after what was said about its place, 0 to 1 and never more than before.

    Parameters
    ----------
    confidence : float
        How sure it is by itself, 0 to 1.
    said : Said
    """
    odds = _odds(confidence)
    explained = sum(min(1.0, _odds(before) / odds) for before in said.dismissed) if odds > 0 else 0.0
    return confidence * WORTH_PIECES / (WORTH_PIECES + max(0.0, explained - said.confirmed))


def place_in_box(place: ReviewedPlace, reference: Reference, layer: Layer, *, px_per_mm: float) -> PlaceInBox:
    """Bring a place into the box of a mold's references.

    Parameters
    ----------
    place : ReviewedPlace
    reference : Reference
        The one that the place is drawn on.
    layer : Layer
        That reference, laid into the box.
    px_per_mm : float
        Scale of the box.
    """
    frame_xy = cv2.perspectiveTransform(
        np.asarray(place.polygon_xy, dtype=np.float64)[None], np.linalg.inv(reference.view.frame.photo_from_frame)
    )[0]
    known = layer.photo_xy[::_STEP, ::_STEP].astype(np.float64)
    box_xy = []
    for point in frame_xy:
        row, column = np.unravel_index(int(np.argmin(np.sum((known - point) ** 2, axis=2))), known.shape[:2])
        # From the nearest place of the raster as far as the map goes in a step there: it is nearly even.
        below, beside = max(int(row), 1), max(int(column), 1)
        along = np.column_stack(
            [known[row, beside] - known[row, beside - 1], known[below, column] - known[below - 1, column]]
        )
        box_xy.append((np.array([column, row]) + np.linalg.solve(along, point - known[row, column])) * _STEP)
    corners = np.array(box_xy)
    reach = round(REACH_MM * px_per_mm)
    left, top = (int(v) - reach - 1 for v in np.floor(corners.min(axis=0)))
    right, bottom = (int(v) + reach + 1 for v in np.ceil(corners.max(axis=0)))
    mask = np.zeros((bottom - top + 1, right - left + 1), dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(corners - (left, top)).astype(np.int32)], 255)
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return PlaceInBox(place, cv2.dilate(mask, around), left, top)


def said_at(mask: NDArray[np.uint8], left: int, top: int, kind: Kind, places: Sequence[PlaceInBox]) -> Said:
    """Count what was said about the place of a mark, given by its mask in the box, cut to its left and top.

    A piece on which a mark there was dismissed counts where nearly all of the mark lies at that place; one on which a
    mark was confirmed counts as soon as most of either lies on the other.
    """
    dismissed: dict[int, float] = {}
    confirmed: set[int] = set()
    area = np.count_nonzero(mask)
    for place in places:
        if KIND_CLASS[place.place.kind] != KIND_CLASS[kind]:
            continue
        shared = _shared(mask, left, top, place)
        if shared == 0:
            continue
        if place.place.confirmed:
            enough = shared >= MOSTLY * min(area, np.count_nonzero(place.mask))
        else:
            enough = shared >= WITHIN * area
        if not enough:
            continue
        if place.place.confirmed:
            confirmed.add(place.place.piece)
        else:
            dismissed[place.place.piece] = max(place.place.confidence, dismissed.get(place.place.piece, 0.0))
    return Said(dismissed=tuple(dismissed.values()), confirmed=len(confirmed))


def _odds(confidence: float) -> float:
    return confidence / max(1 - confidence, 1e-6)


def _shared(mask: NDArray[np.uint8], left: int, top: int, place: PlaceInBox) -> int:
    """Pixels that a mark and a place have in common."""
    x0, y0 = max(left, place.left), max(top, place.top)
    x1 = min(left + mask.shape[1], place.left + place.mask.shape[1])
    y1 = min(top + mask.shape[0], place.top + place.mask.shape[0])
    if x1 <= x0 or y1 <= y0:
        return 0
    ours = mask[y0 - top : y1 - top, x0 - left : x1 - left]
    theirs = place.mask[y0 - place.top : y1 - place.top, x0 - place.left : x1 - place.left]
    return int(np.count_nonzero((ours > 0) & (theirs > 0)))

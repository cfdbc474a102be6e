"""Of which mold a photo shows a piece, and from which side, among those that are registered; or that it is not sure.

A quick comparison of outline and edges over all turns (``aligning.polar``) chooses a few sides that might fit; for each
the plane move is searched and the surfaces are laid over one another by learned features, as for an inspection. A mold
is named only when its best reference fits well by itself, and clearly better than any other mold's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.likeness import likeness_features
from inspector.aligning.plane_move import PlaneMove, find_plane_moves
from inspector.aligning.polar import PolarPattern, compare_patterns, polar_pattern
from inspector.aligning.structure import orientation_field
from inspector.aligning.warp import moved_rigidly, refine_warp
from inspector.imaging.reading import Photo
from inspector.inspection.judging import why_unusable
from inspector.inspection.networks import SURFACE_MATCHER
from inspector.inspection.reference import Reference
from inspector.inspection.view import EDGE_SCALE_MM, View, look_at

__all__ = [
    "SIGNATURE_VERSION",
    "Contender",
    "KnownSide",
    "Recognition",
    "Signature",
    "make_signature",
    "recognise",
    "recognise_photo",
    "sign_photo",
    "sign_reference",
]

# Raised whenever a signature made before can no longer be compared with one made now.
SIGNATURE_VERSION = 1
SIGNATURE_PX_PER_MM = 2.0
MARGIN_MM = 6.0
# The outermost ring: in mm on a mat, without one against the radius of a disc of the piece's area.
RING_REACH_MM = 150.0
RING_REACH_RADII = 3.0
# A missing part or a shadow moves the middle of the mask.
MIDDLE_STEP_MM = 6.0
# Without a mat the size comes from the area of the mask; these steps bridge what is wrong with that.
SIZES = (0.87, 0.93, 1.0, 1.07, 1.15)
FINE_SIZES = (0.97, 1.0, 1.03)
MOST_REFINED = 4
# Where outlines and edges leave it open, the surfaces decide by what was learned of them: agreement counts so much.
AGREEMENT_COUNTS = 2.0
# Chosen on 287 photos of tuning and evaluation among 87 molds (tests/benchmarks/recognising.py): what fits less than
# this is not named, ...
LEAST_FIT = 1.5
LEAST_AGREEMENT = 0.2
# ... nor what fits hardly better than another.
LEAST_LEAD = 0.45


@dataclass(frozen=True, slots=True, eq=False)
class Signature:
    """What a mold is recognised by: a small picture of the piece, with its outline and edges."""

    gray: NDArray[np.uint8]  # (h, w) at ``SIGNATURE_PX_PER_MM``
    mask: NDArray[np.uint8]  # (h, w), 255 on the piece
    edges: NDArray[np.float32]  # (h, w, 2), see aligning.structure
    on_mat: bool  # whether its millimetres are true
    by_mm: PolarPattern
    by_size: PolarPattern  # with the piece's own size as the unit

    @property
    def area_px(self) -> float:
        """Area of the piece, in its pixels."""
        return float(self.mask.sum()) / 255


@dataclass(frozen=True, slots=True, eq=False)
class KnownSide:
    """One side of a mold's pieces, with signatures of its references."""

    mold: str
    view: str
    signatures: tuple[Signature, ...]


@dataclass(frozen=True, slots=True)
class Contender:
    """How well one side of a mold fits a photo."""

    mold: str
    view: str
    score: float  # of the plane move, 3 at best
    agreement: float  # of the surfaces once they are laid over one another, 0 to 1

    @property
    def fit(self) -> float:
        """Both together."""
        return self.score + AGREEMENT_COUNTS * self.agreement


@dataclass(frozen=True, slots=True)
class Recognition:
    """What a photo shows, as far as one can be sure."""

    mold: str | None  # None: not sure
    view: str | None  # None: not sure of the side
    contenders: tuple[Contender, ...]  # those that were looked at closely, best first
    unusable: str | None = None  # what is wrong with the photo, where something is


@dataclass(frozen=True, slots=True)
class _Rough:
    """The best turn and size of one signature in a photo, roughly."""

    score: float
    angle_deg: float
    size: float  # of the piece in the photo's signature over that in the reference's


def sign_reference(reference: Reference) -> Signature:
    """Make the signature of a reference."""
    view = reference.view
    gray, mask = _small(view)
    left, top, width, height = cv2.boundingRect(mask)
    margin = round(MARGIN_MM * SIGNATURE_PX_PER_MM)
    rows = slice(max(0, top - margin), top + height + margin)
    columns = slice(max(0, left - margin), left + width + margin)
    return make_signature(gray[rows, columns].copy(), mask[rows, columns].copy(), on_mat=view.sighting is not None)


def make_signature(gray: NDArray[np.uint8], mask: NDArray[np.uint8], *, on_mat: bool) -> Signature:
    """Make a signature from its two pictures, as they were kept.

    Parameters
    ----------
    gray, mask : ndarray, shape (h, w), uint8
        At ``SIGNATURE_PX_PER_MM``; the mask 255 on the piece.
    on_mat : bool
        Whether a mat gave the scale.
    """
    edges = orientation_field(gray, px_per_mm=SIGNATURE_PX_PER_MM, scale_mm=EDGE_SCALE_MM)
    middle = _middle(mask)
    return Signature(
        gray=gray,
        mask=mask,
        edges=edges,
        on_mat=on_mat,
        by_mm=polar_pattern(mask, edges, middle_xy=middle, reach_px=RING_REACH_MM * SIGNATURE_PX_PER_MM),
        by_size=polar_pattern(mask, edges, middle_xy=middle, reach_px=RING_REACH_RADII * _radius_px(mask)),
    )


def recognise_photo(photo: Photo, known: Sequence[KnownSide]) -> Recognition:
    """Find which of the known sides a photo shows.

    Parameters
    ----------
    photo : Photo
    known : sequence of KnownSide
        All that it may show.
    """
    view = look_at(photo, thorough=False)
    return replace(recognise(sign_photo(view), known), unusable=why_unusable(view))


def sign_photo(view: View) -> Signature:
    """Make the signature of a photo that is to be recognised: its whole frame, since its mask may be poor."""
    gray, mask = _small(view)
    return make_signature(gray, mask, on_mat=view.sighting is not None)


def recognise(photo: Signature, known: Sequence[KnownSide]) -> Recognition:
    """Find which of the known sides a photo's signature shows."""
    known = [side for side in known if side.signatures]
    if not known or not photo.mask.any():
        return Recognition(None, None, ())
    rough = _look_roughly(photo, [signature for side in known for signature in side.signatures])
    likely: list[tuple[KnownSide, Signature, _Rough]] = []
    start = 0
    for side in known:
        of_side = rough[start : start + len(side.signatures)]
        start += len(side.signatures)
        best = max(range(len(of_side)), key=lambda k: of_side[k].score)
        likely.append((side, side.signatures[best], of_side[best]))
    likely.sort(key=lambda item: -item[2].score)
    contenders = [_look_closely(photo, *item) for item in likely[:MOST_REFINED]]
    contenders.sort(key=lambda contender: -contender.fit)
    return _decide(tuple(contenders))


def _decide(contenders: tuple[Contender, ...]) -> Recognition:
    best = contenders[0]
    if best.fit < LEAST_FIT or best.agreement < LEAST_AGREEMENT:
        return Recognition(None, None, contenders)
    others = [one.fit for one in contenders if one.mold != best.mold]
    if others and best.fit - max(others) < LEAST_LEAD:
        return Recognition(None, None, contenders)
    sides = [one.fit for one in contenders[1:] if one.mold == best.mold]
    sure_of_side = not sides or best.fit - max(sides) >= LEAST_LEAD
    return Recognition(best.mold, best.view if sure_of_side else None, contenders)


def _look_roughly(photo: Signature, references: Sequence[Signature]) -> list[_Rough]:
    """Compare a photo with all references over all turns, several middles, and sizes where they are not known."""
    best: list[_Rough | None] = [None] * len(references)
    radius_px = _radius_px(photo.mask)
    to_mm = [k for k, reference in enumerate(references) if reference.on_mat and photo.on_mat]
    to_size = [k for k in range(len(references)) if k not in set(to_mm)]
    reaches: list[tuple[list[int], float, float | None]] = [(to_mm, RING_REACH_MM * SIGNATURE_PX_PER_MM, None)]
    reaches += [(to_size, RING_REACH_RADII * radius_px * size, size) for size in SIZES]
    for which, reach_px, size in reaches:
        if not which:
            continue
        patterns = [references[k].by_mm if size is None else references[k].by_size for k in which]
        for middle in _middles(photo.mask):
            here = polar_pattern(photo.mask, photo.edges, middle_xy=middle, reach_px=reach_px)
            likeness = compare_patterns(patterns, here)
            for k, score, angle_deg in zip(which, likeness.score, likeness.angle_deg, strict=True):
                before = best[k]
                if before is None or score > before.score:
                    scale = 1.0 if size is None else size * radius_px / _radius_px(references[k].mask)
                    best[k] = _Rough(float(score), float(angle_deg), scale)
    return [one for one in best if one is not None]


def _look_closely(photo: Signature, side: KnownSide, reference: Signature, rough: _Rough) -> Contender:
    sizes = (1.0,) if reference.on_mat and photo.on_mat else tuple(rough.size * step for step in FINE_SIZES)
    moves = [
        move
        for size in sizes
        for move in find_plane_moves(
            reference.mask,
            reference.edges,
            photo.mask,
            photo.edges,
            px_per_mm=SIGNATURE_PX_PER_MM,
            scale=size,
            count=1,
            near_deg=rough.angle_deg,
        )
    ]
    if not moves:
        return Contender(side.mold, side.view, 0.0, 0.0)
    best = max(moves, key=lambda move: move.score)
    return Contender(side.mold, side.view, best.score, _agreement(photo, reference, best))


def _agreement(photo: Signature, reference: Signature, move: PlaneMove) -> float:
    """How well the surfaces agree once they are laid over one another."""
    # Signatures are kept on half the raster on which surfaces are compared.
    here, mask, there = (
        cv2.resize(image, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
        for image in (reference.gray, reference.mask, photo.gray)
    )
    larger = np.array([[2.0, 0, 0.5], [0, 2.0, 0.5], [0, 0, 1.0]])
    start = moved_rigidly((0, 0, *here.shape[::-1]), larger @ move.photo_from_reference @ np.linalg.inv(larger))
    px_per_mm = 2 * SIGNATURE_PX_PER_MM
    likeness = likeness_features(here, SURFACE_MATCHER, px_per_mm=px_per_mm)
    return refine_warp(likeness, mask, there, start, SURFACE_MATCHER, px_per_mm=px_per_mm).agreement


def _small(view: View) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    shrink = SIGNATURE_PX_PER_MM / view.frame.px_per_mm
    gray = cv2.resize(view.frame_gray, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    mask = cv2.resize(view.mask, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    return np.asarray(gray), np.asarray(mask)


def _radius_px(mask: NDArray[np.uint8]) -> float:
    """Of a disc with the area of the mask."""
    return max(1.0, float(np.sqrt(mask.sum() / 255 / np.pi)))


def _middle(mask: NDArray[np.uint8]) -> tuple[float, float]:
    moments = cv2.moments(mask)
    if moments["m00"] <= 0:
        return (mask.shape[1] - 1) / 2, (mask.shape[0] - 1) / 2
    return moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]


def _middles(mask: NDArray[np.uint8]) -> list[tuple[float, float]]:
    x, y = _middle(mask)
    step = MIDDLE_STEP_MM * SIGNATURE_PX_PER_MM
    return [(x, y), (x - step, y), (x + step, y), (x, y - step), (x, y + step)]

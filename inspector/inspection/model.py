"""The references of a mold, brought into one frame: what a good piece looks like there, place by place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.likeness import likeness_features
from inspector.aligning.parallax import Eye
from inspector.aligning.plane_move import PlaneMove, find_plane_moves
from inspector.aligning.warp import Heights, Sighted, Warp, estimate_heights, moved_rigidly, refine_warp
from inspector.comparing.hairlines import line_strength
from inspector.comparing.relief import normal_mismatch
from inspector.comparing.silhouette import Silhouette, depth_inside, look_code, see_silhouette
from inspector.errors import InputError
from inspector.imaging.cutting import cut_box
from inspector.imaging.segmenting import segment_piece
from inspector.inspection.damage_map import NormalSurface, normal_surface
from inspector.inspection.layers import (
    LINE_PX_PER_MM,
    RELIEF_PX_PER_MM,
    Layer,
    edge_energy,
    layer_of,
    line_picture,
    local_darkness,
    relief_field,
    silhouette_of,
)
from inspector.inspection.networks import SHIPPED, SURFACE_MATCHER, Networks
from inspector.inspection.reference import Reference
from inspector.inspection.reviewed_places import PlaceInBox, ReviewedPlace, place_in_box
from inspector.inspection.view import View

__all__ = ["MoldModel", "Placement", "align_by", "align_view", "combine", "with_reviews"]

MARGIN_MM = 14.0
# While it is not yet clear what belongs to the piece, a wider box is looked at.
WIDE_MARGIN_MM = 35.0
CONSENSUS_ROUNDS = 3
SHADOW_MARGIN_MM = 1.5
# With one reference nobody knows what is normal: this much mismatch is allowed everywhere.
NORMAL_FOR_ONE = 0.35
# A line that a reference shows within this distance is one of the mold; strength up to this is its grain.
KNOWN_WITHIN_MM = 1.0
GRAIN_STRENGTH = 1.5
# Plane moves this close in score to the best are all refined; the refined agreement decides.
CLOSE_SCORE = 0.08
MOST_CONTENDERS = 3
# Without a mat the scale comes from the areas of two masks, either of which may have a shadow in it.
NEAR_SCALES = (0.87, 0.94, 1.0, 1.06, 1.13)
# When none of these makes the outlines and edges meet, the masks are wrong, and every scale is tried.
CLEAR_MOVE = 1.35
FAR_SCALES = (0.45, 0.51, 0.57, 0.64, 0.72, 0.81, 0.9, 1.0, 1.12, 1.26, 1.41, 1.6)
# A reference that agrees less than this with the first one shows another side or another mold.
LEAST_AGREEMENT = 0.17
# A photo in which piece and mat look different tells lit mat from piece even against the others' votes.
CLEAR_SEPARATION = 0.85
CLEARLY_MAT = -1.5
LIT_TONE = 0.2
# Of a reference whose outline is right, the looks within it and around it tell the same outline again, to this share of
# both areas. Of 96 references of tuning, draft and evaluation five told less: the two that were outlined wrongly (by a
# tenth and a quarter of the area) and three that were not.
LEAST_TOLD_AGAIN = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class MoldModel:
    """References of one mold and view in the frame of the first."""

    references: tuple[Reference, ...]
    layers: tuple[Layer, ...]  # one a reference
    likenesses: tuple[NDArray[np.float32], ...]  # what patches of each are matched by, on half the raster of the box
    heights: Heights | None  # of the surface, there; None where references or their mats are too few to tell
    silhouettes: tuple[NDArray[np.uint8], ...]  # the piece as each reference shows it, in the box
    box: tuple[int, int, int, int]  # left, top, width, height in the first reference's frame
    mask: NDArray[np.uint8]  # 255 where most references have the piece, in the box
    inside_mm: NDArray[np.float32]  # how deep inside the mask's outline, negative outside, in the box
    outside_mm: NDArray[np.float32]  # how far from the mask and from what any reference shows as piece, in the box
    relief_fields: tuple[NDArray[np.float32], ...]  # edges of each reference, on the raster of the relief
    normal_mismatch: NDArray[np.float32]  # what good pieces show among themselves there
    normal_edges: NDArray[np.float32]  # the most edge that any reference has around a place, in the box
    normal_darkness: NDArray[np.float32]  # the darkest that a patch is against its surroundings
    normal_surface: NormalSurface | None  # what the learned comparison knows of the references; None: classic alone
    known_lines: NDArray[np.float32]  # line strength that the references account for, on the raster of the lines
    features: tuple[tuple[str, NDArray[np.uint8]], ...]  # names, and 255 inside, in the box
    left_out: tuple[str, ...]  # references that did not agree with the first
    outline_unsure: bool  # the only reference may have been outlined wrongly
    reviewed: tuple[PlaceInBox, ...] = ()  # what reviewers said about places, in the box

    @property
    def px_per_mm(self) -> float:
        """Scale of the box."""
        return self.references[0].view.frame.px_per_mm

    @property
    def relief_px_per_mm(self) -> float:
        """Scale of the relief maps."""
        return RELIEF_PX_PER_MM


def combine(references: Sequence[Reference], *, networks: Networks | None = SHIPPED) -> MoldModel:
    """Align references of one mold and view to the first of them.

    Parameters
    ----------
    references : sequence of Reference
    networks : Networks, optional
        Of the learned comparison; with None photos are compared the classic way alone.

    Raises
    ------
    InputError
        If there is no reference.
    """
    if not references:
        raise InputError("There is no reference to compare with. Give at least one photo of a good piece of this mold.")
    ordered = _best_first(references)
    first = ordered[0].view
    px_per_mm = first.frame.px_per_mm
    wide = _box_around(first.mask, round(WIDE_MARGIN_MM * px_per_mm))
    mask = cut_box(first.mask, wide, fill=0)
    kept, left_out = [ordered[0]], []
    maps = [moved_rigidly(wide, np.eye(3))]
    others = ordered[1:]
    placements, heights = _placements(first, mask, wide, others)
    for reference, placement in zip(others, placements, strict=True):
        if placement is None or placement.warp.agreement < LEAST_AGREEMENT:
            left_out.append(reference.name)
            continue
        kept.append(reference)
        maps.append(placement.warp.photo_xy)
    layers = [layer_of(reference.view, photo_xy) for reference, photo_xy in zip(kept, maps, strict=True)]
    consensus = _majority([_warped_mask(reference.view, layer) for reference, layer in zip(kept, layers, strict=True)])
    for _ in range(CONSENSUS_ROUNDS):
        inside_mm = depth_inside(consensus, px_per_mm=px_per_mm)
        seen = [_seen(reference, layer, inside_mm, px_per_mm) for reference, layer in zip(kept, layers, strict=True)]
        consensus = _agreed(kept, layers, seen, px_per_mm)
    box = _box_around(consensus, round(MARGIN_MM * px_per_mm))
    inner = (box[0], box[1], box[2], box[3])
    layers = [layer_of(ref.view, _cut_map(layer.photo_xy, inner)) for ref, layer in zip(kept, layers, strict=True)]
    mask = cut_box(consensus, inner, fill=0)
    inside_mm = depth_inside(mask, px_per_mm=px_per_mm)
    silhouettes = tuple(
        _seen(reference, layer, inside_mm, px_per_mm).mask for reference, layer in zip(kept, layers, strict=True)
    )
    any_piece = np.maximum.reduce([mask, *silhouettes])
    box = (wide[0] + inner[0], wide[1] + inner[1], inner[2], inner[3])
    fields = tuple(relief_field(layer.gray, px_per_mm) for layer in layers)
    return MoldModel(
        references=tuple(kept),
        layers=tuple(layers),
        likenesses=tuple(likeness_features(layer.gray, SURFACE_MATCHER, px_per_mm=px_per_mm) for layer in layers),
        heights=None if heights is None else _cut_heights(heights, inner),
        silhouettes=silhouettes,
        box=box,
        mask=mask,
        inside_mm=inside_mm,
        outside_mm=np.maximum(-depth_inside(any_piece, px_per_mm=px_per_mm), 0),
        relief_fields=fields,
        normal_mismatch=normal_mismatch(fields, px_per_mm=RELIEF_PX_PER_MM, alone=NORMAL_FOR_ONE),
        normal_edges=np.max([edge_energy(field, (box[2], box[3])) for field in fields], axis=0),
        normal_darkness=np.max([local_darkness(layer, px_per_mm) for layer in layers], axis=0),
        normal_surface=None
        if networks is None
        else normal_surface([layer.gray for layer in layers], mask, px_per_mm=px_per_mm, networks=networks),
        known_lines=_known_lines(kept, layers, mask),
        features=tuple(
            (feature.name, _drawn(feature.polygon_xy, reference.view, layer))
            for reference, layer in zip(kept, layers, strict=True)
            for feature in reference.features
        ),
        left_out=tuple(left_out),
        outline_unsure=len(kept) == 1 and _told_again(first) < LEAST_TOLD_AGAIN,
    )


def _told_again(view: View) -> float:
    """How far the outline that looks tell is the one that they were learnt by, as a share of both areas."""
    if view.corrected is not None:
        return 1.0  # a person said so
    told = _seen_alone(view).mask
    return cv2.countNonZero(cv2.bitwise_and(told, view.mask)) / max(
        1, cv2.countNonZero(cv2.bitwise_or(told, view.mask))
    )


def _seen_alone(view: View) -> Silhouette:
    """Piece against mat in a photo, learnt from its own outline."""
    cues, px_per_mm = view.cues, view.frame.px_per_mm
    inside_mm = depth_inside(view.mask, px_per_mm=px_per_mm)
    return see_silhouette(look_code(cues.tone, cues.hue, cues.texture), inside_mm, ~cues.blocked, px_per_mm=px_per_mm)


def _placements(
    first: View, mask: NDArray[np.uint8], box: tuple[int, int, int, int], others: Sequence[Reference]
) -> tuple[list[Placement | None], Heights | None]:
    """Where the first reference's piece lies in each of the others, and the heights that they agree on."""
    if not others:
        return [], None
    px_per_mm = first.frame.px_per_mm
    likeness = likeness_features(cut_box(first.frame_gray, box), SURFACE_MATCHER, px_per_mm=px_per_mm)
    found = [align_view(first, mask, likeness, box, other.view) for other in others]
    sighted = {
        k: Sighted(other.view.frame_gray, moved_rigidly(box, placement.move.photo_from_reference), eyes)
        for k, (other, placement) in enumerate(zip(others, found, strict=True))
        if placement is not None
        and placement.warp.agreement >= LEAST_AGREEMENT
        and (eyes := _eyes(first, other.view, placement.move, box)) is not None
    }
    if not sighted:
        return found, None
    heights = estimate_heights(likeness, mask, list(sighted.values()), SURFACE_MATCHER, px_per_mm=px_per_mm)
    if heights is None:
        return found, None
    for k, other in sighted.items():
        placement = found[k]
        assert placement is not None
        warp = refine_warp(
            likeness, mask, other.gray, other.start_xy, SURFACE_MATCHER,
            px_per_mm=px_per_mm, eyes=other.eyes, heights=heights,
        )  # fmt: skip
        found[k] = replace(placement, warp=warp)
    return found, heights


def _cut_heights(heights: Heights, box: tuple[int, int, int, int]) -> Heights:
    """A part of the heights, box (left, top, width, height) in px of the pictures."""
    left, top, width, height = box
    rows, columns = (np.arange(start, start + length, 2) // 2 for start, length in ((top, height), (left, width)))
    whole = heights.mm
    part = whole[np.ix_(np.minimum(rows, whole.shape[0] - 1), np.minimum(columns, whole.shape[1] - 1))]
    return Heights(part, heights.cost)


def _drawn(polygon_xy: NDArray[np.float64], view: View, layer: Layer) -> NDArray[np.uint8]:
    """A polygon of a reference's photo as a mask of the box."""
    frame_from_photo = np.linalg.inv(view.frame.photo_from_frame)
    corners = cv2.perspectiveTransform(np.asarray(polygon_xy, dtype=np.float64)[None], frame_from_photo)[0]
    frame = np.zeros(view.frame_gray.shape, dtype=np.uint8)
    cv2.fillPoly(frame, [np.round(corners).astype(np.int32)], 255)
    return np.asarray(cv2.remap(frame, layer.photo_xy, None, cv2.INTER_NEAREST, borderValue=0))


def with_reviews(model: MoldModel, places: Sequence[ReviewedPlace]) -> MoldModel:
    """Give a model that knows what reviewers said about places of the mold, in place of what it knew before.

    Places on references that the model does not have are left out.
    """
    named = {reference.name: k for k, reference in enumerate(model.references)}
    known = [(place, named[place.reference]) for place in places if place.reference in named]
    return replace(
        model,
        reviewed=tuple(
            place_in_box(place, model.references[k], model.layers[k], px_per_mm=model.px_per_mm) for place, k in known
        ),
    )


def _known_lines(
    references: Sequence[Reference], layers: Sequence[Layer], mask: NDArray[np.uint8]
) -> NDArray[np.float32]:
    """Lines of the mold: the strongest that any reference shows near a place, less its grain."""
    strongest: NDArray[np.float32] | None = None
    reach = 2 * round(KNOWN_WITHIN_MM * LINE_PX_PER_MM) + 1
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    for reference, layer in zip(references, layers, strict=True):
        gray = line_picture(reference.view, layer.photo_xy)
        line_mask = cv2.resize(mask, (gray.shape[1], gray.shape[0]), interpolation=cv2.INTER_NEAREST)
        strength = cv2.dilate(line_strength(gray, line_mask, px_per_mm=LINE_PX_PER_MM).strength, around)
        strongest = strength if strongest is None else np.maximum(strongest, strength)
    assert strongest is not None
    return np.maximum(strongest - np.float32(GRAIN_STRENGTH), 0)


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """Where a reference's box lies in another photo's frame, coarsely."""

    move: PlaneMove  # the best rigid move
    warp: Warp


def align_view(
    reference: View,
    mask: NDArray[np.uint8],
    likeness: NDArray[np.float32],
    box: tuple[int, int, int, int],
    view: View,
    heights: Heights | None = None,
) -> Placement | None:
    """Find a reference's piece in another photo's frame; None when no piece was found in it."""
    full = np.zeros(reference.mask.shape, dtype=np.uint8)
    _paste(full, mask, box)
    px_per_mm = reference.frame.px_per_mm
    moves = find_plane_moves(full, reference.edges, view.mask, view.edges, px_per_mm=px_per_mm)
    if reference.sighting is None or view.sighting is None:
        areas = [float(np.count_nonzero(m)) for m in (view.mask, full)]
        likely = float(np.sqrt(areas[0] / areas[1])) if min(areas) > 0 else 1.0
        moves = _moves_at(full, reference, view, [likely * step for step in NEAR_SCALES])
        if not moves or moves[0].score < CLEAR_MOVE:
            moves = _moves_at(full, reference, view, FAR_SCALES)
    best: Placement | None = None
    for move in _contenders(moves):
        start = moved_rigidly(box, move.photo_from_reference)
        eyes = _eyes(reference, view, move, box)
        warp = refine_warp(
            likeness, mask, view.frame_gray, start, SURFACE_MATCHER,
            px_per_mm=px_per_mm, eyes=eyes, heights=heights,
        )  # fmt: skip
        if best is None or warp.agreement > best.warp.agreement:
            best = Placement(move, warp)
    return best


def align_by(model: MoldModel, number: int, view: View) -> Placement | None:
    """Find the piece in a photo by one of the references, not the first; None when no piece was found in it."""
    reference, layer = model.references[number].view, model.layers[number]
    moves = find_plane_moves(
        reference.mask, reference.edges, view.mask, view.edges, px_per_mm=reference.frame.px_per_mm, count=1
    )
    if not moves:
        return None
    start = cv2.perspectiveTransform(layer.photo_xy, moves[0].photo_from_reference)
    warp = refine_warp(
        model.likenesses[number], model.mask, view.frame_gray, start, SURFACE_MATCHER, px_per_mm=model.px_per_mm
    )
    return Placement(moves[0], warp)


def _eyes(reference: View, view: View, move: PlaneMove, box: tuple[int, int, int, int]) -> tuple[Eye, Eye] | None:
    """Where both cameras stood over the reference's box; None without a mat."""
    here, there = _camera_over(reference), _camera_over(view)
    if here is None or there is None:
        return None
    back = cv2.perspectiveTransform(np.array([[there[:2]]]), np.linalg.inv(move.photo_from_reference))[0, 0]
    left, top = box[:2]
    return Eye(here[0] - left, here[1] - top, here[2]), Eye(back[0] - left, back[1] - top, there[2])


def _camera_over(view: View) -> NDArray[np.float64] | None:
    """The camera over a photo's frame: place and height, all in px of the frame."""
    if view.sighting is None or view.frame.mat_from_frame is None:
        return None
    centre = view.sighting.camera.centre_mm
    on_frame = cv2.perspectiveTransform(np.array([[centre[:2]]]), np.linalg.inv(view.frame.mat_from_frame))[0, 0]
    return np.array([*on_frame, centre[2] * view.frame.px_per_mm])


def _moves_at(mask: NDArray[np.uint8], reference: View, view: View, scales: Sequence[float]) -> tuple[PlaneMove, ...]:
    """The best plane moves over several scales of the piece, best first."""
    found = [
        move
        for scale in scales
        for move in find_plane_moves(
            mask, reference.edges, view.mask, view.edges, px_per_mm=reference.frame.px_per_mm, scale=scale
        )
    ]
    return tuple(sorted(found, key=lambda move: -move.score))


def _best_first(references: Sequence[Reference]) -> list[Reference]:
    """Those with a mat first; among them those in which piece and mat look different, with the fewest shadows.

    A frame with the least of them aligns best. They make what looks unlike the mat larger; where it is much smaller
    than with the others, it is only a part of the piece.
    """
    if len(references) == 1:
        return list(references)
    views = [reference.view for reference in references]
    unlike_mat = (segment_piece(view.cues, px_per_mm=view.frame.px_per_mm) for view in views)
    areas = [float(cv2.countNonZero(mask)) for mask in unlike_mat]
    typical = float(np.median(areas))

    def rank(k: int) -> tuple[bool, bool, float, float]:
        view = views[k]
        separation = round(_seen_alone(view).separation, 1)
        return view.sighting is None, areas[k] < 0.7 * typical, -separation, areas[k]

    return [references[k] for k in sorted(range(len(references)), key=rank)]


def _contenders(moves: Sequence[PlaneMove]) -> list[PlaneMove]:
    if not moves:
        return []
    return [move for move in moves if move.score >= moves[0].score - CLOSE_SCORE][:MOST_CONTENDERS]


def _box_around(mask: NDArray[np.uint8], margin: int) -> tuple[int, int, int, int]:
    left, top, width, height = cv2.boundingRect(mask)
    return left - margin, top - margin, width + 2 * margin, height + 2 * margin


def _cut_map(photo_xy: NDArray[np.float32], box: tuple[int, int, int, int]) -> NDArray[np.float32]:
    """A box of a dense map; beyond it the map goes on in the direction it had at its edge."""
    left, top, width, height = box
    rows, columns = np.arange(top, top + height), np.arange(left, left + width)
    inner_rows = np.clip(rows, 0, photo_xy.shape[0] - 1)
    inner_columns = np.clip(columns, 0, photo_xy.shape[1] - 1)
    part = photo_xy[np.ix_(inner_rows, inner_columns)].copy()
    part[..., 0] += (columns - inner_columns)[None, :]
    part[..., 1] += (rows - inner_rows)[:, None]
    return np.asarray(part, dtype=np.float32)


def _paste(full: NDArray[np.uint8], part: NDArray[np.uint8], box: tuple[int, int, int, int]) -> None:
    """Write a box into a new, empty frame."""
    left, top, width, height = box
    y0, y1 = max(0, top), min(full.shape[0], top + height)
    x0, x1 = max(0, left), min(full.shape[1], left + width)
    full[y0:y1, x0:x1] = part[y0 - top : y1 - top, x0 - left : x1 - left]


def _warped_mask(view: View, layer: Layer) -> NDArray[np.uint8]:
    return np.asarray(cv2.remap(view.mask, layer.photo_xy, None, cv2.INTER_LINEAR, borderValue=0))


def _majority(masks: Sequence[NDArray[np.uint8]]) -> NDArray[np.uint8]:
    """255 where at least half of the masks are."""
    votes = np.mean([mask.astype(np.float32) for mask in masks], axis=0)
    smooth = cv2.GaussianBlur(votes.astype(np.float32), (0, 0), 1.0)
    return _largest_part(np.where(smooth >= 120, 255, 0).astype(np.uint8))


def _seen(reference: Reference, layer: Layer, inside_mm: NDArray[np.float32], px_per_mm: float) -> Silhouette:
    """Piece against mat as a reference shows it, and where a person corrected its outline as they said."""
    silhouette = silhouette_of(layer, inside_mm, px_per_mm)
    said = _said(reference.view, layer)
    return replace(silhouette, mask=np.where(said == 0, silhouette.mask, np.where(said > 0, 255, 0)).astype(np.uint8))


def _said(view: View, layer: Layer) -> NDArray[np.int16]:
    """What a person added to the mask of a photo (1) and took away from it (-1), in the box."""
    if view.corrected is None:
        return np.zeros(layer.gray.shape, dtype=np.int16)
    return np.asarray(cv2.remap(view.corrected, layer.photo_xy, None, cv2.INTER_NEAREST, borderValue=0))


def _agreed(
    references: Sequence[Reference], layers: Sequence[Layer], seen: Sequence[Silhouette], px_per_mm: float
) -> NDArray[np.uint8]:
    """The majority, less what any reference clearly shows as lit mat: a shadow falls elsewhere in each photo.

    Where a person corrected the outline of a reference, and not just at the edge of that, it is as they said.
    """
    consensus = _majority([silhouette.mask for silhouette in seen])
    window = 2 * round(0.5 * px_per_mm) + 1
    for layer, silhouette in zip(layers, seen, strict=True):
        if silhouette.separation < CLEAR_SEPARATION:
            continue
        lit_mat = (silhouette.log_odds < CLEARLY_MAT) & (np.abs(layer.tone) < LIT_TONE) & layer.valid
        solid = cv2.morphologyEx(lit_mat.astype(np.uint8), cv2.MORPH_OPEN, np.ones((window, window), dtype=np.uint8))
        consensus[solid > 0] = 0
    for reference, layer in zip(references, layers, strict=True):
        said = _said(reference.view, layer)
        for part, value in ((said > 0, 255), (said < 0, 0)):
            inside_mm = depth_inside(np.where(part, 255, 0).astype(np.uint8), px_per_mm=px_per_mm)
            consensus[inside_mm > SHADOW_MARGIN_MM] = value
    return _largest_part(consensus)


def _largest_part(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if count < 3:
        return mask
    return np.where(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])), 255, 0).astype(np.uint8)

"""Where each point of a reference lies in a photo, once the plane move is known.

Pieces stand over the mat, so every height shifts by its own amount when the camera moves. On a grid of
control points, patches of the reference's edges are searched for in the photo, all shifts within reach. All
patches together vote for one turn, shift and change of size (the camera was nearer or farther): the one that
their scores add up best for, as in a Hough transform (Duda and Hart 1972), since a shadow misleads many
patches, but not all in the same way. Around it a smooth remainder is allowed. Outlines have no say: a shadow
takes part in them. A patch that finds nothing like itself has no say either, and the field is too stiff to
close over a broken-off feature: what is missing stays missing.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from inspector.aligning.structure import orientation_field
from inspector.imaging.side_by_side import side_by_side

__all__ = ["Warp", "moved_rigidly", "refine_warp"]


@dataclass(frozen=True, slots=True)
class _Level:
    """One pass of the search, coarse to fine."""

    px_per_mm: float
    scale_mm: float  # of the edges
    step_mm: float  # between control points
    patch_mm: float
    reach_mm: float
    stiffness_per_mm2: float  # score lost for a shift of 1 mm away from the neighbours
    smooth_mm: float  # how far a control point's word carries


# Chosen on the tuning split by tests/benchmarks/alignment.py: the first bridges what the plane move leaves and the
# parallax of a hand-held camera; the next, with both silhouettes known, settles to a fraction of a millimetre.
_COARSE = _Level(2.0, 0.45, 6.0, 16.0, 5.0, 0.012, 9.0)
_FINE = _Level(4.0, 0.30, 6.0, 10.0, 1.5, 0.04, 6.0)
_ROUNDS = 14
# The field has settled when no point of it moves farther.
_STILL_MM = 0.01
# Turns and changes of size that the vote starts from where the search is wide, and how far any goes.
_TURNS_DEG, _GROWTHS, _FARTHEST = (-2.0, -1.0, 0.0, 1.0, 2.0), (-0.025, 0.0, 0.025), 0.07
_WIDE_MM = 3.0
# As many of the clearest control points are asked which start is best.
_ASKED_FIRST = 100
_KEEP_INSIDE_MM = 2.0
_LEAST_INSIDE_AGREEMENT = 0.3
# Control points whose patch agrees less than this have no say.
_LEAST_AGREEMENT = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Warp:
    """A dense map from a box of the reference's frame to the photo's frame."""

    photo_xy: NDArray[np.float32]  # (height, width, 2) where each pixel of the box lies in the photo's frame
    agreement: float  # mean agreement of the control patches, 0 to 1
    supported: float  # part of the control points that found their like
    residual_mm: float  # median disagreement of single control points with the field


def moved_rigidly(box: tuple[int, int, int, int], photo_from_reference: NDArray[np.float64]) -> NDArray[np.float32]:
    """The map of a plane move over a box (left, top, width, height), shape (height, width, 2)."""
    left, top, width, height = box
    columns = np.arange(left, left + width, dtype=np.float32)
    rows = np.arange(top, top + height, dtype=np.float32)
    places = np.dstack(np.meshgrid(columns, rows)).reshape(1, -1, 2)
    return np.asarray(cv2.perspectiveTransform(places, photo_from_reference), dtype=np.float32).reshape(
        height, width, 2
    )


def refine_warp(
    reference_gray: NDArray[np.uint8],
    reference_mask: NDArray[np.uint8],
    photo_gray: NDArray[np.uint8],
    start_xy: NDArray[np.float32],
    *,
    px_per_mm: float,
    photo_mask: NDArray[np.uint8] | None = None,
    mask_trusted: bool = True,
) -> Warp:
    """Refine a map so that the edges of reference and photo meet.

    Parameters
    ----------
    reference_gray, reference_mask : ndarray, shape (h, w), uint8
        The box of the reference; mask 255 on its piece.
    photo_gray : ndarray, uint8
        The photo's frame, of the same scale.
    start_xy : ndarray, shape (h, w, 2), float32
        Where each pixel of the box lies in the photo's frame, as far as known.
    px_per_mm : float
        Scale of both frames.
    photo_mask : ndarray, shape (h, w), uint8, optional
        The piece as the photo shows it, in the box, as ``start_xy`` maps it. With it the search is narrow, and
        looks only at edges inside both silhouettes.
    mask_trusted : bool
        If not, the mask may still have a shadow in it, and only what lies well inside it is matched, unless there is
        too little relief to go by: then the outline has to help.
    """
    height, width = reference_mask.shape
    level = _COARSE if photo_mask is None else _FINE
    shrink = level.px_per_mm / px_per_mm
    size = (max(8, round(width * shrink)), max(8, round(height * shrink)))
    seen = cv2.remap(photo_gray, start_xy, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    small_mask = cv2.resize(reference_mask, size, interpolation=cv2.INTER_AREA)
    small_silhouette = None if photo_mask is None else cv2.resize(photo_mask, size, interpolation=cv2.INTER_AREA)
    reference_field = _field(reference_gray, size, level, None if photo_mask is None else small_mask)
    photo_field = _field(seen, size, level, small_silhouette)
    agreed = _agree(reference_field, photo_field, small_mask, level, whole=mask_trusted)
    if not mask_trusted and agreed[1] < _LEAST_INSIDE_AGREEMENT:
        agreed = _agree(reference_field, photo_field, small_mask, level, whole=True)
    shift_mm, agreement, supported, residual_mm = agreed
    shift_px = cv2.resize(shift_mm * np.float32(px_per_mm), (width, height), interpolation=cv2.INTER_LINEAR)
    flags = cv2.INTER_LINEAR | cv2.WARP_RELATIVE_MAP
    photo_xy = cv2.remap(start_xy, shift_px, None, flags, borderMode=cv2.BORDER_REPLICATE)
    return Warp(photo_xy, agreement, supported, residual_mm)


def _field(
    gray: NDArray[np.uint8], size: tuple[int, int], level: _Level, silhouette: NDArray[np.uint8] | None
) -> NDArray[np.float32]:
    """What patches are matched on: the picture's edges, all or those well inside a silhouette."""
    small = cv2.resize(gray, size, interpolation=cv2.INTER_AREA)
    edges = orientation_field(small, px_per_mm=level.px_per_mm, scale_mm=level.scale_mm)
    if silhouette is None:
        return edges
    radius = round(1.2 * level.px_per_mm)
    inside = cv2.erode(silhouette, np.ones((2 * radius + 1,) * 2, dtype=np.uint8)).astype(np.float32) / 255
    return np.asarray(edges * inside[..., None], dtype=np.float32)


def _agree(
    reference: NDArray[np.float32],
    photo: NDArray[np.float32],
    mask: NDArray[np.uint8],
    level: _Level,
    *,
    whole: bool,
) -> tuple[NDArray[np.float32], float, float, float]:
    """The smooth field of shifts in mm that most patches agree on, at every pixel of the level."""
    height, width = mask.shape
    half = round(level.patch_mm * level.px_per_mm / 2)
    reach = round(level.reach_mm * level.px_per_mm)
    edge = half + reach
    step = level.step_mm * level.px_per_mm
    padded_photo = cv2.copyMakeBorder(photo, edge, edge, edge, edge, cv2.BORDER_CONSTANT)
    near = _where_matched(mask, level, whole)
    padded_reference = cv2.copyMakeBorder(reference * near[..., None], half, half, half, half, cv2.BORDER_CONSTANT)
    area = cv2.boxFilter(near.astype(np.float32), -1, (2 * half + 1, 2 * half + 1), borderType=cv2.BORDER_CONSTANT)
    ys, xs = np.arange(step / 2, height, step).astype(int), np.arange(step / 2, width, step).astype(int)
    side = 2 * reach + 1
    scores = np.zeros((ys.size, xs.size, side, side), dtype=np.float32)
    weight = np.zeros((ys.size, xs.size), dtype=np.float32)

    def match_row(i: int) -> None:
        y = int(ys[i])
        for j, x in enumerate(xs.tolist()):
            if area[y, x] < 0.2:
                continue
            patch = padded_reference[y : y + 2 * half + 1, x : x + 2 * half + 1]
            energy = float(cv2.norm(patch, cv2.NORM_L2SQR)) / patch.size
            if energy < 1e-4:
                continue
            window = padded_photo[y : y + 2 * edge + 1, x : x + 2 * edge + 1]
            scores[i, j] = cv2.matchTemplate(window, patch, cv2.TM_CCORR_NORMED)
            weight[i, j] = energy

    side_by_side(match_row, range(ys.size))
    used = weight > 0
    if used.sum() < 6:
        return np.zeros((height, width, 2), dtype=np.float32), 0.0, 0.0, 0.0
    weight = np.minimum(weight / weight[used].mean(), 2.0)
    field, agreement, supported, residual = _settle(scores, weight, used, level, reach)
    to_column = ((np.arange(width) - xs[0]) / step).astype(np.float32)
    to_row = ((np.arange(height) - ys[0]) / step).astype(np.float32)
    column, row = np.meshgrid(to_column, to_row)
    dense = cv2.remap(field, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(dense), agreement, supported, residual


def _where_matched(mask: NDArray[np.uint8], level: _Level, whole: bool) -> NDArray[np.bool_]:
    """The part of the reference that patches are cut from.

    While the mask is not yet trusted, only what lies well inside it: its outline may be that of a shadow. A piece all
    of thin parts has to be matched whole.
    """
    if not whole:
        radius = round(_KEEP_INSIDE_MM * level.px_per_mm)
        inside = cv2.erode(mask, np.ones((2 * radius + 1,) * 2, dtype=np.uint8)) > 127
        if inside.sum() > 0.5 * np.count_nonzero(mask > 127):
            return np.asarray(inside)
    return np.asarray(cv2.dilate(mask, np.ones((2 * round(level.px_per_mm) + 1,) * 2, dtype=np.uint8)) > 127)


def _settle(
    scores: NDArray[np.float32], weight: NDArray[np.float32], used: NDArray[np.bool_], level: _Level, reach: int
) -> tuple[NDArray[np.float32], float, float, float]:
    """What all control points vote for, then in turn: each takes its best shift near the field; the field follows."""
    axis_mm = (np.arange(-reach, reach + 1) / level.px_per_mm).astype(np.float32)
    tried = np.stack(np.meshgrid(axis_mm, axis_mm)).reshape(2, -1)
    sigma = level.smooth_mm / level.step_mm
    points = np.nonzero(used)
    own, own_weight = scores[points].reshape(len(points[0]), -1), weight[points]
    number = np.arange(len(own_weight))
    whole = _vote(scores[points], own_weight, points, used.shape, level)
    field = whole
    heard = np.zeros(used.shape, dtype=np.float32)
    pulled = np.zeros((*used.shape, 2), dtype=np.float32)
    # Stiffness times the squared distance to the field, less what is the same for all shifts of a point.
    stiffness = np.float32(level.stiffness_per_mm2)
    stiff = own - stiffness * (tried**2).sum(axis=0)
    for _ in range(_ROUNDS):
        best = (stiff + 2 * stiffness * (field[points] @ tried)).argmax(axis=1)
        shifts, reached = tried[:, best].T, own[number, best]
        say = own_weight * np.clip((reached - _LEAST_AGREEMENT) / (1 - _LEAST_AGREEMENT), 0, 1)
        disagreement = np.hypot(*(shifts - field[points]).T)
        heard[points] = say / (1 + (disagreement / 0.6) ** 2)
        pulled[points] = heard[points][:, None] * (shifts - whole[points])
        total = cv2.GaussianBlur(heard, (0, 0), sigma) + np.float32(0.02)
        last, field = field, (whole + cv2.GaussianBlur(pulled, (0, 0), sigma) / total[..., None]).astype(np.float32)
        if np.abs(field - last).max() < _STILL_MM:
            break
    distance = np.hypot(*(shifts - field[points]).T)
    counted = say > 0.1
    agreement = float(np.average(reached, weights=own_weight))
    supported = float(np.mean(counted & (distance < 1.0)))
    residual = float(np.median(distance[counted])) if counted.any() else level.reach_mm
    return field, agreement, supported, residual


def _vote(
    scores: NDArray[np.float32],
    weight: NDArray[np.float32],
    points: tuple[NDArray[np.intp], ...],
    shape: tuple[int, ...],
    level: _Level,
) -> NDArray[np.float32]:
    """The turn, change of size and shift that the scores of all points add up best for, as shifts in mm.

    Scores (n, side, side) and weights (n,) are those of the control points at rows and columns ``points`` of a grid of
    ``shape``. The best of some starts is followed uphill (Broyden, Fletcher, Goldfarb and Shanno).
    """
    side = scores.shape[-1]
    reach = side // 2
    middle = (np.array(shape) - 1) / 2
    y, x = ((where - half) * level.step_mm for where, half in zip(points, middle, strict=True))
    rim_mm = max(float(np.hypot(x, y).max()), level.step_mm)
    pad = int(np.ceil(rim_mm * _FARTHEST * level.px_per_mm)) + 1
    maps = np.pad(scores * weight[:, None, None], ((0, 0), (pad, pad), (pad, pad)))
    clearest = np.argsort(-(weight * scores.max(axis=(1, 2))))[:_ASKED_FIRST]
    best, start = -np.inf, np.zeros(4)
    for turn, growth in _starts(level):
        top, left = (
            np.clip(np.round(shift * level.px_per_mm).astype(int) + pad, 0, 2 * pad)[:, None] + np.arange(side)
            for shift in reversed(_turned(x[clearest], y[clearest], turn, growth))
        )
        votes = maps[clearest[:, None, None], top[:, :, None], left[:, None, :]].sum(axis=0)
        k = int(votes.argmax())
        if votes.flat[k] > best:
            best = float(votes.flat[k])
            start = np.array([turn * rim_mm, growth * rim_mm, k // side - reach, k % side - reach])
            start[2:] /= level.px_per_mm

    # All four in mm, the turn and the change of size as what they do at the rim.
    def lost(parameters_mm: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        turn, growth = parameters_mm[:2] / rim_mm
        shift_x, shift_y = _turned(x, y, turn, growth)
        total, down, across = _between(
            maps,
            (shift_y + parameters_mm[2]) * level.px_per_mm + reach + pad,
            (shift_x + parameters_mm[3]) * level.px_per_mm + reach + pad,
        )
        grown_x, grown_y = _turned(x, y, turn, 0.0)
        grown_x, grown_y = grown_x + x, grown_y + y
        by_turn = (1 + growth) * (down @ grown_x - across @ grown_y) / rim_mm
        by_growth = (down @ grown_y + across @ grown_x) / rim_mm
        slope = np.array([by_turn, by_growth, down.sum(), across.sum()]) * level.px_per_mm
        return -total / norm, -slope / norm

    norm = 1.0
    norm = max(abs(lost(start)[0]), 1e-6)
    turn, growth, down, across = minimize(lost, start, jac=True, method="BFGS", options={"gtol": 2e-3, "maxiter": 30}).x
    all_y, all_x = (np.indices(shape) - middle[:, None, None]) * level.step_mm
    shift_x, shift_y = _turned(all_x, all_y, turn / rim_mm, growth / rim_mm)
    return np.dstack([shift_x + across, shift_y + down]).astype(np.float32)


def _starts(level: _Level) -> list[tuple[float, float]]:
    """Turns in radians and changes of size that the vote starts from."""
    if level.reach_mm < _WIDE_MM:
        return [(0.0, 0.0)]
    return [(np.radians(turn), growth) for turn in _TURNS_DEG for growth in _GROWTHS]


def _between(
    maps: NDArray[np.float32], down: NDArray[np.float64], across: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """One value of each map, between its pixels: their sum, and the slope of each down and across.

    Cubic convolution (Keys 1981): linear would favour whole pixels. Beyond the rim the value is that of the rim.
    """
    last = maps.shape[1] - 3
    row_at, column_at = np.clip(down, 1, last - 1e-6), np.clip(across, 1, last - 1e-6)
    row, column = row_at.astype(int), column_at.astype(int)
    near = np.arange(-1, 3)
    part = maps[
        np.arange(len(maps))[:, None, None], (row[:, None] + near)[:, :, None], (column[:, None] + near)[:, None]
    ]
    (vertical, steep_v), (horizontal, steep_h) = _keys(row_at - row), _keys(column_at - column)
    by_row = np.einsum("kij,kj->ki", part, horizontal)
    down_slope = np.einsum("ki,ki->k", by_row, steep_v) * (row_at == down)
    across_slope = np.einsum("kij,ki,kj->k", part, vertical, steep_h) * (column_at == across)
    return float(np.einsum("ki,ki->", by_row, vertical)), down_slope, across_slope


def _keys(t: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weights of the four pixels around a place that lies ``t`` past the second, and their slopes, each (n, 4)."""
    weights = [
        ((2 - t) * t - 1) * t / 2,
        ((3 * t - 5) * t * t + 2) / 2,
        ((4 - 3 * t) * t + 1) * t / 2,
        (t - 1) * t * t / 2,
    ]
    slopes = [((4 - 3 * t) * t - 1) / 2, (9 * t - 10) * t / 2, ((8 - 9 * t) * t + 1) / 2, (3 * t - 2) * t / 2]
    return np.column_stack(weights), np.column_stack(slopes)


def _turned(
    x: NDArray[np.float64], y: NDArray[np.float64], turn: float, growth: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far points move, across and down, when they are turned about the middle and spread apart."""
    c, s = np.cos(turn) * (1 + growth) - 1, np.sin(turn) * (1 + growth)
    return c * x - s * y, s * x + c * y

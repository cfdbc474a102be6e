"""Where each point of a reference lies in a photo, once the plane move is known.

Pieces stand over the mat, so every height shifts by its own amount when the camera moves. On a grid of
control points, patches of the reference's edges are searched for in the photo, all shifts within reach; the
field that the control points agree on is an affine part plus a smooth remainder. A patch that finds nothing
like itself has no say, and the field is too stiff to close over a broken-off feature: what is missing stays
missing.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.structure import orientation_field

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


# Chosen on drawn scenes and on the tuning split by tests/benchmarks/score.py: the first bridges the parallax of a
# hand-held camera (5 mm); the next, with both outlines known, settle to a fraction of a millimetre.
_COARSE_LEVELS = (_Level(2.0, 0.45, 5.0, 16.0, 5.0, 0.012, 9.0),)
_OUTLINE_LEVELS = (
    _Level(2.0, 0.45, 4.0, 12.0, 3.0, 0.012, 6.0),
    _Level(4.0, 0.30, 4.0, 10.0, 1.0, 0.05, 5.0),
)
# Weight of the outline beside the edges of the relief, once both photos' silhouettes are known.
_OUTLINE_WEIGHT = 1.5
_ROUNDS = 16
_AFFINE_ROUNDS = 5
_KEEP_INSIDE_MM = 2.0
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
        The piece as the photo shows it, in the box, as ``start_xy`` maps it. With it the outlines are made to
        meet too; without, only edges of the picture.
    mask_trusted : bool
        If not, the mask may still have a shadow in it, and only what lies well inside it is matched.
    """
    height, width = reference_mask.shape
    grid = np.dstack(np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32)))
    photo_xy = start_xy
    agreement = supported = residual_mm = 0.0
    silhouette = photo_mask
    for level in _COARSE_LEVELS if photo_mask is None else _OUTLINE_LEVELS:
        shrink = level.px_per_mm / px_per_mm
        size = (max(8, round(width * shrink)), max(8, round(height * shrink)))
        seen = cv2.remap(photo_gray, photo_xy, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        small_mask = cv2.resize(reference_mask, size, interpolation=cv2.INTER_AREA)
        small_silhouette = None if silhouette is None else cv2.resize(silhouette, size, interpolation=cv2.INTER_AREA)
        reference_field = _field(reference_gray, size, level, None if silhouette is None else small_mask)
        photo_field = _field(seen, size, level, small_silhouette)
        shift_mm, agreement, supported, residual_mm = _agree(
            reference_field, photo_field, small_mask, level, whole=mask_trusted
        )
        moved = grid + cv2.resize(shift_mm, (width, height), interpolation=cv2.INTER_LINEAR) * np.float32(px_per_mm)
        photo_xy = cv2.remap(photo_xy, moved, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        if silhouette is not None:
            silhouette = cv2.remap(silhouette, moved, None, cv2.INTER_LINEAR)
    return Warp(photo_xy, agreement, supported, residual_mm)


def _field(
    gray: NDArray[np.uint8], size: tuple[int, int], level: _Level, silhouette: NDArray[np.uint8] | None
) -> NDArray[np.float32]:
    """What patches are matched on: the picture's edges, or those inside a silhouette and its outline."""
    small = cv2.resize(gray, size, interpolation=cv2.INTER_AREA)
    edges = orientation_field(small, px_per_mm=level.px_per_mm, scale_mm=level.scale_mm)
    if silhouette is None:
        return edges
    radius = round(1.2 * level.px_per_mm)
    inside = cv2.erode(silhouette, np.ones((2 * radius + 1,) * 2, dtype=np.uint8)).astype(np.float32) / 255
    soft = cv2.GaussianBlur(silhouette.astype(np.float32) / 255, (0, 0), 0.5 * level.px_per_mm)
    gx, gy = cv2.Scharr(soft, cv2.CV_32F, 1, 0, scale=1 / 16), cv2.Scharr(soft, cv2.CV_32F, 0, 1, scale=1 / 16)
    strength = np.maximum(cv2.magnitude(gx, gy), 1e-6)
    weight = np.float32(_OUTLINE_WEIGHT) * np.minimum(strength * np.float32(0.8 * level.px_per_mm), 1) / strength**2
    outline = np.dstack([weight * (gx * gx - gy * gy), weight * (2 * gx * gy)])
    return np.asarray(edges * inside[..., None] + outline, dtype=np.float32)


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

    with ThreadPoolExecutor(cv2.getNumThreads()) as threads:  # OpenCV lets other threads run
        list(threads.map(match_row, range(ys.size)))
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
    """Alternate: each control point takes its best shift near the field; the field follows the points."""
    rows, columns = used.shape
    axis_mm = (np.arange(-reach, reach + 1) / level.px_per_mm).astype(np.float32)
    shift_x, shift_y = np.meshgrid(axis_mm, axis_mm)
    y, x = np.mgrid[-0.5 : 0.5 : rows * 1j, -0.5 : 0.5 : columns * 1j].astype(np.float32)
    terms = np.dstack([np.ones_like(x), x, y])
    sigma = level.smooth_mm / level.step_mm
    field = np.zeros((rows, columns, 2), dtype=np.float32)
    shifts = field
    say = weight
    for turn in range(_ROUNDS):
        stiffness = level.stiffness_per_mm2 * (0.2 + 0.8 * turn / (_ROUNDS - 1))
        away = (shift_x - field[..., 0, None, None]) ** 2 + (shift_y - field[..., 1, None, None]) ** 2
        flat = (scores - stiffness * away).reshape(rows, columns, -1)
        best = flat.argmax(axis=-1)
        shifts = np.dstack([shift_x.ravel()[best], shift_y.ravel()[best]])
        reached = np.take_along_axis(scores.reshape(rows, columns, -1), best[..., None], axis=-1)[..., 0]
        say = weight * np.clip((reached - _LEAST_AGREEMENT) / (1 - _LEAST_AGREEMENT), 0, 1)
        affine = _robust_affine(shifts, terms, say, used)
        if turn < _AFFINE_ROUNDS:
            field = affine
            continue
        apart = shifts - affine
        disagreement = np.hypot(*(shifts - field).transpose(2, 0, 1))
        heard = (say / (1 + (disagreement / 0.6) ** 2)).astype(np.float32)
        total = cv2.GaussianBlur(heard, (0, 0), sigma) + np.float32(0.02)
        smooth = [cv2.GaussianBlur(heard * apart[..., k], (0, 0), sigma) / total for k in (0, 1)]
        field = (affine + np.dstack(smooth)).astype(np.float32)
    counted = say[used]
    distance = np.hypot(*(shifts - field).transpose(2, 0, 1))[used]
    agreement = float(np.average(reached[used], weights=weight[used]))
    supported = float(np.mean((counted > 0.1) & (distance < 1.0)))
    residual = float(np.median(distance[counted > 0.1])) if np.any(counted > 0.1) else level.reach_mm
    return field, agreement, supported, residual


def _robust_affine(
    shifts: NDArray[np.float32], terms: NDArray[np.float32], say: NDArray[np.float32], used: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """The affine field nearest to the shifts, by reweighted least squares (Cauchy's weights, 0.8 mm)."""
    basis, target, start = terms[used], shifts[used], say[used] + 1e-6
    weight = start
    coefficients: NDArray[np.floating] = np.zeros((3, 2))
    for _ in range(4):
        weighted = (basis * weight[:, None]).T.astype(np.float64)
        coefficients = np.linalg.solve(weighted @ basis + 1e-9 * np.eye(3), weighted @ target)
        error = np.hypot(*(target - basis @ coefficients).T)
        weight = start / (1 + (error / 0.8) ** 2)
    return np.asarray(terms @ coefficients.astype(np.float32))

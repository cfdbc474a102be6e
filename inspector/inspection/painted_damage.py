"""Damage painted into photographs of good castings: more to learn from than can be rendered, in no renderer's style.

A chip takes away the mold's relief and leaves a hollow with a rough floor, pores and grains, lit from one side; a pit
is a large dark hollow. What is no damage is painted too: stains and wet patches, which change the brightness and leave
the relief, and the small bugholes that every casting has. All of it is blurred and grained like the photo around it.

Chips and cracks of known size are planted one by one, to find out from which size on they are seen. A planted chip is
painted as those to learn from are, and lies inside the outline; `planted_breaks` has what looks like a broken face.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from inspector.imaging.light import DISPLAY_GAMMA, linear_light

__all__ = [
    "PaintedPhoto",
    "PlantedDamage",
    "edge_weight",
    "extent_px",
    "paint_damage",
    "plant_chip",
    "plant_crack",
    "planted_in",
    "smooth_noise",
]

# A crack lets this part of the light through where it covers a pixel (common practice, no source; the rendered cracks
# of sample_images, 1 to 3 mm deep, come out between 0.1 and 0.3).
_CRACK_LIGHT = (0.1, 0.3)
# How a crack winds: the direction changes by this much over a millimetre, one standard deviation.
_WINDING_RAD = 0.25
_CRACK_STEP_MM = 0.5
# The width tapers over this part of the length at each end.
_TAPER = 0.15
# Places that are tried before a piece is said to have no room.
_MOST_TRIES = 40


@dataclass(frozen=True, slots=True, eq=False)
class PaintedPhoto:
    """A photo with damage painted in, and where."""

    image_bgr: NDArray[np.uint8]
    masks: tuple[NDArray[np.bool_], ...]  # of the photo's size, one a defect
    kinds: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PlantedDamage:
    """A photo with one defect of known size planted."""

    image_bgr: NDArray[np.uint8]
    mask: NDArray[np.bool_]  # of the photo's size
    gone: NDArray[np.bool_] | None = None  # the part of the mask where what lies behind the piece is seen


@dataclass(frozen=True, slots=True, eq=False)
class _Patch:
    """A square of the photo in which one thing is painted."""

    rows: slice
    columns: slice
    x_mm: NDArray[np.float64]  # from its middle
    y_mm: NDArray[np.float64]
    px_per_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class _Lamp:
    """What lights a hollow: one lamp, and as much from everywhere."""

    towards: NDArray[np.float64]  # x right, y down, z up
    ambient: float


def paint_damage(
    image_bgr: NDArray[np.uint8],
    piece: NDArray[np.bool_],
    *,
    px_per_mm: float,
    rng: np.random.Generator,
    defects: int,
    stains: int,
) -> PaintedPhoto:
    """Paint chips, pits and stains at random places of a piece.

    Parameters
    ----------
    image_bgr : ndarray, shape (h, w, 3), uint8
    piece : ndarray, shape (h, w), bool
        Where the photo shows the piece.
    px_per_mm : float
        Of the photo.
    rng : numpy.random.Generator
    defects, stains : int
        How many of each.
    """
    light = linear_light(image_bgr)
    taken = np.zeros(piece.shape, dtype=bool)
    edges = edge_weight(image_bgr, piece, px_per_mm)
    lamp = _random_lamp(rng)
    for _ in range(stains):
        patch = _patch_at(_place(piece, edges, rng, at_edge=False), piece.shape, 12.0, px_per_mm)
        part = light[patch.rows, patch.columns]
        part *= np.exp(_stain(patch, rng))[..., None]
    for _ in range(rng.poisson(4)):
        reach_mm = rng.uniform(0.25, 1.1)
        patch = _patch_at(_place(piece, edges, rng, at_edge=False), piece.shape, 2.2 * reach_mm, px_per_mm)
        inside = _blob(patch, reach_mm, rng, jagged=False) & piece[patch.rows, patch.columns]
        _press(light, patch, inside, reach_mm, lamp, rng, rough=False)
    masks, kinds = [], []
    for _ in range(defects):
        is_chip = rng.random() < 0.8
        reach_mm = np.exp(rng.uniform(np.log(1.6), np.log(6.0))) if is_chip else rng.uniform(1.8, 3.2)
        patch = _patch_at(_place(piece, edges, rng, at_edge=rng.random() < 0.6), piece.shape, 2.2 * reach_mm, px_per_mm)
        inside = _blob(patch, reach_mm, rng, jagged=is_chip)
        inside &= piece[patch.rows, patch.columns]
        if np.count_nonzero(inside) < 6 or np.any(taken[patch.rows, patch.columns] & inside):
            continue
        _press(light, patch, inside, reach_mm, lamp, rng, rough=is_chip)
        mask = np.zeros(piece.shape, dtype=bool)
        mask[patch.rows, patch.columns] = inside
        around = round(4 * px_per_mm)
        taken |= cv2.dilate(mask.astype(np.uint8), np.ones((2 * around + 1, 2 * around + 1), dtype=np.uint8)) > 0
        masks.append(mask)
        kinds.append("chip" if is_chip else "surface void")
    return PaintedPhoto(_picture_of_light(light), tuple(masks), tuple(kinds))


def plant_chip(
    image_bgr: NDArray[np.uint8],
    free: NDArray[np.bool_],
    *,
    extent_mm: float,
    px_per_mm: float,
    rng: np.random.Generator,
) -> PlantedDamage | None:
    """Plant one chip, most often at an edge of the relief.

    Parameters
    ----------
    image_bgr : ndarray, shape (h, w, 3), uint8
    free : ndarray, shape (h, w), bool
        The part of the piece where there is room.
    extent_mm : float
        Wanted largest extent, in the mean; the shape is a chance one. ``extent_px`` of the mask tells how it came out.
    px_per_mm : float
        Of the photo.
    rng : numpy.random.Generator

    Returns
    -------
    planted : PlantedDamage or None
        None where no room was found.
    """
    if not free.any():
        return None
    edges = edge_weight(image_bgr, free, px_per_mm)
    for _ in range(_MOST_TRIES):
        place = _place(free, edges, rng, at_edge=rng.random() < 0.6)
        patch = _patch_at(place, free.shape, 1.2 * extent_mm, px_per_mm)
        inside = _blob(patch, 0.5 * extent_mm, rng, jagged=True)
        if np.count_nonzero(inside) < 4 or not np.all(free[patch.rows, patch.columns][inside]):
            continue
        light = linear_light(image_bgr[patch.rows, patch.columns])
        whole = replace(patch, rows=slice(None), columns=slice(None))
        _press(light, whole, inside, 0.5 * extent_mm, _random_lamp(rng), rng, rough=True)
        return planted_in(image_bgr, patch.rows, patch.columns, light, inside)
    return None


def plant_crack(
    image_bgr: NDArray[np.uint8],
    free: NDArray[np.bool_],
    *,
    width_mm: float,
    length_mm: float,
    px_per_mm: float,
    blur_px: float,
    rng: np.random.Generator,
) -> PlantedDamage | None:
    """Plant one crack of exactly known width.

    Each pixel gets the share of the crack that falls into it: a box of the crack's width, blurred by a Gaussian, which
    is the difference of two normal distributions of the distance from the crack's middle.

    Parameters
    ----------
    image_bgr : ndarray, shape (h, w, 3), uint8
    free : ndarray, shape (h, w), bool
        The part of the piece where there is room; the crack stays in it.
    width_mm, length_mm : float
        Width away from the tapering ends, and length along the path.
    px_per_mm : float
        Of the photo.
    blur_px : float
        Standard deviation of the photo's blur.
    rng : numpy.random.Generator

    Returns
    -------
    planted : PlantedDamage or None
        None where no room was found.
    """
    if not free.any():
        return None
    for _ in range(_MOST_TRIES):
        path_xy = _crack_path(free, length_mm, px_per_mm, rng)
        if path_xy is not None:
            return _draw_crack(image_bgr, path_xy, width_mm * px_per_mm, blur_px, rng)
    return None


def _crack_path(
    free: NDArray[np.bool_], length_mm: float, px_per_mm: float, rng: np.random.Generator
) -> NDArray[np.float64] | None:
    """A winding path of the given length, shape (n, 2), or None where it leaves the room."""
    row, column = _place(free, np.zeros(free.shape, dtype=np.float32), rng, at_edge=False)
    steps = max(2, round(length_mm / _CRACK_STEP_MM))
    turns = rng.normal(0, _WINDING_RAD * np.sqrt(_CRACK_STEP_MM), steps)
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(turns)
    moves = np.column_stack([np.cos(heading), np.sin(heading)]) * (_CRACK_STEP_MM * px_per_mm)
    path_xy = np.array([column, row]) + np.vstack([np.zeros((1, 2)), np.cumsum(moves, axis=0)])
    cells = np.round(path_xy).astype(int)
    height, width = free.shape
    if cells.min() < 0 or np.any(cells >= (width, height)) or not np.all(free[cells[:, 1], cells[:, 0]]):
        return None
    return path_xy


def _draw_crack(
    image_bgr: NDArray[np.uint8],
    path_xy: NDArray[np.float64],
    width_px: float,
    blur_px: float,
    rng: np.random.Generator,
) -> PlantedDamage:
    height, width = image_bgr.shape[:2]
    reach = int(np.ceil(width_px / 2 + 4 * blur_px)) + 1
    left, top = np.maximum(np.floor(path_xy.min(axis=0)).astype(int) - reach, 0)
    right, bottom = np.minimum(np.ceil(path_xy.max(axis=0)).astype(int) + reach + 1, (width, height))
    distance, along = _distance_along(path_xy - (left, top), (bottom - top, right - left), reach)
    ends = np.clip(np.minimum(along, 1 - along) / _TAPER, 0.0, 1.0)
    half = 0.5 * width_px * np.sqrt(ends)
    cover = ndtr((distance + half) / blur_px) - ndtr((distance - half) / blur_px)
    rows, columns = slice(top, bottom), slice(left, right)
    part = linear_light(image_bgr[rows, columns])
    dark = (1 - rng.uniform(*_CRACK_LIGHT)) * cover
    grain = rng.normal(0, 0.02, cover.shape) * cover
    part *= np.clip(1 - dark + grain, 0, None)[..., None].astype(np.float32)
    return planted_in(image_bgr, rows, columns, part, distance <= np.maximum(half, 0.5))


def _distance_along(
    path_xy: NDArray[np.float64], shape: tuple[int, int], reach: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance of each pixel from a path in px, infinite beyond reach, and how far along it the nearest place is."""
    distance, along = np.full(shape, np.inf), np.zeros(shape)
    count = len(path_xy) - 1
    for k in range(count):
        start, end = path_xy[k], path_xy[k + 1]
        low = np.maximum(np.floor(np.minimum(start, end)).astype(int) - reach, 0)
        high = np.minimum(np.ceil(np.maximum(start, end)).astype(int) + reach + 1, (shape[1], shape[0]))
        y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
        step = end - start
        share = np.clip(((x - start[0]) * step[0] + (y - start[1]) * step[1]) / float(step @ step), 0.0, 1.0)
        away = np.hypot(x - start[0] - share * step[0], y - start[1] - share * step[1])
        here = np.s_[low[1] : high[1], low[0] : high[0]]
        nearer = away < distance[here]
        distance[here][nearer] = away[nearer]
        along[here][nearer] = (k + share[nearer]) / count
    return distance, along


def extent_px(mask: NDArray[np.bool_]) -> float:
    """Largest distance between two places of a mask, both pixels counted whole; the mask is not empty."""
    points = cv2.findNonZero(mask.astype(np.uint8))
    hull = cv2.convexHull(points).reshape(-1, 2).astype(float)
    return float(np.hypot(*(hull[:, None] - hull[None]).transpose(2, 0, 1)).max()) + 1.0


def planted_in(
    image_bgr: NDArray[np.uint8],
    rows: slice,
    columns: slice,
    light: NDArray[np.float32],
    changed: NDArray[np.bool_],
) -> PlantedDamage:
    """A photo with one part of it, given in linear light, put in place; and what changed of that part."""
    mask = np.zeros(image_bgr.shape[:2], dtype=bool)
    mask[rows, columns] = changed
    painted = image_bgr.copy()
    painted[rows, columns] = _picture_of_light(light)
    return PlantedDamage(painted, mask)


def _picture_of_light(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    """The photo that shows some light, (h, w, 3)."""
    return np.clip(255 * np.clip(light, 0, 1) ** (1 / DISPLAY_GAMMA) + 0.5, 0, 255).astype(np.uint8)


def _random_lamp(rng: np.random.Generator) -> _Lamp:
    angle = rng.uniform(0, 2 * np.pi)
    towards = np.array([np.cos(angle), np.sin(angle), rng.uniform(0.5, 1.6)])
    return _Lamp(towards, rng.uniform(0.25, 0.8))


def edge_weight(image_bgr: NDArray[np.uint8], piece: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.float32]:
    """Where the piece has edges: that is where it chips."""
    gray = cv2.GaussianBlur(cv2.cvtColor(image_bgr, cv2.COLOR_BGR2GRAY), (0, 0), 0.5 * px_per_mm)
    gx, gy = cv2.Scharr(gray, cv2.CV_32F, 1, 0), cv2.Scharr(gray, cv2.CV_32F, 0, 1)
    return np.where(piece, np.hypot(gx, gy), 0).astype(np.float32)


def _place(
    piece: NDArray[np.bool_], edges: NDArray[np.float32], rng: np.random.Generator, *, at_edge: bool
) -> tuple[int, int]:
    """Row and column somewhere on the piece."""
    step = max(1, min(piece.shape) // 500)
    rows, columns = np.nonzero(piece[::step, ::step])
    weight = edges[::step, ::step][rows, columns].astype(float) + 1e-3 if at_edge else np.ones(len(rows))
    k = int(rng.choice(len(rows), p=weight / weight.sum()))
    return int(rows[k]) * step, int(columns[k]) * step


def _patch_at(place: tuple[int, int], shape: tuple[int, ...], reach_mm: float, px_per_mm: float) -> _Patch:
    reach = round(reach_mm * px_per_mm) + 2
    top, left = max(0, place[0] - reach), max(0, place[1] - reach)
    bottom, right = min(shape[0], place[0] + reach + 1), min(shape[1], place[1] + reach + 1)
    y, x = np.mgrid[top:bottom, left:right]
    return _Patch(
        slice(top, bottom), slice(left, right), (x - place[1]) / px_per_mm, (y - place[0]) / px_per_mm, px_per_mm
    )


def _blob(patch: _Patch, reach_mm: float, rng: np.random.Generator, *, jagged: bool) -> NDArray[np.bool_]:
    """A closed shape about a place: an ellipse with waves along its rim, those of a break many and sharp."""
    turn, longer = rng.uniform(0, np.pi), rng.uniform(1.0, 2.2 if jagged else 1.4)
    u = (np.cos(turn) * patch.x_mm + np.sin(turn) * patch.y_mm) / np.sqrt(longer)
    v = (-np.sin(turn) * patch.x_mm + np.cos(turn) * patch.y_mm) * np.sqrt(longer)
    angle, radius = np.arctan2(v, u), np.hypot(u, v)
    rim = np.ones_like(angle)
    for k in range(2, 24 if jagged else 4):
        rim += rng.normal(0, 0.28 / k) * np.cos(k * angle + rng.uniform(0, 2 * np.pi))
    return np.asarray(radius < reach_mm * 0.8 * rim)


def smooth_noise(shape: tuple[int, ...], scale_px: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Noise of unit deviation that changes over so many pixels."""
    small = [max(2, int(np.ceil(side / max(scale_px, 1.0))) + 1) for side in shape]
    grown = cv2.resize(rng.normal(size=small), (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(grown / max(float(grown.std()), 1e-6))


def _press(
    light: NDArray[np.float32],
    patch: _Patch,
    inside: NDArray[np.bool_],
    reach_mm: float,
    lamp: _Lamp,
    rng: np.random.Generator,
    *,
    rough: bool,
) -> None:
    """Put a hollow into the photo, in linear light."""
    part, px_per_mm = light[patch.rows, patch.columns], patch.px_per_mm
    shape = inside.shape
    in_mm = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5) / px_per_mm
    depth = reach_mm * rng.uniform(0.25, 0.9)
    wall = reach_mm * rng.uniform(0.08, 0.5)
    height = -depth * (1 - np.exp(-in_mm / wall))
    if rough:
        for scale in (2.5, 1.2, 0.6, 0.3):
            height = height + rng.uniform(0.05, 0.2) * scale * smooth_noise(shape, scale * px_per_mm, rng)
    height = cv2.GaussianBlur(height, (0, 0), max(0.5, 0.12 * px_per_mm))
    slope_y, slope_x = np.gradient(height, 1 / px_per_mm)
    x, y, z = lamp.towards
    facing = (-slope_x * x - slope_y * y + z) / np.sqrt(1 + slope_x**2 + slope_y**2)
    shade = lamp.ambient + (1 - lamp.ambient) * np.maximum(facing, 0) / z
    change = np.log(np.maximum(shade, 0.05))
    if rough:
        change += rng.uniform(-0.35, 0.25) + rng.uniform(0.0, 0.12) * smooth_noise(shape, 0.35 * px_per_mm, rng)
        change += _spots(patch, rng, density_mm2=rng.uniform(0.0, 0.5), radius_mm=(0.12, 0.6), dark=(-1.6, -0.2))
        change += _spots(patch, rng, density_mm2=rng.uniform(0.0, 0.3), radius_mm=(0.2, 0.9), dark=(-0.35, 0.35))
    else:
        change -= rng.uniform(0.3, 1.2) * np.clip(in_mm / (0.5 * reach_mm), 0, 1)
    change = cv2.GaussianBlur(change, (0, 0), rng.uniform(0.5, 0.9))
    weight = cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 1.5 * px_per_mm) + 1e-3
    floor = cv2.GaussianBlur(part * inside[..., None].astype(np.float32), (0, 0), 1.5 * px_per_mm) / weight[..., None]
    grain = rng.normal(0, 0.02, shape)
    painted = (floor * np.exp(change + grain)[..., None]).astype(np.float32)
    soft = cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 0.8)[..., None]
    part[:] = part * (1 - soft) + painted * soft


def _spots(
    patch: _Patch,
    rng: np.random.Generator,
    *,
    density_mm2: float,
    radius_mm: tuple[float, float],
    dark: tuple[float, float],
) -> NDArray[np.float64]:
    """Round spots, pores or grains of aggregate."""
    change = np.zeros(patch.x_mm.shape)
    low = np.array([patch.x_mm.min(), patch.y_mm.min()])
    high = np.array([patch.x_mm.max(), patch.y_mm.max()])
    for _ in range(rng.poisson(density_mm2 * float(np.prod(high - low)))):
        x, y = rng.uniform(low, high)
        radius = rng.uniform(*radius_mm) * rng.uniform(0.4, 1.0)
        change[np.hypot(patch.x_mm - x, patch.y_mm - y) < radius] += rng.uniform(*dark)
    return np.clip(change, -2.0, 0.6)


def _stain(patch: _Patch, rng: np.random.Generator) -> NDArray[np.float32]:
    """A change of brightness that leaves the relief: wet or stained, with a sharp or a soft rim."""
    reach = rng.uniform(2.0, 9.0)
    inside = _blob(patch, reach, rng, jagged=rng.random() < 0.5).astype(np.float32)
    soft = cv2.GaussianBlur(inside, (0, 0), patch.px_per_mm * np.exp(rng.uniform(np.log(0.15), np.log(3.0))))
    return np.asarray(soft * rng.uniform(-0.6, 0.35), dtype=np.float32)

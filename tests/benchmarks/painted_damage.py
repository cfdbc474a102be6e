"""Damage painted into photographs of good castings: more to learn from than can be rendered, in no renderer's style.

A chip takes away the mold's relief and leaves a hollow with a rough floor, pores and grains, lit from one side; a pit
is a large dark hollow. What is no damage is painted too: stains and wet patches, which change the brightness and leave
the relief, and the small bugholes that every casting has. All of it is blurred and grained like the photo around it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import DISPLAY_GAMMA


@dataclass(frozen=True, slots=True, eq=False)
class PaintedPhoto:
    """A photo with damage painted in, and where."""

    image_bgr: NDArray[np.uint8]
    masks: tuple[NDArray[np.bool_], ...]  # of the photo's size, one a defect
    kinds: tuple[str, ...]


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
    light = (image_bgr.astype(np.float32) / 255) ** DISPLAY_GAMMA
    taken = np.zeros(piece.shape, dtype=bool)
    edges = _edge_weight(image_bgr, piece, px_per_mm)
    angle = rng.uniform(0, 2 * np.pi)
    towards = np.array([np.cos(angle), np.sin(angle), rng.uniform(0.5, 1.6)])
    lamp = _Lamp(towards, rng.uniform(0.25, 0.8))
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
    image = np.clip(255 * np.clip(light, 0, 1) ** (1 / DISPLAY_GAMMA) + 0.5, 0, 255).astype(np.uint8)
    return PaintedPhoto(image, tuple(masks), tuple(kinds))


def _edge_weight(image_bgr: NDArray[np.uint8], piece: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.float32]:
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


def _noise(shape: tuple[int, ...], scale_px: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Smooth noise of unit deviation."""
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
            height = height + rng.uniform(0.05, 0.2) * scale * _noise(shape, scale * px_per_mm, rng)
    height = cv2.GaussianBlur(height, (0, 0), max(0.5, 0.12 * px_per_mm))
    slope_y, slope_x = np.gradient(height, 1 / px_per_mm)
    x, y, z = lamp.towards
    facing = (-slope_x * x - slope_y * y + z) / np.sqrt(1 + slope_x**2 + slope_y**2)
    shade = lamp.ambient + (1 - lamp.ambient) * np.maximum(facing, 0) / z
    change = np.log(np.maximum(shade, 0.05))
    if rough:
        change += rng.uniform(-0.35, 0.25) + rng.uniform(0.0, 0.12) * _noise(shape, 0.35 * px_per_mm, rng)
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

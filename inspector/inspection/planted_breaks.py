"""Chips of known size, broken out of photographed good castings: at the outline, or from the relief inside it.

A bite takes a scoop out of the piece. What is left is a fresh face of concrete: rough, with grains of the aggregate cut
through, shaded by its own slopes, steep at its rim. At the outline the deepest part of the bite is gone altogether, and
what lies behind it shows: the mat with its known print, or else the texture of mat or bench from beside the piece.

Shape and face follow what the rendered chips of ``sample_images`` are made by, since chips as ``painted_damage`` paints
them for the networks to learn from are fainter than these; ``tests.benchmarks.planted_chips`` holds both against them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import linear_light
from inspector.inspection.painted_damage import (
    PlantedDamage,
    edge_weight,
    planted_in,
    smooth_noise,
)

__all__ = ["break_from_outline", "break_from_surface"]

# Of a bite, relative to its largest extent.
DEPTHS = (0.25, 0.45)
WIDTHS_AT_OUTLINE = (0.5, 1.2)
WIDTHS_INSIDE = (0.6, 1.0)
# How steep a bite is at its rim: a power of how far inside a place lies.
RIM_POWER = 0.42
# At the outline, all is gone where a place lies so far inside the bite.
GONE_FROM = (0.45, 0.92)
# How much less of the sky is seen from the middle of a bite, in log light: at the outline a face looks away from it.
HIDDEN_INSIDE = (0.0, 0.3)
HIDDEN_AT_OUTLINE = (0.1, 0.8)
# A fresh face reflects this share of what the skin does, and the grains in it so much of that: their size in mm.
FRESH_SHARE = 0.88
GRAINS = ((2.6, 0.52), (2.0, 1.2), (1.3, 0.42))
# A found outline is this good, and an edge in a photo is as wide: what lies behind is shown from so far beyond it.
EDGE_MM = 0.5
# The light of the piece or of the mat at a place is a mean over such distances, the next where there is none.
AROUND_MM = (1.5, 4.0, 10.0)
BESIDE_MM = 14.0
DOTS_PX_PER_MM = 12.0
MOST_TRIES = 40
MOST_MOVES = 200


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """A part of the photo about a place, x along the bite and y into the piece."""

    rows: slice
    columns: slice
    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class _Bite:
    """How far inside the bite each place lies, from 0 at its rim to 1 in its middle, and below 0 outside."""

    inside: NDArray[np.float64]
    depth_mm: float


def break_from_surface(
    image_bgr: NDArray[np.uint8],
    free: NDArray[np.bool_],
    *,
    extent_mm: float,
    px_per_mm: float,
    blur_px: float,
    rng: np.random.Generator,
) -> PlantedDamage | None:
    """Break a chip from the relief, most often where there is an edge.

    Parameters
    ----------
    image_bgr : ndarray, shape (h, w, 3), uint8
    free : ndarray, shape (h, w), bool
        The part of the piece where there is room; the chip stays in it.
    extent_mm : float
        Wanted largest extent; ``extent_px`` of the mask tells how it came out.
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
    at_edges, anywhere = edge_weight(image_bgr, free, px_per_mm), free.astype(np.float64)
    for _ in range(MOST_TRIES):
        row, column = _draw_place(at_edges if rng.random() < 0.8 else anywhere, rng)
        window = _window_at(row, column, free.shape, extent_mm + 2.0, rng.uniform(0, 2 * np.pi), px_per_mm)
        bite = _draw_bite(window, extent_mm, rng.uniform(*WIDTHS_INSIDE) / 2, rng)
        changed = bite.inside > 0
        here = free[window.rows, window.columns]
        if np.count_nonzero(changed) < 4 or not np.all(here[changed]):
            continue
        light = linear_light(image_bgr[window.rows, window.columns])
        _show_face(
            light, bite, changed, here | changed, hidden=HIDDEN_INSIDE, px_per_mm=px_per_mm, blur_px=blur_px, rng=rng
        )
        return planted_in(image_bgr, window.rows, window.columns, light, changed)
    return None


def break_from_outline(
    image_bgr: NDArray[np.uint8],
    piece: NDArray[np.bool_],
    free: NDArray[np.bool_],
    *,
    extent_mm: float,
    px_per_mm: float,
    blur_px: float,
    mat_print: NDArray[np.float32] | None,
    rng: np.random.Generator,
) -> PlantedDamage | None:
    """Break a chip from the outline of the piece, tips and corners before straight edges.

    Parameters
    ----------
    image_bgr : ndarray, shape (h, w, 3), uint8
    piece : ndarray, shape (h, w), bool
        Where the photo shows the piece.
    free : ndarray, shape (h, w), bool
        The part of the piece where there is room, up to its outline.
    extent_mm : float
        Wanted largest extent; ``extent_px`` of the mask tells how it came out.
    px_per_mm : float
        Of the photo.
    blur_px : float
        Standard deviation of the photo's blur.
    mat_print : ndarray, shape (h, w), float32, or None
        How much of each pixel a printed dot of the mat covers, 0 to 1; None where no print is seen.
    rng : numpy.random.Generator

    Returns
    -------
    planted : PlantedDamage or None
        The mask is all that changed on the piece, what is gone included. None where no room was found.
    """
    weight = _outline_weight(piece, free, extent_mm * px_per_mm)
    if not weight.any():
        return None
    softened = cv2.GaussianBlur(piece.astype(np.float32), (0, 0), max(1.0, 0.3 * extent_mm * px_per_mm))
    for _ in range(MOST_TRIES):
        row, column = _draw_place(weight, rng)
        inwards = _slope_at(softened, row, column)
        window = _window_at(row, column, free.shape, extent_mm + BESIDE_MM, inwards - np.pi / 2, px_per_mm)
        bite = _draw_bite(window, extent_mm, rng.uniform(*WIDTHS_AT_OUTLINE) / 2, rng)
        on_piece = piece[window.rows, window.columns]
        changed = (bite.inside > 0) & on_piece
        here = free[window.rows, window.columns]
        if np.count_nonzero(changed) < 4 or not np.all(here[changed]):
            continue
        ragged = bite.inside + 0.08 * smooth_noise(changed.shape, 0.8 * px_per_mm, rng)
        gone = _from_outside(changed & (ragged > rng.uniform(*GONE_FROM)), on_piece, changed)
        if gone is None:
            continue
        light = linear_light(image_bgr[window.rows, window.columns])
        dots = None if mat_print is None else mat_print[window.rows, window.columns]
        behind = _behind(light, on_piece, gone, dots, px_per_mm=px_per_mm, blur_px=blur_px, rng=rng)
        if behind is None:
            continue
        _show_face(
            light, bite, changed, on_piece, hidden=HIDDEN_AT_OUTLINE, px_per_mm=px_per_mm, blur_px=blur_px, rng=rng
        )
        away = _away_mm(gone, px_per_mm)
        beyond = ~on_piece & (away < EDGE_MM) & (away < _away_mm(on_piece & ~gone, px_per_mm))
        soft = cv2.GaussianBlur((gone | beyond).astype(np.float32), (0, 0), blur_px)[..., None]
        light[:] = light * (1 - soft) + behind * soft
        planted = planted_in(image_bgr, window.rows, window.columns, light, changed)
        bare = np.zeros_like(planted.mask)
        bare[window.rows, window.columns] = gone
        return replace(planted, gone=bare)
    return None


def _draw_place(weight: NDArray[np.floating], rng: np.random.Generator) -> tuple[int, int]:
    """Row and column, the likelier the greater the weight."""
    rows, columns = np.nonzero(weight)
    summed = np.cumsum(weight[rows, columns], dtype=float)
    k = int(np.searchsorted(summed, rng.uniform(0, summed[-1])))
    return int(rows[k]), int(columns[k])


def _outline_weight(piece: NDArray[np.bool_], free: NDArray[np.bool_], reach_px: float) -> NDArray[np.float64]:
    """Places on the outline: what sticks out has little of the piece around it, and is knocked first."""
    inner = cv2.erode(piece.astype(np.uint8), np.ones((3, 3), dtype=np.uint8), borderValue=0) > 0
    around = cv2.GaussianBlur(piece.astype(np.float32), (0, 0), max(1.0, 0.5 * reach_px))
    return np.where(piece & free & ~inner, np.clip(1 - around, 0.05, 1) ** 4, 0.0)


def _slope_at(values: NDArray[np.float32], row: int, column: int) -> float:
    """Direction in which values grow at a place, rad from the columns' direction towards the rows'."""
    height, width = values.shape
    up, down = values[max(row - 1, 0), column], values[min(row + 1, height - 1), column]
    left, right = values[row, max(column - 1, 0)], values[row, min(column + 1, width - 1)]
    return float(np.arctan2(down - up, right - left))


def _window_at(
    row: int, column: int, shape: tuple[int, ...], reach_mm: float, turn_rad: float, px_per_mm: float
) -> _Window:
    reach = round(reach_mm * px_per_mm) + 2
    top, left = max(0, row - reach), max(0, column - reach)
    bottom, right = min(shape[0], row + reach + 1), min(shape[1], column + reach + 1)
    y, x = np.mgrid[top:bottom, left:right]
    x_mm, y_mm = (x - column) / px_per_mm, (y - row) / px_per_mm
    along = np.cos(turn_rad) * x_mm + np.sin(turn_rad) * y_mm
    inwards = -np.sin(turn_rad) * x_mm + np.cos(turn_rad) * y_mm
    return _Window(slice(top, bottom), slice(left, right), along, inwards)


def _draw_bite(window: _Window, extent_mm: float, width: float, rng: np.random.Generator) -> _Bite:
    """An ellipse with a jagged rim about the middle of the window, its half width a share of the extent."""
    x, y = window.x_mm / (0.5 * extent_mm), window.y_mm / (width * extent_mm)
    angle = np.arctan2(y, x)
    rim = np.ones_like(angle)
    for k in range(2, 20):
        rim += rng.normal(0, 0.2 / k) * np.cos(k * angle + rng.uniform(0, 2 * np.pi))
    inside = 1 - np.hypot(x, y) ** 2 / np.clip(rim, 0.4, 1.4) ** 2
    return _Bite(inside, extent_mm * float(rng.uniform(*DEPTHS)))


def _show_face(
    light: NDArray[np.float32],
    bite: _Bite,
    changed: NDArray[np.bool_],
    piece: NDArray[np.bool_],
    *,
    hidden: tuple[float, float],
    px_per_mm: float,
    blur_px: float,
    rng: np.random.Generator,
) -> None:
    """Put the broken face into the photo where it changed, in linear light."""
    shape, depth_mm = changed.shape, bite.depth_mm
    sunk = np.clip(bite.inside, 0, None) ** RIM_POWER
    rough = sum(0.65**k * smooth_noise(shape, 3.5 * 0.5**k * px_per_mm, rng) for k in range(4))
    rough = rough + 1.2 * np.maximum(smooth_noise(shape, 2.4 * px_per_mm, rng) - 0.9, 0)
    height_mm = -depth_mm * sunk + min(0.28, 0.12 * depth_mm + 0.05) * rough
    height_mm = cv2.GaussianBlur(height_mm, (0, 0), max(0.5, 0.08 * px_per_mm))
    slope_y, slope_x = np.gradient(height_mm, 1 / px_per_mm)
    turn, up, ambient = rng.uniform(0, 2 * np.pi), rng.uniform(0.5, 1.6), rng.uniform(0.25, 0.7)
    facing = (-slope_x * np.cos(turn) - slope_y * np.sin(turn) + up) / np.sqrt(1 + slope_x**2 + slope_y**2)
    shade = ambient + (1 - ambient) * np.maximum(facing, 0) / up
    change = np.log(np.maximum(shade, 0.08)) + np.log(FRESH_SHARE) + rng.normal(0, 0.12)
    change -= rng.uniform(*hidden) * sunk
    change += 0.05 * smooth_noise(shape, 3.0 * px_per_mm, rng) + 0.05 * smooth_noise(shape, 0.6 * px_per_mm, rng)
    for grain_mm, share in GRAINS:
        cut = np.clip((smooth_noise(shape, grain_mm * px_per_mm, rng) - 1.25) / 0.25, 0, 1)
        change += np.log(1 + cut * (share - 1))
    change = cv2.GaussianBlur(change, (0, 0), blur_px) + rng.normal(0, _grain_of(light, piece), shape)
    face = _light_around(light, piece, px_per_mm) * np.exp(change)[..., None]
    soft = cv2.GaussianBlur(changed.astype(np.float32), (0, 0), blur_px)[..., None]
    light[:] = light * (1 - soft) + face * soft


def _grain_of(light: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Noise and texture of single pixels, standard deviation of log light."""
    logs = np.log(light.mean(axis=2) + 1e-3)
    fine = np.abs(logs - cv2.GaussianBlur(logs, (0, 0), 1.0))[where]
    return float(1.48 * np.median(fine)) if fine.size else 0.0


def _light_around(light: NDArray[np.float32], where: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.float32]:
    """What light there is at each place, told from what lies around it in a region, colour by colour."""
    found = np.zeros_like(light)
    left = np.ones(where.shape, dtype=bool)
    for reach_mm in AROUND_MM:
        weight = cv2.GaussianBlur(where.astype(np.float32), (0, 0), reach_mm * px_per_mm)
        mean = cv2.GaussianBlur(light * where[..., None], (0, 0), reach_mm * px_per_mm)
        known = left & (weight > 0.05)
        found[known] = mean[known] / weight[known][:, None]
        left &= ~known
    if left.any() and where.any():
        found[left] = light[where].mean(axis=0)
    return cv2.GaussianBlur(found, (0, 0), 0.5 * px_per_mm)


def _from_outside(
    deep: NDArray[np.bool_], piece: NDArray[np.bool_], changed: NDArray[np.bool_]
) -> NDArray[np.bool_] | None:
    """What is gone: the deep parts that reach the outline, with the crumbs that they leave.

    None where nothing is gone, or more would be cut off than changed.
    """
    outline = cv2.dilate((~piece).astype(np.uint8), np.ones((3, 3), dtype=np.uint8)) > 0
    _, parts = cv2.connectedComponents(deep.astype(np.uint8))
    gone = deep & np.isin(parts, parts[deep & outline])
    if not gone.any():
        return None
    before, _ = cv2.connectedComponents(piece.astype(np.uint8))
    count, left, table, _ = cv2.connectedComponentsWithStats((piece & ~gone).astype(np.uint8))
    for part in np.argsort(table[1:, cv2.CC_STAT_AREA])[: max(0, count - before)] + 1:
        if np.any((left == part) & ~changed):
            return None
        gone = gone | (left == part)
    return gone


def _away_mm(region: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.float32]:
    """Distance of each place to a region. [mm]"""
    return np.asarray(cv2.distanceTransform((~region).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5) / px_per_mm)


def _behind(
    light: NDArray[np.float32],
    piece: NDArray[np.bool_],
    gone: NDArray[np.bool_],
    dots: NDArray[np.float32] | None,
    *,
    px_per_mm: float,
    blur_px: float,
    rng: np.random.Generator,
) -> NDArray[np.float32] | None:
    """What lies behind the piece where it is gone, in linear light; None where nothing beside it tells."""
    beside = _away_mm(piece, px_per_mm) > EDGE_MM
    if dots is not None:
        around_dots = cv2.dilate(dots, np.ones((5, 5), dtype=np.uint8))
        paper = _light_around(light, beside & (dots < 0.02), px_per_mm)
        inked = beside & (dots > 0.9)
        if np.count_nonzero(inked) > 20:
            ink = float(np.median((light / np.maximum(paper, 1e-4))[inked]))
            shown = paper * (1 - (1 - ink) * cv2.GaussianBlur(dots, (0, 0), blur_px)[..., None])
            grain = rng.normal(0, _grain_of(light, beside & (around_dots < 0.02)), piece.shape)
            return np.asarray(shown * np.exp(grain)[..., None], dtype=np.float32)
    around = _light_around(light, beside, px_per_mm)
    needed = cv2.dilate(gone.astype(np.uint8), np.ones((3, 3), dtype=np.uint8), iterations=round(px_per_mm)) > 0
    texture = np.asarray(light / np.maximum(around, 1e-4), dtype=np.float32)
    move = _most_alike(around, texture, beside, needed, rng)
    if move is None:
        return None
    return np.asarray(around * np.roll(texture, move, axis=(0, 1)), dtype=np.float32)


def _most_alike(
    around: NDArray[np.float32],
    texture: NDArray[np.float32],
    beside: NDArray[np.bool_],
    needed: NDArray[np.bool_],
    rng: np.random.Generator,
) -> tuple[int, int] | None:
    """Rows and columns by which to move what lies beside the piece, so that it covers what is needed and fits best.

    It fits where its light is about as bright, and where no edge of a shadow runs through it.
    """
    rows, columns = np.nonzero(needed)
    height, width = needed.shape
    best, best_misfit = None, np.inf
    wanted = around[rows, columns].mean(axis=0)
    for _ in range(MOST_MOVES):
        down = int(rng.integers(rows.max() - height + 1, rows.min() + 1))
        right = int(rng.integers(columns.max() - width + 1, columns.min() + 1))
        at = rows - down, columns - right
        if not np.all(beside[at]):
            continue
        brighter = np.log((around[at].mean(axis=0) + 1e-4) / (wanted + 1e-4))
        misfit = float(np.abs(brighter).mean() + texture[at].std())
        if misfit < best_misfit:
            best, best_misfit = (down, right), misfit
    return best

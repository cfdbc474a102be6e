"""Small photographs drawn in NumPy, with exactly known truth, for tests.

A piece is a height field on the mat, seen by a pinhole camera through ray marching, lit by one lamp with cast
shadow and by the sky. Quick and plain: enough to check geometry, light and breakage one at a time.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.mat import MAT_LAYOUTS
from inspector.imaging.speckle import mat_raster

GRID_PER_MM = 5.0  # height fields
FIELD_MM = (170.0, 120.0)


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A casting: heights over the mat, its own grain, and dark lines (cracks) painted on it."""

    height_mm: NDArray[np.float32]  # (600, 850), 0 where there is no piece
    albedo: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Shot:
    """How a piece is photographed."""

    px_per_mm: float = 5.0
    camera_mm: tuple[float, float, float] = (10.0, -15.0, 450.0)  # over the mat's centre
    look_at_mm: tuple[float, float] = (0.0, 0.0)
    roll_deg: float = 0.0
    piece_xy_mm: tuple[float, float] = (0.0, -5.0)
    piece_turn_deg: float = 0.0
    lamp: tuple[float, float, float] = (-0.6, -0.4, 0.8)  # towards the lamp, x right, y down, z up
    ambient: float = 0.45
    mat_albedo: float = 0.85
    speckle: bool = False
    mat: bool = True
    noise: float = 2.0
    blur_px: float = 0.8
    exposure: float = 1.0
    seed: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A drawn photo and what is true of it."""

    image_bgr: NDArray[np.uint8]
    photo_from_mat: NDArray[np.float64]
    piece_mask: NDArray[np.uint8]  # 255 where the piece is seen
    field_from_photo: NDArray[np.float32] = field(
        repr=False
    )  # (h, w, 2) height-field px seen at each photo px, -1 outside


def leaf(*, seed: int = 0, grain_seed: int | None = None) -> Piece:
    """A lobed leaf with veins on it, 150 x 100 mm and 18 mm thick at its middle, tips 3 mm wide."""
    height, width = round(FIELD_MM[1] * GRID_PER_MM), round(FIELD_MM[0] * GRID_PER_MM)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    x, y = (x - (width - 1) / 2) / GRID_PER_MM, (y - (height - 1) / 2) / GRID_PER_MM
    angle, radius = np.arctan2(y / 0.7, x), np.hypot(x, y / 0.7)
    shape = np.random.default_rng(seed)
    lobes = 7 + seed % 3
    edge = 52 + 16 * np.cos(lobes * angle + shape.uniform(0, 6)) + 4 * np.cos(3 * angle + shape.uniform(0, 6))
    inside = np.clip((edge - radius) / 1.2, 0, 1)
    dome = 6 + 12 * np.clip(1 - (radius / 72) ** 2, 0, 1)
    vein = np.abs(np.sin((lobes * angle + shape.uniform(0, 6)) / 2)) * radius
    relief = 2.2 * np.exp(-((vein / 2.5) ** 2)) + 1.5 * np.exp(-(((radius - 30) / 2) ** 2))
    grain = np.random.default_rng(seed if grain_seed is None else grain_seed)
    rough = _smooth_noise(grain, (height, width), 2) * 0.05 + _smooth_noise(grain, (height, width), 60) * 0.08
    field_mm = np.where(inside > 0, inside * (dome + relief) + rough * inside, 0)
    albedo = 0.42 + 0.02 * _smooth_noise(grain, (height, width), 1) + 0.03 * _smooth_noise(grain, (height, width), 40)
    return Piece(field_mm.astype(np.float32), np.clip(albedo, 0.05, 1).astype(np.float32))


def break_off(piece: Piece, centre_xy_mm: tuple[float, float], radius_mm: float, *, keep: float = 0.0) -> Piece:
    """Lower everything inside a circle to a part of its height (0: a missing feature)."""
    disc = _disc(piece, centre_xy_mm, radius_mm)
    return Piece(np.where(disc, piece.height_mm * keep, piece.height_mm), piece.albedo)


def scoop(
    piece: Piece, centre_xy_mm: tuple[float, float], radius_mm: float, depth_mm: float, *, seed: int = 0
) -> Piece:
    """A rough bowl taken out of the surface: a chip."""
    x, y = _coordinates(piece)
    across = np.hypot(x - centre_xy_mm[0], y - centre_xy_mm[1]) / radius_mm
    rough = 0.35 * _smooth_noise(np.random.default_rng(seed), piece.height_mm.shape, 3)
    bowl = depth_mm * np.clip(1 - across**2, 0, 1) * (1 + rough)
    lowered = np.where(piece.height_mm > 0, np.maximum(piece.height_mm - bowl, 0), 0)
    return Piece(lowered.astype(np.float32), piece.albedo)


def crack(piece: Piece, path_xy_mm: NDArray[np.float64], width_mm: float) -> Piece:
    """A dark line of the given width along a path, drawn at eight times the grid and averaged."""
    fine = 8
    height, width = piece.height_mm.shape
    middle = (np.array([width, height]) - 1) / 2
    points = ((path_xy_mm * GRID_PER_MM + middle + 0.5) * fine - 0.5) * 16
    canvas = np.zeros((height * fine, width * fine), dtype=np.uint8)
    cv2.polylines(
        canvas,
        [np.round(points).astype(np.int32)],
        False,
        255,
        max(1, round(width_mm * GRID_PER_MM * fine)),
        cv2.LINE_8,
        4,
    )
    cover = cv2.resize(canvas, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    return Piece(piece.height_mm, piece.albedo * (1 - 0.85 * cover))


def photograph(piece: Piece, shot: Shot) -> Scene:
    """Draw one photo."""
    layout = MAT_LAYOUTS["A4"]
    width_px, height_px = round(310 * shot.px_per_mm), round(232 * shot.px_per_mm)
    photo_from_mat, centre = _camera(shot, width_px, height_px)
    mat_from_photo = np.linalg.inv(photo_from_mat)
    y, x = np.mgrid[0:height_px, 0:width_px].astype(np.float32)
    pixels = np.stack([x, y], -1).reshape(1, -1, 2)
    on_mat = cv2.perspectiveTransform(pixels, mat_from_photo).reshape(height_px, width_px, 2)
    below = _to_field(on_mat, shot)  # where the ray of each pixel meets the mat, in height-field px
    above = _to_field(centre[:2].astype(np.float32), shot)

    top = float(piece.height_mm.max())
    steps = max(24, int(top / 0.4))
    hit_height = np.zeros((height_px, width_px), np.float32)
    seen = np.zeros((height_px, width_px), bool)
    # Only these pixels are looked for the piece in.
    over = _meeting(piece, below, below + (above - below) * np.float32(top / centre[2]))
    hit_height[over], seen[over] = _march(piece, below[over], above, float(centre[2]), top, steps)
    hit_height = np.minimum(hit_height, np.float32(top))
    at = below + (above - below) * (hit_height / np.float32(centre[2]))[..., None]

    lamp = np.array(shot.lamp) / np.linalg.norm(shot.lamp)
    turned = _turn(lamp[:2], -shot.piece_turn_deg)
    gy, gx = np.gradient(piece.height_mm * np.float32(GRID_PER_MM))
    facing = (-gx * turned[0] - gy * turned[1] + lamp[2]) / np.sqrt(gx**2 + gy**2 + 1)
    diffuse = np.where(seen, _sample(np.clip(facing, 0, None).astype(np.float32), at), np.float32(lamp[2]))
    shadow = np.zeros((height_px, width_px), np.float32)
    towards_lamp = (turned * GRID_PER_MM / lamp[2]).astype(np.float32)
    over = _meeting(piece, at, at + towards_lamp * np.float32(top))
    x, y = _planes(at[over])
    for h in np.linspace(0.6, top, 28, dtype=np.float32):
        there = cv2.remap(piece.height_mm, x + towards_lamp[0] * h, y + towards_lamp[1] * h, cv2.INTER_LINEAR)
        np.maximum(shadow[over], np.clip((there - hit_height[over] - h) / np.float32(0.6), 0, 1), out=shadow[over])
    light = shot.ambient + (1 - shot.ambient) * diffuse / lamp[2] * (1 - shadow)
    albedo = np.where(seen, _sample(piece.albedo, at), shot.mat_albedo)
    if shot.mat:
        sheet = _printed(speckle=shot.speckle)
        places = on_mat * 10 + (np.array(sheet.shape[::-1], np.float32) - 1) / 2
        print_ = (
            cv2.remap(sheet, places.astype(np.float32), None, cv2.INTER_LINEAR, borderValue=120).astype(np.float32)
            / 255
        )
        albedo = np.where(seen, albedo, shot.mat_albedo * (0.05 + 0.95 * print_))
        beyond = (np.abs(on_mat[..., 0]) > layout.page_mm[0] / 2) | (np.abs(on_mat[..., 1]) > layout.page_mm[1] / 2)
        albedo = np.where(beyond & ~seen, 0.3, albedo)
    linear = cv2.GaussianBlur((albedo * light * shot.exposure).astype(np.float32), (0, 0), shot.blur_px)
    rng = np.random.default_rng(shot.seed)
    value = 255 * np.clip(linear, 0, 1.2) ** (1 / 2.2) + rng.normal(0, shot.noise, linear.shape)
    colour = value[..., None] * np.array([0.97, 1.0, 1.02]) + rng.normal(0, shot.noise / 2, (*value.shape, 3))
    return Scene(
        image_bgr=np.clip(np.round(colour), 0, 255).astype(np.uint8),
        photo_from_mat=photo_from_mat,
        piece_mask=(seen * 255).astype(np.uint8),
        field_from_photo=np.where(seen[..., None], at, -1).astype(np.float32),
    )


def photo_xy(scene: Scene, point_xy_mm: tuple[float, float]) -> NDArray[np.float64]:
    """Where a point of the piece (in its own mm, as given to scoop and the like) is seen. [px]"""
    target = np.array(point_xy_mm) * GRID_PER_MM + (np.array([FIELD_MM[0], FIELD_MM[1]]) * GRID_PER_MM - 1) / 2
    distance = np.where(
        scene.field_from_photo[..., 0] < 0, np.inf, np.hypot(*(scene.field_from_photo - target).transpose(2, 0, 1))
    )
    row, column = np.unravel_index(np.argmin(distance), distance.shape)
    return np.array([column, row], dtype=float)


def _march(
    piece: Piece, below: NDArray[np.float32], above: NDArray[np.float32], centre_mm: float, top: float, steps: int
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Height at which the ray of each pixel meets the piece, from the top down, and whether it does."""
    hit_height = np.zeros(below.shape[:2], np.float32)
    missed = np.ones(below.shape[:2], bool)
    previous = np.full(below.shape[:2], -1, np.float32)
    (x, y), (x_up, y_up) = _planes(below), _planes(above - below)
    for h in np.linspace(top, 0, steps, dtype=np.float32)[:-1]:
        up = np.float32(h / centre_mm)
        gap = cv2.remap(piece.height_mm, x + x_up * up, y + y_up * up, cv2.INTER_LINEAR) - h
        new = missed & (gap >= 0)
        part = previous[new] / np.minimum(previous[new] - gap[new], -1e-6)
        hit_height[new] = h + (1 - part) * top / (steps - 1)
        missed &= ~new
        previous = gap
    return hit_height, ~missed


def _meeting(piece: Piece, one: NDArray[np.float32], other: NDArray[np.float32]) -> tuple[slice, slice]:
    """Rows and columns of the pixels whose way from one place to the other comes over the height field, or one."""
    on_it = np.ones(one.shape[:2], bool)
    for size, a, b in zip(piece.height_mm.shape[::-1], _planes(one), _planes(other), strict=True):
        on_it &= (np.maximum(a, b) > -1) & (np.minimum(a, b) < size)
    rows, columns = np.flatnonzero(on_it.any(axis=1)), np.flatnonzero(on_it.any(axis=0))
    return (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)) if rows.size else (slice(1), slice(1))


def _planes(xy: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Columns and rows by themselves, which NumPy reckons with ten times as fast as with pairs."""
    return np.ascontiguousarray(xy[..., 0]), np.ascontiguousarray(xy[..., 1])


@cache
def _printed(*, speckle: bool) -> NDArray[np.uint8]:
    """The mat at 10 px/mm."""
    sheet = mat_raster("A4", px_per_mm=20, speckle=speckle)
    return np.asarray(cv2.resize(sheet, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))


def _camera(shot: Shot, width_px: int, height_px: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    centre = np.array(shot.camera_mm)
    target = np.array([*shot.look_at_mm, 0.0])
    world = np.diag([1.0, 1.0, -1.0])  # heights up, the camera's z forwards
    forward = world @ (target - centre) / np.linalg.norm(target - centre)
    roll = np.radians(shot.roll_deg)
    right = np.cross([-np.sin(roll), np.cos(roll), 0.0], forward)
    right /= np.linalg.norm(right)
    rotation = np.vstack([right, np.cross(forward, right), forward])
    shift = -rotation @ (world @ centre)
    focal = shot.px_per_mm * float(np.linalg.norm(target - centre))
    camera = np.array([[focal, 0, (width_px - 1) / 2], [0, focal, (height_px - 1) / 2], [0, 0, 1.0]])
    return camera @ np.column_stack([rotation[:, 0], rotation[:, 1], shift]), centre


def _to_field(point_mm: NDArray[np.float32], shot: Shot) -> NDArray[np.float32]:
    moved = point_mm - np.array(shot.piece_xy_mm, np.float32)
    turned = _turn(moved, -shot.piece_turn_deg)
    return (turned * GRID_PER_MM + (np.array(FIELD_MM, np.float32) * GRID_PER_MM - 1) / 2).astype(np.float32)


def _turn(xy: NDArray[np.float64], angle_deg: float) -> NDArray[np.float64]:
    c, s = np.float32(np.cos(np.radians(angle_deg))), np.float32(np.sin(np.radians(angle_deg)))
    return np.stack([c * xy[..., 0] - s * xy[..., 1], s * xy[..., 0] + c * xy[..., 1]], -1)


def _sample(image: NDArray[np.float32], at: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.remap(image, at, None, cv2.INTER_LINEAR, borderValue=0))


def _smooth_noise(rng: np.random.Generator, shape: tuple[int, int], sigma_px: float) -> NDArray[np.float32]:
    noise = cv2.GaussianBlur(rng.normal(0, 1, shape).astype(np.float32), (0, 0), sigma_px)
    return noise / noise.std()


def _coordinates(piece: Piece) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    height, width = piece.height_mm.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    return (x - (width - 1) / 2) / GRID_PER_MM, (y - (height - 1) / 2) / GRID_PER_MM


def _disc(piece: Piece, centre_xy_mm: tuple[float, float], radius_mm: float) -> NDArray[np.bool_]:
    x, y = _coordinates(piece)
    return np.hypot(x - centre_xy_mm[0], y - centre_xy_mm[1]) < radius_mm

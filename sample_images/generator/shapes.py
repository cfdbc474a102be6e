"""Draw ornamental relief: signed distances and heights on a regular grid.

A piece lying in front of a camera is described by three fields over the plane it rests on:
``sdf`` (distance to the outline, negative inside), ``z1`` (its top) and ``z0`` (its underside).
This module has the few operations from which the molds are put together: limbs of varying
thickness, polygons, domes, smooth unions and band-limited noise.  All lengths are in mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

__all__ = [
    "Grid",
    "Limb",
    "dome",
    "limb",
    "noise",
    "polygon_sdf",
    "smooth_max",
    "smooth_min",
    "smoothstep",
    "spline",
    "text_sdf",
]

Field = NDArray[np.float32]


ROW = 4096


@dataclass(frozen=True, slots=True)
class Grid:
    """A regular grid; row 0 is the smallest y, so arrays are ``[y, x]`` with y up."""

    x0_mm: float
    y0_mm: float
    step_mm: float
    nx: int
    ny: int

    @classmethod
    def around(cls, x_mm: tuple[float, float], y_mm: tuple[float, float], step_mm: float) -> Grid:
        """The grid that covers a rectangle."""
        nx = int(np.ceil((x_mm[1] - x_mm[0]) / step_mm)) + 1
        ny = int(np.ceil((y_mm[1] - y_mm[0]) / step_mm)) + 1
        return cls(x_mm[0], y_mm[0], step_mm, nx, ny)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.ny, self.nx

    def xy(self) -> tuple[Field, Field]:
        """Coordinates of all nodes, as two arrays."""
        x = (self.x0_mm + self.step_mm * np.arange(self.nx)).astype(np.float32)
        y = (self.y0_mm + self.step_mm * np.arange(self.ny)).astype(np.float32)
        return np.broadcast_to(x, self.shape).copy(), np.broadcast_to(y[:, None], self.shape).copy()

    def resampled(self, step_mm: float) -> Grid:
        """The same rectangle with another step."""
        width_mm, height_mm = self.step_mm * (self.nx - 1), self.step_mm * (self.ny - 1)
        return Grid(self.x0_mm, self.y0_mm, step_mm, int(width_mm / step_mm) + 1, int(height_mm / step_mm) + 1)

    def resample(self, field: Field, to: Grid) -> Field:
        """Interpolate a field of this grid on the nodes of another one (cubic)."""
        cols = (to.x0_mm - self.x0_mm + to.step_mm * np.arange(to.nx)) / self.step_mm
        rows = (to.y0_mm - self.y0_mm + to.step_mm * np.arange(to.ny)) / self.step_mm
        map_x = np.broadcast_to(cols.astype(np.float32), to.shape).copy()
        map_y = np.broadcast_to(rows.astype(np.float32)[:, None], to.shape).copy()
        return cv2.remap(field, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)

    def to_index_xy(self, points_xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Column and row (fractional) of points given in mm."""
        return (np.asarray(points_xy, float) - [self.x0_mm, self.y0_mm]) / self.step_mm

    def sample(self, field: Field, points_xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Bilinear values of a field at points given in mm."""
        index = self.to_index_xy(points_xy).astype(np.float32)
        # OpenCV maps no more than 32767 points a row.
        rows = np.pad(index, ((0, -len(index) % ROW), (0, 0)), mode="edge").reshape(-1, ROW, 2)
        flat = cv2.remap(field, rows, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return flat.ravel()[: len(index)].astype(float)


@dataclass(frozen=True, slots=True, eq=False)
class Limb:
    """Distances to a curved axis of varying radius."""

    distance_mm: Field  # to the axis
    radius_mm: Field  # of the limb beside each node
    along: Field  # position along the axis, 0 to 1

    @property
    def sdf(self) -> Field:
        """Signed distance to the limb's side (about)."""
        return self.distance_mm - self.radius_mm


def smoothstep(x: Field | float) -> Field:
    """0 below 0, 1 above 1, smooth between."""
    t = np.clip(x, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def smooth_max(a: Field, b: Field | float, width: float) -> Field:
    """Maximum, rounded over ``width`` where the two are close."""
    h = np.clip(0.5 + 0.5 * (a - b) / width, 0.0, 1.0)
    return (b + (a - b) * h + width * h * (1.0 - h)).astype(np.float32)


def smooth_min(a: Field, b: Field | float, width: float) -> Field:
    """Minimum, rounded over ``width`` where the two are close."""
    return -smooth_max(-a, -np.asarray(b), width)


def spline(points: Sequence[Sequence[float]], count: int, *, closed: bool = False) -> NDArray[np.float64]:
    """Points of a smooth curve through the given ones, of any dimension."""
    knots = np.asarray(points, float)
    if closed:
        knots = np.vstack([knots, knots[:1]])
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(knots[:, :2], axis=0), axis=1) ** 0.6)])
    curve = CubicSpline(chord, knots, bc_type="periodic" if closed else "natural")
    return curve(np.linspace(0.0, chord[-1], count, endpoint=not closed))


def limb(grid: Grid, points: Sequence[Sequence[float]], radii: Sequence[float], *, count: int = 14) -> Limb:
    """A limb along a smooth curve through ``points``, with a radius at each of them."""
    knots = np.column_stack([np.asarray(points, float), np.asarray(radii, float)])
    curve = spline(knots, count) if len(knots) > 2 else np.linspace(knots[0], knots[-1], 2)
    curve[:, 2] = np.maximum(curve[:, 2], min(radii))
    x, y = grid.xy()
    best = np.full(grid.shape, np.inf, np.float32)
    distance, radius, along = (np.zeros(grid.shape, np.float32) for _ in range(3))
    for i, (start, end) in enumerate(pairwise(curve)):
        step = end[:2] - start[:2]
        u = np.clip(((x - start[0]) * step[0] + (y - start[1]) * step[1]) / max(step @ step, 1e-9), 0.0, 1.0)
        d = np.hypot(x - start[0] - u * step[0], y - start[1] - u * step[1])
        r = start[2] + u * (end[2] - start[2])
        nearer = d - r < best
        best = np.where(nearer, d - r, best)
        distance, radius = np.where(nearer, d, distance), np.where(nearer, r, radius)
        along = np.where(nearer, (i + u) / (len(curve) - 1), along)
    return Limb(distance.astype(np.float32), radius.astype(np.float32), along.astype(np.float32))


def dome(shape: Limb, ratio: float = 1.0) -> Field:
    """Height of a limb of elliptic section over its axis plane, 0 beside it."""
    return (ratio * np.sqrt(np.maximum(shape.radius_mm**2 - shape.distance_mm**2, 0.0))).astype(np.float32)


def polygon_sdf(grid: Grid, polygon_xy: NDArray[np.float64], *, oversampling: int = 4) -> Field:
    """Signed distance to a polygon given in mm, negative inside."""
    points = (grid.to_index_xy(polygon_xy) + 0.5) * oversampling - 0.5
    mask = np.zeros((grid.ny * oversampling, grid.nx * oversampling), np.uint8)
    cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 255, shift=4)
    return _mask_sdf(grid, mask, oversampling)


def text_sdf(grid: Grid, text: str, *, centre_xy: tuple[float, float], height_mm: float, stroke_mm: float) -> Field:
    """Signed distance to plain lettering."""
    oversampling = 4
    scale = oversampling / grid.step_mm
    mask = np.zeros((grid.ny * oversampling, grid.nx * oversampling), np.uint8)
    thickness = max(1, round(stroke_mm * scale))
    font_scale = cv2.getFontScaleFromHeight(cv2.FONT_HERSHEY_DUPLEX, round(height_mm * scale), thickness)
    (width, height), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_DUPLEX, font_scale, thickness)
    left = (centre_xy[0] - grid.x0_mm) * scale - width / 2
    top = mask.shape[0] - (centre_xy[1] - grid.y0_mm) * scale + height / 2
    cv2.putText(mask, text, (round(left), round(top)), cv2.FONT_HERSHEY_DUPLEX, font_scale, 255, thickness, cv2.LINE_AA)
    return _mask_sdf(grid, np.ascontiguousarray(mask[::-1]), oversampling)


def noise(shape: tuple[int, int], wavelength_px: float, rng: np.random.Generator, *, octaves: int = 1) -> Field:
    """Smooth random field of zero mean and unit spread, of about one wavelength.

    Each further octave halves the wavelength and the amplitude.
    """
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        step = max(wavelength_px / 2**octave / 2.0, 1.0)
        small = rng.standard_normal((int(shape[0] / step) + 4, int(shape[1] / step) + 4)).astype(np.float32)
        if step > 1.0:
            cols = (np.arange(shape[1]) / step + 1).astype(np.float32)
            rows = (np.arange(shape[0]) / step + 1).astype(np.float32)
            layer = cv2.remap(
                small,
                np.broadcast_to(cols, shape).copy(),
                np.broadcast_to(rows[:, None], shape).copy(),
                cv2.INTER_CUBIC,
            )
        else:
            layer = small[: shape[0], : shape[1]]
        total += layer * 0.5**octave
    return total / max(float(total.std()), 1e-9)


def _mask_sdf(grid: Grid, mask: NDArray[np.uint8], oversampling: int) -> Field:
    inside = cv2.distanceTransform((mask > 127).astype(np.uint8), cv2.DIST_L2, 5)
    outside = cv2.distanceTransform((mask <= 127).astype(np.uint8), cv2.DIST_L2, 5)
    fine = cv2.GaussianBlur(outside - inside, (0, 0), oversampling * 0.4)
    sdf = cv2.resize(fine, (grid.nx, grid.ny), interpolation=cv2.INTER_AREA)
    return (sdf * grid.step_mm / oversampling).astype(np.float32)

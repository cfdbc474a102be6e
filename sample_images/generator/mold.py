"""What a mold of the generator is, and the shapes that several molds share.

Lengths in mm, x to the right, y up, z towards the camera.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .shapes import Grid, spline

__all__ = ["STEP_MM", "Break", "Mold", "around", "beyond", "ring", "rounded_edge"]

STEP_MM = 0.2  # of the grid that molds are modelled on
Field = NDArray[np.float32]
Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Break:
    """A thin part that snaps off: everything beyond a cut across base-tip is lost."""

    feature: str
    base_xy: tuple[float, float]
    tip_xy: tuple[float, float]
    floor_mm: float | None = None  # height under a part that stands on relief; None: breaks through


@dataclass(frozen=True, slots=True, eq=False)
class Mold:
    """One mold, seen from above."""

    name: str
    title: str
    view: str
    material: str
    release_agent: str
    grid: Grid
    sdf: Field
    z1: Field
    z0: Field
    features: dict[str, Points] = field(default_factory=dict)  # outlines in mm
    breaks: tuple[Break, ...] = ()


def around(points: Sequence[Sequence[float]], half_widths: Sequence[float] | float, count: int = 24) -> Points:
    """Outline of a band along a curve, round at its far end."""
    axis = spline(points, count) if len(points) > 2 else np.linspace(points[0], points[-1], count)
    widths = (
        np.interp(np.linspace(0, 1, count), np.linspace(0, 1, np.size(half_widths)), np.atleast_1d(half_widths))
        if np.size(half_widths) > 1
        else np.full(count, float(np.max(half_widths)))
    )
    along = np.gradient(axis, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    across = np.column_stack([-along[:, 1], along[:, 0]])
    turn = np.linspace(np.pi / 2, -np.pi / 2, 9)[1:-1]
    cap = axis[-1] + widths[-1] * (np.cos(turn)[:, None] * along[-1] + np.sin(turn)[:, None] * across[-1])
    return np.vstack([axis + widths[:, None] * across, cap, (axis - widths[:, None] * across)[::-1]])


def ring(centre: tuple[float, float], radius_x: float, radius_y: float | None = None) -> Points:
    """Outline of an ellipse."""
    turn = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    return np.column_stack([centre[0] + radius_x * np.cos(turn), centre[1] + (radius_y or radius_x) * np.sin(turn)])


def rounded_edge(sdf: Field, radius: float) -> Field:
    """How far a rounded upper edge lies under the top."""
    inward = np.clip(1.0 + sdf / radius, 0.0, 1.0)
    return (radius * (1.0 - np.sqrt(1.0 - inward**2))).astype(np.float32)


def beyond(base: tuple[float, float], tip: tuple[float, float], by_mm: float) -> tuple[float, float]:
    """The point that lies a little past ``tip``, seen from ``base``."""
    axis = np.subtract(tip, base)
    end = np.asarray(tip) + by_mm * axis / np.linalg.norm(axis)
    return float(end[0]), float(end[1])

"""Break, chip, crack and scar a casting's relief, and remember what was done.

Every defect is an edit of the fields of a good casting, so that the good and the broken piece
differ only there.  A fracture is a rough surface that cuts the relief off from above; where it
goes under the underside, the outline moves.  Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, gaussian_filter, label
from scipy.spatial import cKDTree

from .mold import Break, Mold
from .shapes import Grid, noise, polygon_sdf, smoothstep

__all__ = ["PATH_STEP_MM", "Crack", "Defect", "Relief", "chip", "crack", "excess", "missing_feature", "surface_void"]

Field = NDArray[np.float32]
Points = NDArray[np.float64]
PATH_STEP_MM = 0.2  # between the points of a crack's path
FRACTURE_SLOPE = 1.8  # of a fracture face, steep but open to the camera


@dataclass(frozen=True, slots=True, eq=False)
class Relief:
    """A piece: outline, top, underside, and where its surface is a fresh fracture (0 to 1)."""

    grid: Grid
    sdf: Field
    z1: Field
    z0: Field
    fracture: Field


@dataclass(frozen=True, slots=True, eq=False)
class Crack:
    """A groove along a path; its width varies along it."""

    path_xy: Points  # (n, 2)
    width_mm: NDArray[np.float64]  # (n,) local width
    depth_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Defect:
    """One defect as made."""

    kind: str
    region: NDArray[np.bool_]  # nodes of the grid that it changed (empty for cracks)
    cracks: tuple[Crack, ...] = ()  # main path first, then branches
    depth_mm: float | None = None
    feature: str | None = None


def missing_feature(
    relief: Relief, mold: Mold, part: Break, size_mm: float, rng: np.random.Generator
) -> tuple[Relief, Defect]:
    """Snap off the last ``size_mm`` of a feature."""
    grid = relief.grid
    x, y = grid.xy()
    base, tip = np.array(part.base_xy), np.array(part.tip_xy)
    axis = (tip - base) / np.linalg.norm(tip - base)
    skew = rng.uniform(-0.35, 0.35)
    normal = np.array(
        [axis[0] * np.cos(skew) - axis[1] * np.sin(skew), axis[0] * np.sin(skew) + axis[1] * np.cos(skew)]
    )
    cut = tip - axis * min(size_mm, 0.97 * float(np.linalg.norm(tip - base)))
    beyond = (x - cut[0]) * normal[0] + (y - cut[1]) * normal[1]
    beyond = beyond + 0.8 * noise(grid.shape, 9.0 / grid.step_mm, rng, octaves=3)
    rough = _rough(grid, rng, 0.28)
    # A feature on relief ends at its own outline; one that stands free takes all beyond the cut.
    within = polygon_sdf(grid, mold.features[part.feature], oversampling=1)
    if part.floor_mm is None:
        within = np.maximum(within - 1.5, -beyond - 12.0)
        middle = float(grid.sample(0.5 * (relief.z1 + relief.z0), cut[None])[0])
        surface = middle - FRACTURE_SLOPE * beyond + rough
    else:
        within = within - 0.6
        scar = part.floor_mm + 0.9 + 2.0 * rough + 0.5 * noise(grid.shape, 6.0 / grid.step_mm, rng, octaves=2)
        surface = np.maximum(part.floor_mm + 4.0 - FRACTURE_SLOPE * beyond, np.maximum(scar, part.floor_mm - 0.4))
    surface = np.where(within < 0, surface, np.inf)
    if part.floor_mm is None:
        surface = _only_connected(surface < relief.z1, grid, tip, surface)
    broken, region = _cut(relief, surface)
    broken, lost = _drop_loose_parts(broken)
    return broken, Defect("missing feature", region | lost, feature=part.feature)


def chip(
    relief: Relief, at_xy: Points, *, length_mm: float, width_mm: float, depth_mm: float, rng: np.random.Generator
) -> tuple[Relief, Defect]:
    """Knock a scoop out of an edge; ``at_xy`` lies on the edge, the scoop reaches inward."""
    grid = relief.grid
    x, y = grid.xy()
    step = 1.5
    probe = at_xy + np.array([[0, 0], [step, 0], [-step, 0], [0, step], [0, -step]])
    outline = gaussian_filter(relief.sdf, 1.0 / grid.step_mm)
    if float(grid.sample(relief.sdf, at_xy[None])[0]) > -2.5:  # at the outline: inward is away from it
        s = grid.sample(outline, probe)
        inward = -np.array([s[1] - s[2], s[3] - s[4]])
    else:  # at an inner edge: towards the higher side
        z = grid.sample(gaussian_filter(relief.z1, 1.2 / grid.step_mm), probe)
        inward = np.array([z[1] - z[2], z[3] - z[4]])
    turn = rng.uniform(0, 2 * np.pi)
    inward = (
        inward / np.linalg.norm(inward) if np.linalg.norm(inward) > 1e-3 else np.array([np.cos(turn), np.sin(turn)])
    )
    across = (x - at_xy[0]) * inward[0] + (y - at_xy[1]) * inward[1]
    along = -(x - at_xy[0]) * inward[1] + (y - at_xy[1]) * inward[0]
    jag = 1.0 + 0.16 * noise(grid.shape, max(0.45 * length_mm, 1.0) / grid.step_mm, rng, octaves=3)
    top = float(grid.sample(relief.z1, (at_xy + inward * min(0.8, 0.3 * width_mm))[None])[0])
    scoop = 1.0 - ((along / (0.5 * length_mm)) ** 2 + (across / width_mm) ** 2) * jag
    skewed = scoop * (1.0 + 0.5 * rng.uniform(-1, 1) * along / length_mm)
    face = np.minimum(0.75 * relief.z1 + 0.25 * top, relief.z1)  # a face partly follows a steep relief
    surface = (
        face
        - depth_mm * np.sign(skewed) * np.abs(skewed) ** 0.42
        + _rough(grid, rng, min(0.18, 0.08 * depth_mm + 0.03))
    )
    surface = np.where(scoop > 0, surface, np.inf)
    broken, region = _cut(relief, surface)
    depth = float(np.max(np.where(region & (broken.sdf < 0), relief.z1 - broken.z1, 0.0), initial=0.0))
    return broken, Defect("chip", region, depth_mm=round(max(depth, 0.1), 2))


def crack(
    relief: Relief,
    *,
    start_xy: Points,
    heading: float,
    length_mm: float,
    width_mm: float,
    rng: np.random.Generator,
    branches: int = 0,
) -> Defect | None:
    """Lay a hairline over the piece; None where it would leave the piece too soon."""
    path = _walk(relief, start_xy, heading, length_mm, rng)
    if path is None:
        return None
    depth = float(max(1.0, min(3.0, rng.uniform(4, 7) * width_mm)))
    cracks = [Crack(path, _widths(len(path), width_mm, rng), depth)]
    for _ in range(branches):
        root = int(rng.integers(len(path) // 4, 3 * len(path) // 4))
        ahead = path[min(root + 5, len(path) - 1)] - path[root]
        side = np.arctan2(ahead[1], ahead[0]) + rng.choice([-1, 1]) * rng.uniform(0.5, 1.0)
        twig = _walk(relief, path[root], side, rng.uniform(0.2, 0.4) * length_mm, rng)
        if twig is not None:
            cracks.append(Crack(twig, _widths(len(twig), 0.7 * width_mm, rng), 0.7 * depth))
    return Defect("hairline crack", np.zeros(relief.grid.shape, bool), tuple(cracks), depth_mm=round(depth, 2))


def surface_void(
    relief: Relief, at_xy: Points, *, diameter_mm: float, rng: np.random.Generator
) -> tuple[Relief, Defect]:
    """Leave a trapped air bubble open at the surface."""
    grid = relief.grid
    x, y = grid.xy()
    squeeze, turn = rng.uniform(0.75, 1.0), rng.uniform(0, np.pi)
    u = (x - at_xy[0]) * np.cos(turn) + (y - at_xy[1]) * np.sin(turn)
    v = -(x - at_xy[0]) * np.sin(turn) + (y - at_xy[1]) * np.cos(turn)
    radius = 0.5 * diameter_mm * (1 + 0.09 * noise(grid.shape, 0.6 * diameter_mm / grid.step_mm, rng, octaves=2))
    inside = 1.0 - (u**2 + (v / squeeze) ** 2) / radius**2
    depth = rng.uniform(0.4, 0.65) * diameter_mm
    pit = depth * np.sqrt(np.clip(inside, 0, 1)) + np.where(inside > 0, _rough(grid, rng, 0.04), 0)
    z1 = np.maximum(relief.z1 - pit, np.minimum(relief.z0 + 0.4, relief.z1)).astype(np.float32)
    region = relief.z1 - z1 > 0.1
    return replace(relief, z1=z1), Defect("surface void", region, depth_mm=round(float((relief.z1 - z1).max()), 2))


def excess(
    relief: Relief, at_xy: Points, *, length_mm: float, reach_mm: float, rng: np.random.Generator
) -> tuple[Relief, Defect]:
    """Leave a fin of flash along the outline near ``at_xy``."""
    grid = relief.grid
    x, y = grid.xy()
    s = grid.sample(
        gaussian_filter(relief.sdf, 2.0 / grid.step_mm), at_xy + np.array([[1.5, 0], [-1.5, 0], [0, 1.5], [0, -1.5]])
    )
    outward = np.array([s[0] - s[1], s[2] - s[3]])
    outward /= max(float(np.linalg.norm(outward)), 1e-6)
    along = -(x - at_xy[0]) * outward[1] + (y - at_xy[1]) * outward[0]
    near = np.hypot(x - at_xy[0], y - at_xy[1]) < 0.5 * length_mm + reach_mm
    profile = np.sqrt(np.clip(1.0 - (2 * along / length_mm) ** 2, 0, 1))
    ragged = 1.0 + 0.22 * noise(grid.shape, 3.0 / grid.step_mm, rng, octaves=3)
    fin_sdf = np.where(near, relief.sdf - reach_mm * profile * np.clip(ragged, 0.3, 1.6), 1e3).astype(np.float32)
    inside_xy = at_xy - 1.5 * outward
    level = float(grid.sample(relief.z0, inside_xy[None])[0]) + rng.uniform(0.3, 1.2)
    thickness = rng.uniform(0.6, 1.1)
    fin_top = level + thickness + 0.1 * noise(grid.shape, 4.0 / grid.step_mm, rng, octaves=2)
    added = (fin_sdf < 0) & (relief.sdf >= 0)
    beside = relief.sdf >= -0.01
    z1 = np.where(beside, fin_top, relief.z1).astype(np.float32)
    z0 = np.where(beside, level, relief.z0).astype(np.float32)
    broken = replace(
        relief,
        sdf=np.minimum(relief.sdf, fin_sdf).astype(np.float32),
        z1=np.where(fin_sdf < 2, z1, relief.z1),
        z0=np.where(fin_sdf < 2, z0, relief.z0),
    )
    return broken, Defect("excess", added)


def _rough(grid: Grid, rng: np.random.Generator, amplitude_mm: float) -> Field:
    coarse = noise(grid.shape, 3.5 / grid.step_mm, rng, octaves=4)
    grains = np.maximum(noise(grid.shape, 2.4 / grid.step_mm, rng) - 0.9, 0.0)
    return (amplitude_mm * (coarse + 1.2 * grains)).astype(np.float32)


def _cut(relief: Relief, surface: Field) -> tuple[Relief, NDArray[np.bool_]]:
    lowered = np.minimum(relief.z1, surface).astype(np.float32)
    through = (relief.z0 + 0.25 - lowered) / FRACTURE_SLOPE  # positive where nothing is left
    sdf = np.maximum(relief.sdf, np.where(np.isfinite(surface), through, -np.inf)).astype(np.float32)
    changed = (relief.sdf < 0) & (relief.z1 - lowered > 0.02)
    region = changed & (relief.z1 - lowered > 0.08)
    fracture = np.maximum(relief.fracture, gaussian_filter(changed.astype(np.float32), 0.12 / relief.grid.step_mm))
    z1 = np.maximum(lowered, np.minimum(relief.z0 + 0.2, relief.z1))
    return replace(relief, sdf=sdf, z1=z1.astype(np.float32), fracture=fracture), region


def _only_connected(cut_off: NDArray[np.bool_], grid: Grid, tip: Points, surface: Field) -> Field:
    """Keep only the part of a cut that holds the tip, so that nothing else is lost behind it."""
    parts, _ = label(cut_off & np.isfinite(surface))
    col, row = np.round(grid.to_index_xy(tip)).astype(int)
    window = parts[max(row - 15, 0) : row + 16, max(col - 15, 0) : col + 16]
    hits = window[window > 0]
    if hits.size == 0:
        return surface
    return np.where(parts == np.bincount(hits).argmax(), surface, np.inf)


def _drop_loose_parts(relief: Relief) -> tuple[Relief, NDArray[np.bool_]]:
    """Take away what no longer hangs together with the piece; also where that was."""
    parts, count = label(relief.sdf < 0)
    if count < 2:
        return relief, np.zeros(relief.grid.shape, bool)
    loose = (parts > 0) & (parts != np.bincount(parts.ravel())[1:].argmax() + 1)
    reach = binary_dilation(loose, iterations=2)  # its rim, which the mesh would move onto the outline
    return replace(relief, sdf=np.where(reach, np.maximum(relief.sdf, relief.grid.step_mm), relief.sdf)), loose


def _widths(count: int, width_mm: float, rng: np.random.Generator) -> NDArray[np.float64]:
    sway = np.interp(
        np.arange(count), np.arange(0, count + 12, 12), rng.uniform(-0.25, 0.25, len(np.arange(0, count + 12, 12)))
    )
    taper = np.clip(np.minimum(np.arange(count), np.arange(count)[::-1]) / 20.0 + 0.3, 0, 1)
    return width_mm * (1 + sway) * taper


def _walk(relief: Relief, start: Points, heading: float, length_mm: float, rng: np.random.Generator) -> Points | None:
    step = PATH_STEP_MM
    count = int(length_mm / step)
    drift = np.cumsum(rng.normal(0, 0.05, count))
    jitter = (
        gaussian_filter(rng.normal(0, 1.0, count), 3.0) * 1.1 + gaussian_filter(rng.normal(0, 1.0, count), 12.0) * 1.6
    )
    turns = heading + drift - drift.mean() * 0.5 + jitter * 0.55
    path = start + np.vstack([[0, 0], np.cumsum(step * np.column_stack([np.cos(turns), np.sin(turns)]), axis=0)])
    inside = relief.grid.sample(relief.sdf, path) < -0.4
    fresh = relief.grid.sample(relief.fracture, path) < 0.1
    last = int(np.argmin(inside & fresh)) if not (inside & fresh).all() else len(path)
    return path[:last] if last * step >= 0.55 * length_mm else None


def nearest_on_path(crack_: Crack, points_xy: Points) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance of points to a crack's path, and its width there."""
    path = crack_.path_xy
    fine = np.linspace(0, len(path) - 1, 5 * len(path))
    dense = np.column_stack([np.interp(fine, np.arange(len(path)), path[:, k]) for k in range(2)])
    distance, index = cKDTree(dense).query(points_xy)
    return distance, np.interp(fine, np.arange(len(path)), crack_.width_mm)[index]


def groove_depth_mm(cracks: tuple[Crack, ...], points_xy: Points) -> NDArray[np.float64]:
    """How deep the cracks cut under points of the surface."""
    depth = np.zeros(len(points_xy))
    for one in cracks:
        distance, width = nearest_on_path(one, points_xy)
        flank = smoothstep((0.5 * width - distance) / (0.35 * width) + 0.5)
        depth = np.maximum(depth, one.depth_mm * flank)
    return depth

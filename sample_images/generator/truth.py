"""Ground truth of a photo, from what each pixel sees of the good and of the broken piece."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from .camera import Camera
from .defects import PATH_STEP_MM, Crack, Defect, Relief
from .shapes import polygon_sdf

__all__ = ["Pose", "crack_truth", "feature_outlines", "piece_openings", "piece_outline", "region_truth"]

Points = NDArray[np.float64]
CHANGED_MM = 0.12  # a pixel changed where its point moved by more
MIN_VISIBLE_PX = 14
LEAST_OPENING_PX2 = 12
BRIDGED_MM = 5.0  # a crack out of sight for less than this counts as one


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """Where a piece lies in the world."""

    world_from_piece: NDArray[np.float64]  # (4, 4), rigid

    def to_world(self, points: Points) -> Points:
        """World points of points of the piece."""
        return points @ self.world_from_piece[:3, :3].T + self.world_from_piece[:3, 3]

    def to_piece(self, points: NDArray[np.float32]) -> NDArray[np.float32]:
        """Points of the piece of world points."""
        return (points - self.world_from_piece[:3, 3].astype(np.float32)) @ self.world_from_piece[:3, :3].astype(
            np.float32
        )


def piece_outline(seen: NDArray[np.float32], corner_px: tuple[int, int]) -> list[list[float]]:
    """Silhouette of the piece in the photo."""
    return _largest_contour(np.isfinite(seen[..., 0]), corner_px)


def piece_openings(seen: NDArray[np.float32], corner_px: tuple[int, int]) -> list[list[list[float]]]:
    """What can be seen through the piece: the outline of each opening, along the last pixels of the piece."""
    contours, (levels,) = cv2.findContours(
        np.isfinite(seen[..., 0]).astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE
    )
    holes = [contour for contour, level in zip(contours, levels, strict=True) if level[3] >= 0]
    large = [hole for hole in holes if cv2.contourArea(hole) > LEAST_OPENING_PX2]
    return [(cv2.approxPolyDP(hole, 0.5, True)[:, 0] + np.array(corner_px)).astype(float).tolist() for hole in large]


def feature_outlines(
    seen: NDArray[np.float32], corner_px: tuple[int, int], pose: Pose, relief: Relief, features: dict[str, Points]
) -> dict[str, list[list[float]]]:
    """Outlines of the features as seen in the photo."""
    valid = np.isfinite(seen[..., 0])
    local = pose.to_piece(seen[valid])
    outlines = {}
    for name, polygon in features.items():
        inside = (polygon_sdf(relief.grid, polygon, oversampling=1) < 0).astype(np.uint8)
        picture = np.zeros(valid.shape, bool)
        picture[valid] = _lookup(inside, relief, local) > 0
        outline = _largest_contour(picture, corner_px, simplify_px=2.0)
        if outline:
            outlines[name] = outline
    return outlines


def region_truth(
    defects: list[Defect],
    good: NDArray[np.float32],
    broken: NDArray[np.float32],
    corner_px: tuple[int, int],
    pose: Pose,
    relief: Relief,
    camera: Camera,
    features: dict[str, Points],
) -> list[dict[str, Any] | None]:
    """Truth of each defect that changed the relief; None where the camera does not see it."""
    seen_good, seen_broken = np.isfinite(good[..., 0]), np.isfinite(broken[..., 0])
    with np.errstate(invalid="ignore"):
        moved = np.linalg.norm(good - broken, axis=-1) > CHANGED_MM
    changed = (seen_good != seen_broken) | (moved & seen_good & seen_broken)
    rows, cols = np.nonzero(changed)
    local_good, local_broken = pose.to_piece(good[rows, cols]), pose.to_piece(broken[rows, cols])
    world = np.where(seen_good[rows, cols, None], good[rows, cols], broken[rows, cols])
    taken = np.zeros(len(rows), bool)
    reach = max(1, round(0.6 / relief.grid.step_mm))
    found: list[dict[str, Any] | None] = []
    for defect in defects:
        region = binary_dilation(defect.region, iterations=reach).astype(np.uint8)
        mine = ((_lookup(region, relief, local_good) > 0) | (_lookup(region, relief, local_broken) > 0)) & ~taken
        taken |= mine
        picture = np.zeros(changed.shape, np.uint8)
        picture[rows[mine], cols[mine]] = 1
        scale = camera.focal_px / _depth_mm(world[mine], camera) if mine.any() else 1.0
        size = 2 * round(0.3 * scale) + 1
        picture = cv2.morphologyEx(picture, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
        polygon = _largest_contour(picture > 0, corner_px, simplify_px=0.4)
        area = _area(polygon)
        if area < MIN_VISIBLE_PX:
            found.append(None)
            continue
        hull = cv2.convexHull(np.array(polygon, np.float32))[:, 0].astype(float)
        extent = float(np.max(np.linalg.norm(hull[:, None] - hull[None], axis=2)))
        names = {}
        where = np.where(np.isfinite(local_good[mine, :1]), local_good[mine], local_broken[mine])
        for name, outline in features.items():
            inside = (polygon_sdf(relief.grid, outline, oversampling=1) < 0.5).astype(np.uint8)
            names[name] = float(np.mean(_lookup(inside, relief, where) > 0))
        best = max(names, key=lambda name: names[name]) if names else None
        feature = defect.feature or (best if best is not None and names[best] > 0.4 else None)
        found.append(
            {
                "kind": defect.kind,
                "polygon": polygon,
                "extent_mm": round(extent / scale, 2),
                "area_mm2": round(area / scale**2, 2),
                "depth_mm": defect.depth_mm,
                "width_mm": None,
                "length_mm": None,
                "feature": feature,
            }
        )
    return found


def crack_truth(
    defect: Defect,
    broken: NDArray[np.float32],
    corner_px: tuple[int, int],
    pose: Pose,
    relief: Relief,
    camera: Camera,
    features: dict[str, Points],
) -> list[dict[str, Any]]:
    """Truth of a crack: its path and band in the photo, its visible length, its mean width.

    One entry for each stretch of it that the camera sees; short gaps, as where it crosses a step of the relief, count
    as seen.  Branches belong to the stretch that they leave.
    """
    main, *branches = defect.cracks
    px, world, seen = _seen_path(main, broken, corner_px, pose, relief, camera)
    twigs = [(branch, *_seen_path(branch, broken, corner_px, pose, relief, camera)) for branch in branches]
    found = []
    for run in _runs(seen, bridge=round(BRIDGED_MM / PATH_STEP_MM), shortest=10):
        scale = camera.focal_px / _depth_mm(world[run], camera)
        strands = [(px[run], main.width_mm[run] * scale)]
        for branch, branch_px, _, branch_seen in twigs:
            root = int(np.argmin(np.linalg.norm(main.path_xy - branch.path_xy[0], axis=1)))
            if run.start <= root < run.stop and (ends := np.flatnonzero(branch_seen)).size >= 10:
                strands.append((branch_px[: ends[-1] + 1], branch.width_mm[: ends[-1] + 1] * scale))
        polygon = _band(strands)
        extent = float(np.max(np.linalg.norm(px[run][:, None] - px[run][None], axis=2)))
        feature = None
        for name, outline in features.items():
            inside = (polygon_sdf(relief.grid, outline, oversampling=1) < 0).astype(np.uint8)
            if np.mean(_lookup(inside, relief, main.path_xy[run]) > 0) > 0.5:
                feature = name
        found.append(
            {
                "kind": defect.kind,
                "polygon": polygon,
                "extent_mm": round(extent / scale, 2),
                "area_mm2": round(_area(polygon) / scale**2, 2),
                "depth_mm": defect.depth_mm,
                "width_mm": round(float(np.mean(main.width_mm[run])), 3),
                "length_mm": round(float(np.linalg.norm(np.diff(world[run], axis=0), axis=1).sum()), 2),
                "path": np.round(np.vstack([px[run][:-1:2], px[run][-1:]]), 2).tolist(),
                "feature": feature,
            }
        )
    return found


def _seen_path(
    one: Crack,
    broken: NDArray[np.float32],
    corner_px: tuple[int, int],
    pose: Pose,
    relief: Relief,
    camera: Camera,
) -> tuple[Points, Points, NDArray[np.bool_]]:
    """Pixels and world points of a path on the surface, and which of them are in sight."""
    height = relief.grid.sample(relief.z1, one.path_xy)
    world = pose.to_world(np.column_stack([one.path_xy, height]))
    px = camera.project(world)
    col, row = (np.round(px).astype(int) - corner_px).T
    inside = (row >= 0) & (col >= 0) & (row < broken.shape[0]) & (col < broken.shape[1])
    at = broken[np.clip(row, 0, broken.shape[0] - 1), np.clip(col, 0, broken.shape[1] - 1)]
    with np.errstate(invalid="ignore"):
        seen = inside & (np.linalg.norm(at - world, axis=1) < 1.0 + one.depth_mm)
    return px, world, seen


def _band(strands: list[tuple[Points, NDArray[np.float64]]]) -> list[list[float]]:
    """Outline of strands of varying width (at least a pixel), all in pixels."""
    fine = 4
    every = np.vstack([px for px, _ in strands])
    low = np.floor(every.min(axis=0)).astype(int) - 8
    canvas = np.zeros((np.ceil(every.max(axis=0)).astype(int) - low + 9)[::-1] * fine, np.uint8)
    for px, wide in strands:
        points = np.round((px - low + 0.5) * fine).astype(int).tolist()
        for (a, b), w in zip(pairwise(points), wide[1:].tolist(), strict=True):
            cv2.line(canvas, a, b, 1, max(1, round(max(w, 1.0) * fine)))
    canvas = cv2.morphologyEx(canvas, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(canvas, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = cv2.approxPolyDP(max(contours, key=cv2.contourArea), 1.2, True)[:, 0] / fine - 0.5 + low
    return np.round(contour, 2).tolist()


def _depth_mm(world: NDArray[np.float32], camera: Camera) -> float:
    return float(np.nanmean((world - camera.centre_mm) @ camera.world_to_camera[2]))


def _lookup(mask: NDArray[np.uint8], relief: Relief, points: NDArray[np.float32]) -> NDArray[np.uint8]:
    index = (points[:, :2] - [relief.grid.x0_mm, relief.grid.y0_mm]) / relief.grid.step_mm
    known = np.isfinite(index).all(axis=1)
    index = np.round(np.where(known[:, None], index, 0)).astype(int)
    col, row = np.clip(index[:, 0], 0, mask.shape[1] - 1), np.clip(index[:, 1], 0, mask.shape[0] - 1)
    return np.where(known, mask[row, col], 0)


def _largest_contour(
    mask: NDArray[np.bool_], corner_px: tuple[int, int], *, simplify_px: float = 0.5
) -> list[list[float]]:
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return []
    best = max(contours, key=cv2.contourArea)
    return (cv2.approxPolyDP(best, simplify_px, True)[:, 0] + np.array(corner_px)).astype(float).tolist()


def _area(polygon: list[list[float]]) -> float:
    return float(cv2.contourArea(np.array(polygon, np.float32))) if len(polygon) > 2 else 0.0


def _runs(seen: NDArray[np.bool_], *, bridge: int, shortest: int) -> list[slice]:
    """Stretches of a path that are in sight, joined over gaps of up to ``bridge`` points."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], seen.astype(int), [0]])))
    runs: list[list[int]] = []
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if runs and start - runs[-1][1] <= bridge:
            runs[-1][1] = end
        else:
            runs.append([start, end])
    return [slice(start, end) for start, end in runs if end - start >= shortest]

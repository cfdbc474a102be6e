"""Turn a relief into triangles: a top sheet, walls at the outline, fine patches along cracks."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .defects import Crack, Relief, groove_depth_mm

__all__ = ["Mesh", "mesh_relief", "write_ply"]


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """Triangles with a texture position at each vertex (0 to 1 over the relief's grid)."""

    vertices: NDArray[np.float32]  # (n, 3) mm
    uv: NDArray[np.float32]  # (n, 2)
    faces: NDArray[np.int32]  # (m, 3)


def mesh_relief(relief: Relief, cracks: tuple[Crack, ...] = (), *, crack_step_mm: float = 0.022) -> Mesh:
    """Mesh a relief; nodes beside the outline are moved onto it, so that it comes out smooth."""
    grid, step = relief.grid, relief.grid.step_mm
    x, y = grid.xy()
    grad_y, grad_x = np.gradient(relief.sdf, step)
    slope = np.maximum(grad_x**2 + grad_y**2, 0.25)
    near = np.abs(relief.sdf) < 0.6 * step
    shift = np.where(near, relief.sdf / slope, 0.0)
    x = (x - np.clip(shift * grad_x, -0.65 * step, 0.65 * step)).astype(np.float32)
    y = (y - np.clip(shift * grad_y, -0.65 * step, 0.65 * step)).astype(np.float32)
    kept = relief.sdf < 0.6 * step
    index = np.arange(grid.nx * grid.ny, dtype=np.int32).reshape(grid.shape)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    ka, kb, kc, kd = kept[:-1, :-1], kept[:-1, 1:], kept[1:, 1:], kept[1:, :-1]
    full = ka & kb & kc & kd
    refined = np.zeros_like(full)
    if cracks:
        refined = _cells_beside(relief, cracks) & full
    plain = full & ~refined
    faces = [np.stack([a[plain], b[plain], c[plain]], 1), np.stack([a[plain], c[plain], d[plain]], 1)]
    for p, q, r, missing in ((a, b, c, kd), (a, c, d, kb), (b, c, d, ka), (a, b, d, kc)):
        others = (ka.astype(int) + kb + kc + kd) == 3
        corner = others & ~missing
        faces.append(np.stack([p[corner], q[corner], r[corner]], 1))
    top = np.concatenate(faces)
    vertices = np.stack([x.ravel(), y.ravel(), relief.z1.ravel()], 1)
    uv = _uv(vertices[:, :2], relief)
    # Walls, from every edge that only one triangle has down to the underside.
    rim = np.abs(relief.sdf.ravel()) < 3.0 * step
    whole = np.concatenate(
        [top, np.stack([a[refined], b[refined], c[refined]], 1), np.stack([a[refined], c[refined], d[refined]], 1)]
    )
    candidates = whole[rim[whole].any(axis=1)]
    edges = np.concatenate([candidates[:, [0, 1]], candidates[:, [1, 2]], candidates[:, [2, 0]]]).astype(np.int64)
    key, back = edges[:, 0] * index.size + edges[:, 1], edges[:, 1] * index.size + edges[:, 0]
    border = edges[~np.isin(key, back)]
    border = border[rim[border].all(axis=1)]
    ends = np.unique(border)
    levels = 6
    depth = np.maximum(relief.z1.ravel()[ends] - relief.z0.ravel()[ends], 0.0)
    outward = np.stack([grad_x.ravel()[ends], grad_y.ravel()[ends]], 1)
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-6)
    layers, layer_uv = [], []
    for k in range(levels + 1):
        down = depth * k / levels
        points = vertices[ends].copy()
        points[:, 2] -= down
        layers.append(points)
        layer_uv.append(_uv(points[:, :2] + outward * down[:, None], relief))
    position = np.full(index.size, -1, np.int64)
    position[ends] = np.arange(len(ends))
    start, end = position[border[:, 0]], position[border[:, 1]]
    offset = len(vertices)
    walls = []
    for k in range(levels):
        upper, lower = offset + k * len(ends), offset + (k + 1) * len(ends)
        walls += [
            np.stack([upper + end, upper + start, lower + start], 1),
            np.stack([upper + end, lower + start, lower + end], 1),
        ]
    vertices = np.concatenate([vertices, *layers])
    uv = np.concatenate([uv, *layer_uv])
    parts = [top, *walls]
    if refined.any():
        patch, patch_faces = _patches(relief, x, y, np.argwhere(refined), cracks, crack_step_mm)
        parts.append(patch_faces + len(vertices))
        uv = np.concatenate([uv, _uv(patch[:, :2], relief)])
        vertices = np.concatenate([vertices, patch])
    faces_all = np.concatenate(parts).astype(np.int32)
    used = np.zeros(len(vertices), bool)
    used[faces_all] = True
    renumber = np.cumsum(used, dtype=np.int32) - 1
    return Mesh(vertices[used].astype(np.float32), uv[used].astype(np.float32), renumber[faces_all])


def write_ply(mesh: Mesh, path: Path, transform: NDArray[np.float64]) -> None:
    """Write a mesh, moved by a rigid (4, 4) transform, as binary PLY."""
    moved = mesh.vertices @ transform[:3, :3].T + transform[:3, 3]
    rows = np.zeros(len(moved), [("xyz", "<f4", 3), ("uv", "<f4", 2)])
    rows["xyz"], rows["uv"] = moved, mesh.uv
    faces = np.zeros(len(mesh.faces), [("count", "u1"), ("index", "<i4", 3)])
    faces["count"], faces["index"] = 3, mesh.faces
    with path.open("wb") as out:
        out.write(
            (
                f"ply\nformat binary_little_endian 1.0\nelement vertex {len(rows)}\n"
                "property float x\nproperty float y\nproperty float z\nproperty float u\nproperty float v\n"
                f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
            ).encode()
        )
        rows.tofile(out)
        faces.tofile(out)


def _uv(points: NDArray[np.float32], relief: Relief) -> NDArray[np.float32]:
    index = relief.grid.to_index_xy(points.astype(float)) + 0.5
    return (index / [relief.grid.nx, relief.grid.ny]).astype(np.float32)


def _cells_beside(relief: Relief, cracks: tuple[Crack, ...]) -> NDArray[np.bool_]:
    grid = relief.grid
    cells = np.zeros((grid.ny - 1, grid.nx - 1), bool)
    for one in cracks:
        path = one.path_xy
        fine = np.linspace(0, len(path) - 1, 4 * len(path))
        dense = np.column_stack([np.interp(fine, np.arange(len(path)), path[:, k]) for k in range(2)])
        column, row = np.floor(grid.to_index_xy(dense)).astype(int).T
        reach = int(np.ceil(0.7 * one.width_mm.max() / grid.step_mm)) + 1
        for dr in range(-reach, reach + 1):
            for dc in range(-reach, reach + 1):
                r, c = row + dr, column + dc
                ok = (r >= 0) & (c >= 0) & (r < cells.shape[0]) & (c < cells.shape[1])
                cells[r[ok], c[ok]] = True
    return cells


def _patches(
    relief: Relief,
    x: NDArray[np.float32],
    y: NDArray[np.float32],
    cells: NDArray[np.int64],
    cracks: tuple[Crack, ...],
    step_mm: float,
) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    k = int(np.ceil(relief.grid.step_mm / step_mm))
    s = np.arange(k + 1) / k
    v, u = np.meshgrid(s, s, indexing="ij")
    weights = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v]).reshape(4, -1)
    rows, cols = cells.T
    corners = [(rows, cols), (rows, cols + 1), (rows + 1, cols + 1), (rows + 1, cols)]
    fields = [np.stack([f[corner] for corner in corners], 1) @ weights for f in (x, y, relief.z1)]
    points = np.stack([f.ravel() for f in fields], 1)
    points[:, 2] -= groove_depth_mm(cracks, points[:, :2].astype(float))
    node = np.arange((k + 1) ** 2).reshape(k + 1, k + 1)
    a, b, c, d = node[:-1, :-1].ravel(), node[:-1, 1:].ravel(), node[1:, 1:].ravel(), node[1:, :-1].ravel()
    local = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    offsets = (np.arange(len(cells)) * (k + 1) ** 2)[:, None, None]
    return points.astype(np.float32), (local[None] + offsets).reshape(-1, 3)

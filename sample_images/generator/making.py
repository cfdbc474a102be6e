"""One photo from its plan, in three steps: prepare (geometry), render (Mitsuba), finish (photo, truth).

The steps exchange files in a folder, so that many processes can prepare and finish while one renders.
"""

from __future__ import annotations

import pickle
import shutil
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import defects as made
from .camera import Camera, aim
from .casting import cast, skin
from .defects import Defect, Relief
from .mesh import mesh_relief, write_ply
from .mold import Mold
from .molds import mold_named
from .photo import develop, encode
from .plan import DefectWish, PhotoPlan
from .surroundings import Light, bench_picture, light_named, mat_picture
from .truth import Pose, crack_truth, feature_outlines, piece_openings, piece_outline, region_truth

__all__ = ["Placed", "choose_variant", "finish", "placed", "prepare", "render"]

MESH_STEP_MM = {True: 0.10, False: 0.16}  # fine photos, others


@dataclass(frozen=True, slots=True, eq=False)
class _Prepared:
    plan: PhotoPlan
    camera: Camera
    light: Light
    pose: Pose
    relief: Relief  # of the piece as photographed
    defects: tuple[Defect, ...]
    reshaped: bool  # whether a good twin is needed for the truth


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Where a photo's piece lies and where its camera stood."""

    camera: Camera
    pose: Pose
    good: Relief  # the casting before anything broke


def placed(plan: PhotoPlan) -> Placed:
    """Camera and piece of a photo without a renderer: the same as in the photo, but for what broke off.

    A piece rests on the lowest points of its rim, found here without its mesh; a chip there lowers it by less than
    its depth.
    """
    good = cast(
        mold_named(plan.mold),
        plan.style,
        step_mm=MESH_STEP_MM[max(plan.size_px) > 3000],
        rng=np.random.default_rng([plan.seed, 1]),
    )
    rng = np.random.default_rng([plan.seed, 4])
    pose = _pose(plan, good, rng)
    rows, cols = np.nonzero(np.abs(good.sdf) < good.grid.step_mm)
    foot = np.column_stack(
        [good.grid.x0_mm + cols * good.grid.step_mm, good.grid.y0_mm + rows * good.grid.step_mm, good.z0[rows, cols]]
    )
    pose.world_from_piece[2, 3] = -float((foot @ pose.world_from_piece[2, :3]).min()) + 0.02
    return Placed(_camera(plan, good, pose, rng), pose, good)


def prepare(plan: PhotoPlan, folder: Path) -> Path:
    """Model the piece and its surroundings; write what the renderer needs."""
    folder.mkdir(parents=True, exist_ok=True)
    mold = mold_named(plan.mold)
    rng = np.random.default_rng([plan.seed, 1])
    fine = max(plan.size_px) > 3000
    good = cast(mold, plan.style, step_mm=MESH_STEP_MM[fine], rng=rng)
    piece, defects = _with_defects(good, mold, plan.wishes, np.random.default_rng([plan.seed, 2]))
    cracks = tuple(c for d in defects for c in d.cracks)
    surface = skin(piece, plan.style, np.random.default_rng([plan.seed, 3]))
    rng = np.random.default_rng([plan.seed, 4])
    pose = _pose(plan, good, rng)
    mesh = mesh_relief(piece, cracks)
    low = float((mesh.vertices @ pose.world_from_piece[2, :3]).min())
    pose.world_from_piece[2, 3] = -low + 0.02
    write_ply(mesh, folder / "piece.ply", pose.world_from_piece)
    reshaped = any(d.region.any() for d in defects)
    if reshaped:
        write_ply(mesh_relief(good), folder / "good.ply", pose.world_from_piece)
    camera = _camera(plan, good, pose, rng)
    np.save(folder / "colour.npy", surface.colour.astype(np.float16))
    np.save(folder / "roughness.npy", surface.roughness.astype(np.float16))
    if plan.mat_tint is not None:
        wet = plan.piece_xy if plan.style.wet > 0 and rng.random() < 0.5 else None
        np.save(folder / "mat.npy", mat_picture(plan.mat_tint, plan.speckle, rng, wet_at=wet).astype(np.float16))
    np.save(folder / "bench.npy", _bench(plan.bench, plan.seed % 3))
    light = light_named(plan.light, np.random.default_rng([plan.seed, 5]), camera.centre_mm)
    # The truth needs no colours, only these.
    ready = _Prepared(plan, camera, light, pose, piece, tuple(defects), reshaped)
    (folder / "prepared.pickle").write_bytes(pickle.dumps(ready))
    return folder


def choose_variant(variant: str) -> None:
    """Make this process ready to render with a Mitsuba variant."""
    import mitsuba  # a development dependency that only the renderer needs

    mitsuba.set_variant(variant)


def render(folder: Path, *, samples: int) -> Path:
    """Path-trace a prepared photo."""
    from .scene import render_photo, visible_points

    ready: _Prepared = pickle.loads((folder / "prepared.pickle").read_bytes())
    mat = np.load(folder / "mat.npy").astype(np.float32) if (folder / "mat.npy").exists() else None
    radiance = render_photo(
        folder / "piece.ply",
        np.load(folder / "colour.npy").astype(np.float32),
        np.load(folder / "roughness.npy").astype(np.float32),
        mat,
        np.load(folder / "bench.npy").astype(np.float32),
        ready.light,
        ready.camera,
        samples=samples,
        seed=ready.plan.seed % 2**31,
    )
    np.save(folder / "radiance.npy", np.minimum(radiance, 6e4).astype(np.float16))
    for which in ("piece", "good"):
        if (folder / f"{which}.ply").exists():
            np.save(folder / f"seen_{which}.npy", visible_points(folder / f"{which}.ply", ready.camera, seed=1))
            (folder / f"{which}.ply").unlink()
    return folder


def finish(folder: Path, photo: Path) -> dict[str, Any]:
    """Develop and store the photo; give its ground truth.  Empties the folder."""
    ready: _Prepared = pickle.loads((folder / "prepared.pickle").read_bytes())
    plan = ready.plan
    radiance = np.load(folder / "radiance.npy").astype(np.float32)
    picture = develop(radiance, plan, ready.light, np.random.default_rng([plan.seed, 6]))
    photo.parent.mkdir(parents=True, exist_ok=True)
    photo.write_bytes(encode(picture, plan))
    broken = np.load(folder / "seen_piece.npy")
    good = np.load(folder / "seen_good.npy") if ready.reshaped else broken
    truth = _truth(ready, good, broken)
    shutil.rmtree(folder)
    return truth


def _truth(ready: _Prepared, good: NDArray[np.float32], broken: NDArray[np.float32]) -> dict[str, Any]:
    plan, camera = ready.plan, ready.camera
    rows, cols = np.nonzero(np.isfinite(good[..., 0]) | np.isfinite(broken[..., 0]))
    corner = (max(int(cols.min()) - 4, 0), max(int(rows.min()) - 4, 0))
    window = np.s_[corner[1] : int(rows.max()) + 5, corner[0] : int(cols.max()) + 5]
    good, broken = good[window], broken[window]
    features = mold_named(plan.mold).features
    shaped = [d for d in ready.defects if d.region.any()]
    seen = (good, broken, corner, ready.pose, ready.relief, camera, features)
    found = [[row] if row else [] for row in region_truth(shaped, *seen)] if shaped else []
    found += [crack_truth(d, *seen[1:]) for d in ready.defects if d.cracks]
    notes = list(plan.notes) + ["defect out of sight"] * (len(ready.defects) - sum(map(bool, found)))
    visible = [row for rows in found for row in rows]
    mat = "none" if plan.mat_tint is None else "A4 speckle" if plan.speckle else "A4 plain"
    truth: dict[str, Any] = {
        "photo": f"{plan.name}.jpg",
        "mold": plan.folder,
        "view": mold_named(plan.folder).view,
        "split": plan.split,
        "px_per_mm": round(camera.px_per_mm(), 4),
        "mat": mat,
        "mat_tint": plan.mat_tint,
        "light": plan.light,
        "bench": plan.bench,
        "good": not visible and plan.unusable is None,
        "notes": notes,
        "camera": {
            "height_mm": round(float(camera.centre_mm[2]), 1),
            "tilt_deg": round(camera.tilt_deg(), 2),
            "focal_px": round(camera.focal_px, 2),
            "exif": plan.exif,
            "size_px": [camera.width_px, camera.height_px],
        },
        "photo_from_mat": np.round(camera.photo_from_mat(), 8).tolist(),
        "piece_outline": piece_outline(broken, corner),
        "piece_openings": piece_openings(broken, corner),
        "defects": visible,
        "seed": plan.seed,
        "style": asdict(plan.style),
    }
    if plan.mold != plan.folder:
        truth["shows"] = plan.mold
    if plan.unusable is not None:
        truth["unusable"] = plan.unusable
    if plan.reference:
        truth["features"] = feature_outlines(broken, corner, ready.pose, ready.relief, features)
    return truth


def _with_defects(
    good: Relief, mold: Mold, wishes: tuple[DefectWish, ...], rng: np.random.Generator
) -> tuple[Relief, list[Defect]]:
    piece, defects = good, []
    taken: list[NDArray[np.float64]] = []
    for wish in sorted(wishes, key=lambda w: w.kind == "hairline crack"):
        if wish.kind == "missing feature":
            fitting = [b for b in mold.breaks if np.linalg.norm(np.subtract(b.tip_xy, b.base_xy)) >= wish.size_mm]
            longest = max(mold.breaks, key=lambda b: float(np.linalg.norm(np.subtract(b.tip_xy, b.base_xy))))
            part = fitting[int(rng.integers(len(fitting)))] if fitting else longest
            piece, defect = made.missing_feature(piece, mold, part, wish.size_mm, rng)
        elif wish.kind == "chip":
            at = _edge_point(piece, rng, taken, inner=rng.random() < 0.35)
            piece, defect = made.chip(
                piece,
                at,
                length_mm=wish.size_mm,
                width_mm=wish.size_mm * rng.uniform(0.35, 0.6),
                depth_mm=float(np.clip(wish.size_mm * rng.uniform(0.28, 0.5), 0.5, 5.0)),
                rng=rng,
            )
            taken.append(at)
        elif wish.kind == "surface void":
            at = _inner_point(piece, rng, 6.0, taken)
            piece, defect = made.surface_void(piece, at, diameter_mm=wish.size_mm, rng=rng)
            taken.append(at)
        elif wish.kind == "excess":
            at = _edge_point(piece, rng, taken, inner=False)
            piece, defect = made.excess(
                piece, at, length_mm=rng.uniform(2.5, 5) * wish.size_mm, reach_mm=wish.size_mm, rng=rng
            )
            taken.append(at)
        else:
            defect = _crack(piece, wish.size_mm, rng, taken)
        defects.append(defect)
    return piece, defects


def _crack(piece: Relief, width_mm: float, rng: np.random.Generator, taken: list[NDArray[np.float64]]) -> Defect:
    length = float(np.exp(rng.uniform(np.log(15), np.log(80))))
    for attempt in range(200):
        if rng.random() < 0.6:
            start = _edge_point(piece, rng, taken, inner=False)
            probe = start + 1.5 * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
            s = piece.grid.sample(piece.sdf, probe)
            heading = float(np.arctan2(s[3] - s[2], s[1] - s[0]) + rng.normal(0, 0.5))
            start = start + 0.7 * np.array([np.cos(heading), np.sin(heading)])
        else:
            start, heading = _inner_point(piece, rng, 3.0, taken), float(rng.uniform(0, 2 * np.pi))
        found = made.crack(
            piece,
            start_xy=start,
            heading=heading,
            length_mm=max(length * 0.985**attempt, 8.0),
            width_mm=width_mm,
            rng=rng,
            branches=int(rng.random() < 0.3),
        )
        if found is not None:
            return found
    raise RuntimeError("No place for a crack on this piece.")


def _edge_point(
    piece: Relief, rng: np.random.Generator, taken: list[NDArray[np.float64]], *, inner: bool
) -> NDArray[np.float64]:
    """A point on the outline, or on an inner edge that stands out."""
    step = piece.grid.step_mm
    if inner:
        standing = cv2.GaussianBlur(piece.z1, (0, 0), 0.5 / step) - cv2.GaussianBlur(piece.z1, (0, 0), 2.2 / step)
        inside = piece.sdf < -4
        candidates = np.argwhere(inside & (standing > np.quantile(standing[inside], 0.93)))
    else:
        candidates = np.argwhere((np.abs(piece.sdf) < 0.6 * step) & (piece.fracture < 0.1))
    return _clear(candidates, piece, rng, taken)


def _inner_point(
    piece: Relief, rng: np.random.Generator, margin_mm: float, taken: list[NDArray[np.float64]]
) -> NDArray[np.float64]:
    candidates = np.argwhere(piece.sdf < -margin_mm)
    if len(candidates) < 200:
        candidates = np.argwhere(piece.sdf < -0.4 * margin_mm)
    return _clear(candidates, piece, rng, taken)


def _clear(
    candidates: NDArray[np.int64], piece: Relief, rng: np.random.Generator, taken: list[NDArray[np.float64]]
) -> NDArray[np.float64]:
    for _ in range(50):
        row, col = candidates[int(rng.integers(len(candidates)))]
        at = np.array([piece.grid.x0_mm + col * piece.grid.step_mm, piece.grid.y0_mm + row * piece.grid.step_mm])
        if all(np.linalg.norm(at - other) > 20 for other in taken):
            break
    return at


def _pose(plan: PhotoPlan, good: Relief, rng: np.random.Generator) -> Pose:
    inside = np.argwhere(good.sdf < 0)
    middle = 0.5 * (inside.min(axis=0) + inside.max(axis=0))[::-1] * good.grid.step_mm + [
        good.grid.x0_mm,
        good.grid.y0_mm,
    ]
    turn, lean, about = np.deg2rad(plan.piece_turn_deg), np.deg2rad(plan.piece_lean_deg), rng.uniform(0, 2 * np.pi)
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    axis = np.array([np.cos(about), np.sin(about), 0.0])
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    matrix = np.eye(4)
    matrix[:3, :3] = (np.eye(3) + np.sin(lean) * cross + (1 - np.cos(lean)) * cross @ cross) @ spin
    matrix[:2, 3] = np.array(plan.piece_xy) - (matrix[:3, :3] @ [*middle, 0.0])[:2]
    return Pose(matrix)


def _camera(plan: PhotoPlan, good: Relief, pose: Pose, rng: np.random.Generator) -> Camera:
    """Aim as planned, and step back until what must be seen is in the frame."""
    rows, cols = np.nonzero(np.abs(good.sdf) < good.grid.step_mm)
    rim = np.column_stack(
        [good.grid.x0_mm + cols * good.grid.step_mm, good.grid.y0_mm + rows * good.grid.step_mm, good.z1[rows, cols]]
    )
    must = pose.to_world(rim[::7].astype(float))
    if plan.mat_tint is not None:
        half = np.array([260, 180]) / 2 + 12.5
        corners = np.array([(sx * half[0], sy * half[1], 0.0) for sx in (-1, 1) for sy in (-1, 1)])
        must = np.vstack([must, corners])
    target, scale = np.array(plan.target_xy), plan.px_per_mm
    if plan.unusable == "cut off":
        away = rng.uniform(0, 2 * np.pi)
        target = target + rng.uniform(120, 150) * np.array([np.cos(away), 0.8 * np.sin(away)])
    for _ in range(40):
        camera = aim(
            *plan.size_px,
            plan.focal_35mm,
            px_per_mm=scale,
            target_xy=(float(target[0]), float(target[1])),
            tilt_deg=plan.tilt_deg,
            tilt_towards_deg=plan.tilt_towards_deg,
            roll_deg=plan.roll_deg,
        )
        px = camera.project(must)
        edge = 0.006 * camera.width_px
        if plan.unusable == "cut off" or ((px > edge) & (px < np.array(plan.size_px) - edge)).all():
            return camera
        target, scale = 0.85 * target, 0.985 * scale
    return camera


@lru_cache(maxsize=4)
def _bench(kind: str, variant: int) -> NDArray[np.float16]:
    return bench_picture(kind, np.random.default_rng([variant, len(kind), ord(kind[0])])).astype(np.float16)

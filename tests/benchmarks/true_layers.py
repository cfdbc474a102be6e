"""Lay photos onto the plan of their piece by the truth, once, and keep that: what matching learns from.

    python -m tests.benchmarks.true_layers FOLDER [FOLDER...] --out DIR

The generator knows where each point of a piece lies in each photo, so that the photos of a mold come to lie over one
another to a hundredth of a millimetre, whatever the camera. One small file a mold. Only folders of the tuning split
belong here.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.reading import read_photo
from inspector.inspection.view import FRAME_PX_PER_MM, look_at
from sample_images.generator.making import Placed, placed
from sample_images.generator.plan import plan_set
from tests.benchmarks.aligned_mold import exact, lossy
from tests.benchmarks.alignment import is_seen, plans_by_seed
from tests.benchmarks.bench_folder import BenchMold
from tests.benchmarks.keeping_molds import keep_molds
from tests.benchmarks.true_mold import TrueMold, TruePhoto

MARGIN_MM = 6.0
# What hides a place from the camera is looked for on a raster this coarse.
SEEN_STEP_MM = 1.0


@dataclass(frozen=True, slots=True)
class _Raster:
    """Points of the plan, row by row from the top, x to the right and y up."""

    left_mm: float
    top_mm: float
    width: int
    height: int

    def points(self, step_mm: float) -> tuple[NDArray[np.float64], tuple[int, int]]:
        """Points (n, 2) at a step, and how many rows and columns of them."""
        columns = np.arange(0, self.width / FRAME_PX_PER_MM, step_mm)
        rows = np.arange(0, self.height / FRAME_PX_PER_MM, step_mm)
        x, y = np.meshgrid(self.left_mm + columns, self.top_mm - rows)
        return np.column_stack([x.ravel(), y.ravel()]), x.shape


def lay_mold(job: tuple[BenchMold, Path]) -> str:
    """Lay the references and usable photos of one mold onto its plan and keep them."""
    mold, kept = job
    cv2.setNumThreads(1)
    known = plans_by_seed()
    usable = [(path, truth) for path, truth in mold.photos if not truth.get("unusable")]
    (set_name,) = {known[truth["seed"]][0] for _, truth in usable}
    plans = {(plan.folder, plan.name): plan for plan in plan_set(set_name)}
    todo = [(path, plans[mold.name, path.stem], ()) for path in sorted(mold.folder.glob("r[0-9].jpg"))]
    todo += [(path, known[truth["seed"]][1], truth["defects"]) for path, truth in usable]
    raster: _Raster | None = None
    mask = np.zeros(0, dtype=np.uint8)
    photos = []
    for path, plan, defects in todo:
        there = placed(plan)
        if raster is None:
            raster = _raster_around(there)
            points, shape = raster.points(1 / FRAME_PX_PER_MM)
            inside = there.good.grid.sample(there.good.sdf, points) < 0
            mask = np.where(inside.reshape(shape), 255, 0).astype(np.uint8)
        photos.append(_lay(path, there, raster, defects))
    kept.write_bytes(pickle.dumps(TrueMold(mold.name, exact(mask), tuple(photos))))
    return f"{kept.name}: {len(photos)} photos"


def _raster_around(one: Placed) -> _Raster:
    grid = one.good.grid
    inside = np.argwhere(one.good.sdf < 0)
    (low_row, low_column), (high_row, high_column) = inside.min(axis=0), inside.max(axis=0)
    left = grid.x0_mm + low_column * grid.step_mm - MARGIN_MM
    top = grid.y0_mm + high_row * grid.step_mm + MARGIN_MM
    width_mm = (high_column - low_column) * grid.step_mm + 2 * MARGIN_MM
    height_mm = (high_row - low_row) * grid.step_mm + 2 * MARGIN_MM
    return _Raster(left, top, round(width_mm * FRAME_PX_PER_MM), round(height_mm * FRAME_PX_PER_MM))


def _lay(path: Path, there: Placed, raster: _Raster, defects: tuple[dict[str, Any], ...]) -> TruePhoto:
    view = look_at(read_photo(path.read_bytes(), name=path.name), thorough=False)
    points, shape = raster.points(1 / FRAME_PX_PER_MM)
    xy = there.camera.project(_on_top(there, points)).reshape(1, -1, 2)
    frame_xy = cv2.perspectiveTransform(xy, np.linalg.inv(view.frame.photo_from_frame))
    frame_xy = frame_xy.reshape(*shape, 2).astype(np.float32)
    gray = cv2.remap(view.frame_gray, frame_xy, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    coarse, coarse_shape = raster.points(SEEN_STEP_MM)
    seen = is_seen(there, _on_top(there, coarse)).reshape(coarse_shape).astype(np.uint8)
    seen = cv2.resize(seen, shape[::-1], interpolation=cv2.INTER_NEAREST)
    broken = np.zeros(view.gray.shape, dtype=np.uint8)
    for defect in defects:
        cv2.fillPoly(broken, [np.round(np.array(defect["polygon"], dtype=float)).astype(np.int32)], 1)
    on_photo = cv2.perspectiveTransform(frame_xy.reshape(1, -1, 2), view.frame.photo_from_frame)
    whole = cv2.remap(broken, on_photo.reshape(*shape, 2).astype(np.float32), None, cv2.INTER_NEAREST) == 0
    height, width = view.frame_gray.shape
    framed = (frame_xy > 1).all(axis=2) & (frame_xy < np.array([width - 2, height - 2])).all(axis=2)
    return TruePhoto(str(path), lossy(gray), exact(((seen > 0) & whole & framed).astype(np.uint8)))


def _on_top(there: Placed, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """World points of the surface over points of the plan; beside the piece, of the mat."""
    good = there.good
    height = np.where(good.grid.sample(good.sdf, points) < 0, good.grid.sample(good.z1, points), 0.0)
    return there.pose.to_world(np.column_stack([points, height]))


if __name__ == "__main__":
    keep_molds(__doc__, lay_mold)

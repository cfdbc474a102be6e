"""How well photos align with references, each alone and several together, in mm against the truth.

Pieces of one mold are the same body up to a tenth of a millimetre, and the generator knows camera and pose of every
photo, so that it can tell exactly where a point of the surface lies in the reference's photo and where in the other.
The engine is asked to carry the point from the reference to the photo; how far it comes out from the truth, in mm at
the depth of the point, is the residual. Of several references combined, the one whose frame the others were brought
into is asked. Points that either camera does not see, and those on
a defect, are left out. A pair is aligned when the photo is taken for the mold's and half of the points come out within
1 mm, which is as far as a finding may lie beside a defect to hit it. A tile that looks alike from more than one side
may be laid onto itself turned; that is told apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import contains_xy, union_all

from inspector.aligning.warp import Warp
from inspector.imaging.reading import read_photo
from inspector.inspection import MoldModel, combine, prepare_reference
from inspector.inspection.inspecting import match_model
from inspector.inspection.view import View, look_at
from inspector.workshop.mold_folder import read_mold_folder
from sample_images.generator.defects import Relief
from sample_images.generator.making import Placed, placed
from sample_images.generator.plan import SETS, PhotoPlan, plan_set
from tests.benchmarks.bench_folder import BenchMold
from tests.benchmarks.judging import polygon

ALIGNED_WITHIN_MM = 1.0
POINTS = 1500
# Near the outline a point may be hidden by the piece's own rim; defects change the surface a little beyond their edge.
INSIDE_MM = 1.0
BESIDE_DEFECT_MM = 1.0
TURNS_DEG = (0, 90, 180, 270)
# A point is hidden when the surface rises over the line of sight by more than its own grain.
HIDDEN_MM = 0.3
RAY_STEP_MM = 0.4


@dataclass(frozen=True, slots=True)
class PhotoAlignment:
    """One photo against one reference, or several."""

    photo: str
    reference: str  # its file, or `3 together`
    px_per_mm: float
    accepted: bool  # the engine took it for the same mold
    turned_deg: int = 0  # by how much the piece has to be turned to lie where the engine laid it
    median_mm: float | None = None  # residual of the points seen in both, so turned; None where not accepted
    p95_mm: float | None = None

    @property
    def close(self) -> bool:
        """Accepted, and where the truth is, turned or not."""
        return self.median_mm is not None and self.median_mm <= ALIGNED_WITHIN_MM


def align_photos(mold: BenchMold, *, together: int) -> list[PhotoAlignment]:
    """Each usable photo of a mold against each of its first references alone, and against them together.

    Photos that this version of the generator did not plan, so that there is no truth of them, are left out.
    """
    known = plans_by_seed()
    usable = [(path, truth) for path, truth in mold.photos if not truth.get("unusable")]
    sets = {known[truth["seed"]][0] for _, truth in usable if truth["seed"] in known}
    if len(sets) != 1:
        return []
    (set_name,) = sets
    plans = {(plan.folder, plan.name): plan for plan in plan_set(set_name)}
    references = [
        prepare_reference(read_photo(path.read_bytes(), name=path.name))
        for path in read_mold_folder(mold.folder).photos[:together]
    ]
    models = [(reference.name, combine([reference])) for reference in references]
    models.append((f"{together} together", combine(references)))
    truths = [placed(plans[mold.name, Path(model.references[0].name).stem]) for _, model in models]
    found = []
    for path, truth in usable:
        there = placed(known[truth["seed"]][1])
        if not np.allclose(there.camera.photo_from_mat(), truth["photo_from_mat"], rtol=0, atol=1e-6):
            continue  # made by another version of the generator
        view = look_at(read_photo(path.read_bytes(), name=path.name), thorough=False)
        found += [
            _align(truth, name, model, here, view, there) for (name, model), here in zip(models, truths, strict=True)
        ]
    return found


def _align(
    truth: dict[str, Any], name: str, model: MoldModel, here: Placed, view: View, there: Placed
) -> PhotoAlignment:
    matched = match_model(view, model)
    if matched is None:
        return PhotoAlignment(truth["photo"], name, truth["px_per_mm"], accepted=False)
    found = []
    for turn_deg in TURNS_DEG:
        residual = residuals_mm(model, view, matched[0], here, there, truth["defects"], turned_deg=turn_deg)
        if len(residual):
            found.append((*np.percentile(residual, (50, 95)), turn_deg))
    middle, high, turned_deg = min(found)
    return PhotoAlignment(truth["photo"], name, truth["px_per_mm"], True, turned_deg, float(middle), float(high))


def residuals_mm(
    model: MoldModel,
    view: View,
    warp: Warp,
    here: Placed,
    there: Placed,
    defects: Sequence[dict[str, Any]],
    *,
    turned_deg: float = 0.0,
) -> NDArray[np.float64]:
    """How far from its true place each point comes out that a model carries from its first reference into a photo.

    Parameters
    ----------
    model : MoldModel
    view, warp
        The photo, and where the model was found in it.
    here, there : Placed
        The truth of the model's first reference and of the photo.
    defects : sequence of dict
        The truth of what is broken in the other photo.
    turned_deg : float
        Ask for the place to which each point moves when the piece is turned about its middle.

    Returns
    -------
    residual_mm : ndarray, shape (n,)
        At the depth of each point.
    """
    points_xy = _points_on(here.good)
    turned_xy = _turned(points_xy, here.good, turned_deg)
    from_world, to_world = _on_surface(here, points_xy), _on_surface(there, turned_xy)
    from_xy, to_xy = here.camera.project(from_world), there.camera.project(to_world)
    seen = is_seen(here, from_world) & is_seen(there, to_world)
    seen &= there.good.grid.sample(there.good.sdf, turned_xy) < 0
    if defects:
        reach = BESIDE_DEFECT_MM * there.camera.px_per_mm()
        broken = union_all([polygon(defect["polygon"]).buffer(reach) for defect in defects])
        seen &= ~contains_xy(broken, to_xy[:, 0], to_xy[:, 1])
    if not seen.any():
        return np.zeros(0)
    reference = model.references[0].view
    frame_xy = cv2.perspectiveTransform(from_xy[seen][None], np.linalg.inv(reference.frame.photo_from_frame))[0]
    box_xy = (frame_xy - model.box[:2]).astype(np.float32)
    carried = cv2.remap(warp.photo_xy, box_xy[None], None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]
    found_xy = cv2.perspectiveTransform(carried.astype(np.float64)[None], view.frame.photo_from_frame)[0]
    away_px = np.linalg.norm(found_xy - to_xy[seen], axis=1)
    depth_mm = (to_world[seen] - there.camera.centre_mm) @ there.camera.world_to_camera[2]
    return away_px * depth_mm / there.camera.focal_px


def _points_on(good: Relief) -> NDArray[np.float64]:
    """Points spread evenly over the inside of a piece, in its own mm."""
    rows, cols = np.nonzero(good.sdf < -INSIDE_MM)
    chosen = np.linspace(0, len(rows) - 1, min(POINTS, len(rows))).astype(int)
    step = good.grid.step_mm
    return np.column_stack([good.grid.x0_mm + cols[chosen] * step, good.grid.y0_mm + rows[chosen] * step])


def _turned(points_xy: NDArray[np.float64], good: Relief, turn_deg: float) -> NDArray[np.float64]:
    """Points turned about the middle of a piece."""
    grid = good.grid
    inside = np.argwhere(good.sdf < 0)
    middle = 0.5 * (inside.min(axis=0) + inside.max(axis=0))[::-1] * grid.step_mm + (grid.x0_mm, grid.y0_mm)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return (points_xy - middle) @ np.array([[c, s], [-s, c]]) + middle


def _on_surface(one: Placed, points_xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """World points of a piece's surface over points of its plan."""
    height = one.good.grid.sample(one.good.z1, points_xy)
    return one.pose.to_world(np.column_stack([points_xy, height]))


def is_seen(one: Placed, world: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether nothing of the piece stands between the camera and each point."""
    matrix = one.pose.world_from_piece
    start = (world - matrix[:3, 3]) @ matrix[:3, :3]
    camera = (one.camera.centre_mm - matrix[:3, 3]) @ matrix[:3, :3]
    towards = (camera - start) / np.linalg.norm(camera - start, axis=1, keepdims=True)
    top = float(one.good.z1[one.good.sdf < 0].max())
    seen = np.ones(len(world), dtype=bool)
    for step_mm in np.arange(RAY_STEP_MM, (top - start[:, 2].min()) / towards[:, 2].min() + RAY_STEP_MM, RAY_STEP_MM):
        at = start + step_mm * towards
        inside = one.good.grid.sample(one.good.sdf, at[:, :2]) < 0
        seen &= ~(inside & (one.good.grid.sample(one.good.z1, at[:, :2]) > at[:, 2] + HIDDEN_MM))
    return seen


@lru_cache(maxsize=1)
def plans_by_seed() -> dict[int, tuple[str, PhotoPlan]]:
    """All photos that the generator can plan, with their set, by seed; no two share one."""
    return {plan.seed: (name, plan) for name in SETS for plan in plan_set(name)}


def summarise_alignment(pairs: Sequence[PhotoAlignment]) -> dict[str, Any]:
    """Share that aligns, and the residual of those and of the turned; None where nothing can be said."""
    close = [pair for pair in pairs if pair.close]
    aligned = [pair for pair in close if pair.turned_deg == 0]
    residual = [pair.median_mm for pair in close]
    high = [pair.p95_mm for pair in close]
    accepted = [pair.median_mm for pair in pairs if pair.accepted]
    return {
        "pairs": len(pairs),
        "refused": sum(not pair.accepted for pair in pairs),
        "astray": len(accepted) - len(close),
        "turned": len(close) - len(aligned),
        "aligned": len(aligned),
        "share": len(aligned) / len(pairs) if pairs else None,
        "median_mm": float(np.median(residual)) if close else None,  # of the medians over each photo's points
        "p95_mm": float(np.median(high)) if close else None,  # half the photos have 95 % of their points within it
        "median_mm_of_all": float(np.median(accepted)) if accepted else None,  # with those that went astray
    }

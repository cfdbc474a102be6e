"""The truth of alignments: does the generator know where the rendered photos show a point?"""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial import cKDTree

from inspector.imaging.reading import read_photo
from inspector.inspection import combine, prepare_reference
from inspector.inspection.inspecting import match_model
from inspector.inspection.view import look_at
from sample_images.generator.making import placed
from sample_images.generator.plan import plan_set
from tests.benchmarks.alignment import PhotoAlignment, residuals_mm, summarise_alignment

ROOT = Path(__file__).parents[2]
TRUTH = {entry["photo"]: entry for entry in json.loads((ROOT / "sample_images" / "truth.json").read_text("utf-8"))}
PLANS = {(plan.folder, plan.name): plan for plan in plan_set("samples")}


@pytest.mark.parametrize("name", ["wading-bird-06", "oak-leaf-12", "rosette-tile-03"])
def test_camera_and_pose_are_those_of_the_rendered_photo(name):
    truth = TRUTH[f"{name}.jpg"]
    there = placed(PLANS[truth["mold"], name])
    assert there.camera.photo_from_mat() == pytest.approx(np.array(truth["photo_from_mat"]), abs=1e-6)
    # The rendered outline, whole pixels, against the rim of the piece, at its top and at its foot.
    good = there.good
    rows, cols = np.nonzero(np.abs(good.sdf) < good.grid.step_mm)
    xy = [good.grid.x0_mm + cols * good.grid.step_mm, good.grid.y0_mm + rows * good.grid.step_mm]
    rim = np.vstack([np.column_stack([*xy, height[rows, cols]]) for height in (good.z0, good.z1)])
    away_px, _ = cKDTree(there.camera.project(there.pose.to_world(rim))).query(np.array(truth["piece_outline"]))
    assert np.median(away_px) < 0.5
    assert np.percentile(away_px, 90) < 1.2


@pytest.fixture(scope="module")
def itself():
    """A reference's photo laid over itself."""
    path = ROOT / "reference_shapes" / "oak-leaf" / "r1.jpg"
    photo = read_photo(path.read_bytes(), name=path.name)
    model, view = combine([prepare_reference(photo)]), look_at(photo, thorough=False)
    warp, _ = match_model(view, model)
    return model, view, warp, placed(PLANS["oak-leaf", "r1"])


def test_a_photo_lies_on_itself(itself):
    model, view, warp, here = itself
    residual = residuals_mm(model, view, warp, here, here, [])
    assert len(residual) > 1000
    assert np.percentile(residual, 95) < 0.3


def test_a_warp_that_is_off_is_off_by_as_much(itself):
    model, view, warp, here = itself
    by_mm = np.array([3.0, -4.0])
    moved = replace(warp, photo_xy=warp.photo_xy + (by_mm * view.frame.px_per_mm).astype(np.float32))
    # 5 mm on the mat; what stands higher is nearer to the camera, and less there.
    assert np.median(residuals_mm(model, view, moved, here, here, [])) == pytest.approx(5.0, abs=0.4)


def test_what_broke_off_is_not_asked_for(itself):
    model, view, warp, here = itself
    height, width = view.gray.shape
    half = [[0, 0], [width / 2, 0], [width / 2, height], [0, height]]
    whole = residuals_mm(model, view, warp, here, here, [])
    left = residuals_mm(model, view, warp, here, here, [{"polygon": half}])
    assert 0.2 * len(whole) < len(left) < 0.8 * len(whole)
    everything = cv2.boxPoints(((width / 2, height / 2), (width, height), 0)).tolist()
    assert len(residuals_mm(model, view, warp, here, here, [{"polygon": everything}])) == 0


def test_shares_and_residuals_are_counted_apart():
    told = summarise_alignment(
        [
            PhotoAlignment("a", "r1", 5.0, True, 0, 0.2, 0.5),
            PhotoAlignment("b", "r1", 5.0, True, 180, 0.4, 0.9),
            PhotoAlignment("c", "r1", 5.0, True, 0, 6.0, 9.0),
            PhotoAlignment("d", "r1", 5.0, accepted=False),
        ]
    )
    assert {key: told[key] for key in ("pairs", "aligned", "turned", "astray", "refused")} == {
        "pairs": 4,
        "aligned": 1,
        "turned": 1,
        "astray": 1,
        "refused": 1,
    }
    assert told["median_mm"] == pytest.approx(0.3)
    assert told["median_mm_of_all"] == pytest.approx(0.4)

"""Whether defects come out at their size, and the camera is a pinhole."""

import cv2
import numpy as np
import pytest
from shapely import MultiPoint

from sample_images.generator.camera import aim, focal_px
from sample_images.generator.casting import CastingStyle, cast
from sample_images.generator.defects import Crack, Relief, chip, groove_depth_mm, missing_feature, surface_void
from sample_images.generator.mesh import mesh_relief
from sample_images.generator.molds import PROOF, mold_named
from sample_images.generator.plan import SETS, plan_set
from sample_images.generator.shapes import Grid, limb, noise, polygon_sdf


@pytest.fixture(scope="module")
def slab():
    """A flat slab, 80 x 40 mm, 10 mm thick."""
    grid = Grid.around((-45, 45), (-25, 25), 0.2)
    sdf = polygon_sdf(grid, np.array([(-40, -20), (40, -20), (40, 20), (-40, 20)], float))
    flat = np.zeros(grid.shape, np.float32)
    return Relief(grid, sdf, flat + 10, flat, flat)


@pytest.fixture(scope="module")
def bird():
    return mold_named("wading-bird")


def test_distances_to_a_square_are_those_of_geometry(slab):
    points = np.array([(0, 0), (30, 0), (0, 18), (39, 0), (43, 0), (0, 23)], float)
    expected = [-20, -10, -2, -1, 3, 3]
    assert slab.grid.sample(slab.sdf, points) == pytest.approx(expected, abs=0.08)


def test_a_limb_is_as_thick_as_asked():
    grid = Grid.around((-20, 20), (-10, 10), 0.2)
    shape = limb(grid, [(-15, 0), (15, 0)], [4, 2])
    assert grid.sample(shape.sdf, np.array([(-15.0, 0), (15.0, 0), (0.0, 3.0)])) == pytest.approx([-4, -2, 0], abs=0.05)


def test_noise_has_no_mean_and_unit_spread():
    field = noise((400, 400), 9, np.random.default_rng(1), octaves=3)
    assert field.std() == pytest.approx(1, abs=1e-3)
    assert abs(field.mean()) < 0.1


def test_the_camera_projects_as_opencv_does():
    camera = aim(2016, 1512, 35, px_per_mm=5, target_xy=(7, -4), tilt_deg=14, tilt_towards_deg=70, roll_deg=9)
    points = np.random.default_rng(2).uniform((-120, -90, 0), (120, 90, 60), (50, 3))
    k = np.array([[camera.focal_px, 0, 1007.5], [0, camera.focal_px, 755.5], [0, 0, 1]])
    rotation, _ = cv2.Rodrigues(camera.world_to_camera)
    expected, _ = cv2.projectPoints(points, rotation, -camera.world_to_camera @ camera.centre_mm, k, None)
    assert camera.project(points) == pytest.approx(expected[:, 0], abs=1e-6)
    assert camera.tilt_deg() == pytest.approx(14)
    assert camera.px_per_mm() == pytest.approx(5, rel=1e-3)


def test_the_homography_is_the_camera_on_the_mat():
    camera = aim(2016, 1512, 35, px_per_mm=5, target_xy=(0, 0), tilt_deg=11, tilt_towards_deg=200, roll_deg=-4)
    mat = np.array([(-130.0, -90.0), (130, -90), (130, 90), (-130, 90), (3, 40)])
    expected = camera.project(np.column_stack([mat[:, 0], -mat[:, 1], np.zeros(5)]))
    assert cv2.perspectiveTransform(mat[None], camera.photo_from_mat())[0] == pytest.approx(expected, abs=1e-6)


def test_focal_length_in_pixels_follows_the_diagonal():
    # CIPA DC-008 (Exif 2.3), FocalLengthIn35mmFilm: equivalence by diagonal; 36 x 24 mm has 43.27 mm.
    assert focal_px(43.267, 4000, 3000) == pytest.approx(5000, rel=1e-6)


@pytest.mark.parametrize("size_mm", [10.0, 20.0, 30.0])
def test_a_missing_bill_is_as_long_as_asked(bird, size_mm):
    good = cast(bird, CastingStyle("grey"), step_mm=0.2, rng=np.random.default_rng(3))
    part = next(b for b in bird.breaks if b.feature == "bill")
    broken, defect = missing_feature(good, bird, part, size_mm, np.random.default_rng(4))
    rows, cols = np.nonzero((good.sdf < 0) & (broken.sdf >= 0))
    hull = np.array(MultiPoint(np.column_stack([cols, rows]) * 0.2).convex_hull.exterior.coords)
    length = np.max(np.linalg.norm(hull[:, None] - hull[None], axis=2))
    # The cut is rough and skewed, and starts at the tip's rounding.
    assert length == pytest.approx(size_mm, abs=3.5)
    assert defect.feature == "bill"
    untouched = ~defect.region & (good.sdf < -1) & (broken.sdf < -1)
    assert np.abs(good.z1 - broken.z1)[untouched].max() < 0.1


@pytest.mark.parametrize("length_mm", [2.0, 5.0, 11.0])
def test_a_chip_has_its_length_and_stays_in_its_place(slab, length_mm):
    at = np.array([0.0, 20.0])
    broken, defect = chip(
        slab, at, length_mm=length_mm, width_mm=0.5 * length_mm, depth_mm=0.4 * length_mm, rng=np.random.default_rng(5)
    )
    rows, cols = np.nonzero(defect.region)
    along = (cols.max() - cols.min()) * 0.2
    assert along == pytest.approx(length_mm, rel=0.3, abs=0.4)
    assert (slab.grid.y0_mm + 0.2 * rows).min() > 20 - 0.9 * length_mm
    assert 0 < defect.depth_mm < length_mm
    assert np.array_equal(broken.z1[~defect.region & (slab.sdf < -12)], slab.z1[~defect.region & (slab.sdf < -12)])


def test_a_void_has_its_diameter(slab):
    _, defect = surface_void(slab, np.array([5.0, 3.0]), diameter_mm=6.0, rng=np.random.default_rng(6))
    rows, cols = np.nonzero(defect.region)
    assert max(np.ptp(rows), np.ptp(cols)) * 0.2 == pytest.approx(6.0, rel=0.25)


@pytest.mark.parametrize("width_mm", [0.1, 0.3, 0.8])
def test_a_groove_is_as_wide_as_asked(slab, width_mm):
    path = np.column_stack([np.linspace(-20, 20, 201), np.zeros(201)])
    straight = Crack(path, np.full(201, width_mm), 2.0)
    across = np.linspace(-1, 1, 4001)
    depth = groove_depth_mm((straight,), np.column_stack([np.zeros(4001), across]))
    assert np.sum(depth > 1.0) * (across[1] - across[0]) == pytest.approx(width_mm, rel=0.02, abs=1e-3)
    # In the mesh, whose nodes along the crack are 0.022 mm apart, half of the depth is reached over that width as well.
    mesh = mesh_relief(slab, (straight,))
    near = mesh.vertices[(np.abs(mesh.vertices[:, 0]) < 5) & (np.abs(mesh.vertices[:, 1]) < 1)]
    deep = near[near[:, 2] < 9.0]
    assert width_mm - 2 * 0.022 <= np.ptp(deep[:, 1]) <= width_mm + 1e-3
    assert near[:, 2].min() == pytest.approx(8.0, abs=0.02)


def test_a_mesh_is_closed_from_above(slab):
    mesh = mesh_relief(slab)
    edges = np.sort(np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]]), axis=1)
    _, first, count = np.unique(edges, axis=0, return_index=True, return_counts=True)
    assert count.max() <= 2
    # Walls repeat the vertices of the rim: the only open edges lie at the rim's height or on the mat.
    open_edges = mesh.vertices[edges[first[count == 1]]]
    assert set(np.unique(np.round(open_edges[..., 2], 3))) <= {0.0, 10.0}
    top = mesh.vertices[mesh.vertices[:, 2] > 9.99]
    assert np.ptp(top[:, 0]) == pytest.approx(80, abs=0.15)
    assert np.ptp(top[:, 1]) == pytest.approx(40, abs=0.15)


def test_plans_are_the_same_each_time():
    assert plan_set("samples") == plan_set("samples")


@pytest.mark.parametrize("name", sorted(SETS))
def test_sizes_are_spread_over_their_range(name):
    ranges = {"chip": (1.5, 12), "hairline crack": (0.1, 0.8), "missing feature": (5, 40)}
    for kind, (low, high) in ranges.items():
        sizes = np.sort([wish.size_mm for plan in plan_set(name) for wish in plan.wishes if wish.kind == kind])
        assert sizes.min() >= low
        assert sizes.max() <= high
        gaps = np.diff(np.log(np.concatenate([[low], sizes, [high]])))
        assert gaps.max() < 0.3 * np.log(high / low)


def test_sets_share_no_seed():
    seeds = [plan.seed for name in SETS for plan in plan_set(name)]
    assert len(seeds) == len(set(seeds))


def test_nothing_is_tuned_on_the_molds_that_are_only_reported():
    tuning = {
        plan.mold
        for name in ("draft", "evaluation", "learning", "matching", "tuning", "samples")
        for plan in plan_set(name)
        if plan.unusable is None
    }
    assert {plan.mold for plan in plan_set("proof")} - tuning == set(PROOF)


@pytest.mark.parametrize("learnt_from", ["learning", "matching"])
def test_networks_learn_from_molds_that_nothing_else_shows(learnt_from):
    others = {plan.mold for name in SETS if name != learnt_from for plan in plan_set(name)}
    assert not {plan.mold for plan in plan_set(learnt_from)} & others

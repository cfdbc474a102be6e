"""The whole path over a drawn leaf: three good ones as references, then whole, broken, chipped and cracked ones."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from shapely.geometry import MultiPoint, Point, Polygon

from inspector import inspect
from inspector.imaging.reading import Photo
from inspector.inspection import (
    KINDS,
    Feature,
    ReviewedPlace,
    combine,
    inspect_photo,
    prepare_reference,
    reference_in_photo,
    with_reviews,
)
from inspector.inspection.inspecting import LEAST_MOVE_SCORE, match_model
from inspector.inspection.model import align_by
from inspector.inspection.view import look_at
from tests.drawn_scenes import Piece, Shot, break_off, crack, leaf, photo_xy, photograph

PX_PER_MM = 4.0
SHOT = Shot(px_per_mm=PX_PER_MM, speckle=True, ambient=0.55, camera_mm=(4.0, -6.0, 460.0))
TIP_XY_MM = (60.0, -8.0)
TIP_RADIUS_MM = 12.0
# One piece of the mold differs from the next in its grain, and each photo in light, place and camera.
SHOTS = {
    "r1.jpg": SHOT,
    "r2.jpg": replace(SHOT, camera_mm=(-15.0, 8.0, 480.0), lamp=(-0.2, -0.7, 0.8), piece_turn_deg=4, seed=2),
    "r3.jpg": replace(SHOT, camera_mm=(12.0, 10.0, 440.0), lamp=(-0.7, 0.15, 0.8), piece_xy_mm=(4.0, -7.0), seed=3),
}
ANOTHER = replace(SHOT, camera_mm=(8.0, 4.0, 470.0), lamp=(-0.5, -0.5, 0.8), piece_turn_deg=-7, seed=4)


def photo(scene_or_image, name="p.jpg"):
    image = getattr(scene_or_image, "image_bgr", scene_or_image)
    return Photo(name, image, None, None)


def piece(grain_seed):
    return leaf(seed=2, grain_seed=grain_seed)


@pytest.fixture(scope="module")
def reference_scenes():
    return {name: photograph(piece(k), shot) for k, (name, shot) in enumerate(SHOTS.items(), start=10)}


@pytest.fixture(scope="module")
def references(reference_scenes):
    scene = reference_scenes["r1.jpg"]
    tip = Feature("right tip", np.array(Point(photo_xy(scene, TIP_XY_MM)).buffer(14 * PX_PER_MM).exterior.coords))
    return [
        prepare_reference(photo(s, name), features=[tip] if name == "r1.jpg" else [])
        for name, s in reference_scenes.items()
    ]


@pytest.fixture(scope="module")
def model(references):
    return combine(references)


@pytest.fixture(scope="module")
def whole():
    return photograph(piece(20), ANOTHER)


@pytest.fixture(scope="module")
def broken():
    return photograph(break_off(piece(21), TIP_XY_MM, TIP_RADIUS_MM), ANOTHER)


@pytest.fixture(scope="module")
def of_whole(whole, model):
    return inspect_photo(photo(whole), model)


@pytest.fixture(scope="module")
def of_broken(broken, model):
    return inspect_photo(photo(broken, "broken.jpg"), model)


def at_place(inspection, xy_px, reach_px):
    """Findings that come near a place."""
    place = Point(xy_px).buffer(reach_px)
    return [f for f in inspection.findings if MultiPoint(f.polygon_xy).convex_hull.intersects(place)]


def test_references_know_their_outline_and_scale(references, reference_scenes):
    for reference in references:
        scene = reference_scenes[reference.name]
        true_px2 = np.count_nonzero(scene.piece_mask)
        # A shadow may be in the outline of a single photo; the references together settle that.
        assert 0.95 * true_px2 < Polygon(reference.outline_xy).buffer(0).area < 1.35 * true_px2
        homography = scene.photo_from_mat
        scale = np.sqrt(np.linalg.det(homography) / homography[2, 2] ** 3)  # of the area, at the mat's middle
        assert reference.px_per_mm == pytest.approx(scale, rel=0.005)


def test_references_together_settle_the_outline(model, references, reference_scenes):
    assert model.left_out == ()
    first = reference_scenes[model.references[0].name]
    frame_truth = cv2.warpPerspective(
        first.piece_mask,
        model.references[0].view.frame.photo_from_frame,
        model.references[0].view.frame.size_px,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )
    left, top, width, height = model.box
    truth = frame_truth[top : top + height, left : left + width] > 127
    both = np.count_nonzero(truth & (model.mask > 127)) / np.count_nonzero(truth | (model.mask > 127))
    assert both > 0.85


def test_a_whole_piece_is_inspected_and_not_called_broken(of_whole):
    assert of_whole.status == "inspected"
    assert of_whole.reason is None
    assert [f.kind for f in of_whole.findings if f.kind == "missing feature"] == []
    assert len(of_whole.findings) <= 1


def test_a_broken_off_tip_is_found_named_and_measured(of_broken, broken, whole):
    (found,) = [f for f in of_broken.findings if f.kind == "missing feature"]
    assert found.feature == "right tip"
    true_mm2 = np.count_nonzero((whole.piece_mask > 0) & (broken.piece_mask == 0)) / of_broken.px_per_mm**2
    assert found.area_mm2 == pytest.approx(true_mm2, rel=0.3)
    lost = np.argwhere((whole.piece_mask > 0) & (broken.piece_mask == 0))[:, ::-1]
    hull = Polygon(found.polygon_xy).buffer(0)
    assert hull.distance(Point(*lost.mean(axis=0))) == 0
    assert found.confidence > 0.5


def test_a_broken_piece_scores_higher_than_a_whole_one(of_broken, of_whole):
    assert of_broken.score > of_whole.score


def test_the_photo_is_laid_over_its_reference(of_whole, whole, reference_scenes):
    # One plane stands for a leaf up to 20 mm thick, seen from two places: good for looking, not for measuring.
    reference = reference_scenes[of_whole.reference]
    for xy_mm in ((0.0, 0.0), (30.0, 10.0), (-35.0, 5.0), (5.0, -25.0)):
        there = cv2.perspectiveTransform(photo_xy(reference, xy_mm)[None, None], of_whole.photo_from_reference)[0, 0]
        assert there == pytest.approx(photo_xy(whole, xy_mm), abs=2.5 * PX_PER_MM)


def test_flipping_shows_the_reference_where_the_piece_lies(of_whole, whole, references):
    reference = next(r for r in references if r.name == of_whole.reference)
    laid = reference_in_photo(photo(whole), reference, of_whole)
    assert laid.shape == whole.image_bgr.shape
    first, second = (cv2.cvtColor(i, cv2.COLOR_BGR2GRAY).astype(float) for i in (laid, whole.image_bgr))
    inside = whole.piece_mask > 0
    apart = np.abs(first - second)[inside].mean()
    unmoved = np.abs(cv2.cvtColor(reference.image_bgr, cv2.COLOR_BGR2GRAY).astype(float) - second)[inside].mean()
    assert apart < 0.8 * unmoved


def test_a_chip_out_of_the_edge_is_found_where_it_is(model):
    xy_mm = edge_of(piece(22), 45.0)
    scene = photograph(break_off(piece(22), xy_mm, 4.0), ANOTHER)
    found = at_place(inspect_photo(photo(scene), model), photo_xy(scene, xy_mm), 4 * PX_PER_MM)
    assert found
    assert found[0].kind == "chip"
    assert found[0].length_mm == pytest.approx(8.0, rel=0.4)  # across the circle that was cut out


def test_a_loss_dismissed_at_its_place_is_lowered_then_not_counted_and_larger_damage_there_is_still_found(model):
    # What the mold itself took out of the edge comes back on each piece; photos and poses differ.
    xy_mm = edge_of(piece(22), 45.0)
    elsewhere = replace(ANOTHER, camera_mm=(-2.0, 5.0, 465.0), piece_turn_deg=-3, seed=7)

    def lost_in(inspected, scene):
        return at_place(inspected, photo_xy(scene, xy_mm), PX_PER_MM)[0]

    first_scene = photograph(break_off(piece(22), xy_mm, 11.0), ANOTHER)
    first = lost_in(inspect_photo(photo(first_scene), model), first_scene)
    assert (first.confidence_alone, first.dismissed_on) == (None, 0)
    assert [name for name, _ in first.on_references] == [reference.name for reference in model.references]
    # Each piece is compared with whichever of the references it was told on.
    said = [
        ReviewedPlace(*first.on_references[k % 3], first.kind, k, first.confidence, confirmed=False) for k in range(8)
    ]
    second_scene = photograph(break_off(piece(24), xy_mm, 11.0), elsewhere)
    alone = lost_in(inspect_photo(photo(second_scene), model), second_scene)

    once = lost_in(inspect_photo(photo(second_scene), with_reviews(model, said[:1])), second_scene)
    assert (once.confidence_alone, once.dismissed_on) == (alone.confidence, 1)
    assert 0.66 * alone.confidence < once.confidence < 0.95 * alone.confidence

    often = inspect_photo(photo(second_scene), with_reviews(model, said))
    (passed_over,) = [f for f in often.not_counted if f.dismissed_on == 8]
    assert at_place(often, photo_xy(second_scene, xy_mm), 1) == []
    assert passed_over.polygon_xy == pytest.approx(alone.polygon_xy)
    assert often.score < alone.confidence

    taken_back = [replace(place, piece=place.piece + 100, confirmed=True) for place in said]
    again = lost_in(inspect_photo(photo(second_scene), with_reviews(model, [*said, *taken_back])), second_scene)
    assert again.confidence == alone.confidence

    larger_scene = photograph(break_off(piece(25), xy_mm, 20.0), elsewhere)
    larger = [
        lost_in(inspect_photo(photo(larger_scene), one), larger_scene) for one in (model, with_reviews(model, said))
    ]
    assert larger[0].confidence == larger[1].confidence > 0.7


def test_what_was_said_on_a_reference_that_is_not_compared_with_is_left_out(model):
    square = np.array([[10.0, 10], [20, 10], [20, 20]])
    assert with_reviews(model, [ReviewedPlace("gone.jpg", square, "chip", 1, 0.9, confirmed=False)]).reviewed == ()


def edge_of(whole_piece, x_mm):
    """The upper edge of the right lobe at a column of the piece, in its own mm."""
    column = round(x_mm * 5.0 + (whole_piece.height_mm.shape[1] - 1) / 2)
    rows = np.nonzero(whole_piece.height_mm[:, column] > 1)[0]
    run = rows[np.searchsorted(rows, round(-8 * 5.0 + (whole_piece.height_mm.shape[0] - 1) / 2)) :: -1]
    start = next((k for k in range(1, len(run)) if run[k - 1] - run[k] > 1), len(run))
    return x_mm, (float(run[start - 1]) - (whole_piece.height_mm.shape[0] - 1) / 2) / 5.0


def test_a_crack_is_found_with_its_width(model):
    path_mm = np.column_stack([np.linspace(-25, 15, 50), 14 + 3 * np.sin(np.linspace(0, 5, 50))])
    scene = photograph(crack(piece(23), path_mm, 0.6), ANOTHER)
    middle = photo_xy(scene, (-5.0, float(14 + 3 * np.sin(2.5))))
    found = [
        f for f in at_place(inspect_photo(photo(scene), model), middle, 5 * PX_PER_MM) if f.kind == "hairline crack"
    ]
    assert found
    assert found[0].width_mm == pytest.approx(0.6, abs=0.3)
    assert 20 < found[0].length_mm < 50


def test_a_piece_of_another_mold_is_unusable(model):
    other = inspect_photo(photo(photograph(tile(), ANOTHER), "other.jpg"), model)
    assert other.status == "unusable"
    assert other.findings == ()
    assert "other.jpg" in other.reason
    assert "this mold" in other.reason


def tile():
    """A square tile of about the leaf's size, with a checker of bosses on it."""
    blank = leaf(seed=2)
    y, x = np.mgrid[0 : blank.height_mm.shape[0], 0 : blank.height_mm.shape[1]] / 5.0
    inside = (np.abs(x - 85) < 45) & (np.abs(y - 60) < 45)
    bosses = 2.5 * (np.sin(x / 2) * np.sin(y / 2) > 0.3)
    return Piece(np.where(inside, 12 + bosses, 0).astype(np.float32), blank.albedo)


@pytest.mark.parametrize("number", [1, 2])
def test_every_reference_places_a_photo_alike(model, whole, number):
    view = look_at(photo(whole), thorough=False)
    warp, _ = match_model(view, model)
    by_another = align_by(model, number, view)
    assert by_another.move.score > LEAST_MOVE_SCORE
    inside = model.mask > 127
    apart_mm = np.linalg.norm(by_another.warp.photo_xy - warp.photo_xy, axis=-1)[inside] / PX_PER_MM
    assert np.median(apart_mm) < 0.6  # coarsely: the finer edges settle it afterwards
    assert np.quantile(apart_mm, 0.95) < 2.0


def test_turning_photo_and_references_together_changes_no_size(broken, reference_scenes, of_broken):
    turned_references = [
        prepare_reference(photo(np.rot90(s.image_bgr).copy(), name)) for name, s in reference_scenes.items()
    ]
    turned = inspect_photo(photo(np.rot90(broken.image_bgr).copy()), turned_references)
    assert turned.px_per_mm == pytest.approx(of_broken.px_per_mm, rel=0.002)
    sizes = [next(f for f in outcome.findings if f.kind == "missing feature") for outcome in (turned, of_broken)]
    assert sizes[0].area_mm2 == pytest.approx(sizes[1].area_mm2, rel=0.06)
    assert sizes[0].length_mm == pytest.approx(sizes[1].length_mm, rel=0.06)


def test_findings_are_valid_outlines_inside_the_photo(of_broken, broken):
    height, width = broken.image_bgr.shape[:2]
    for finding in of_broken.findings:
        assert finding.kind in KINDS
        assert len(finding.polygon_xy) >= 3
        assert np.all(finding.polygon_xy >= 0)
        assert np.all(finding.polygon_xy <= (width - 1, height - 1))
        assert 0 <= finding.confidence <= 1
    assert [f.confidence for f in of_broken.findings] == sorted(
        (f.confidence for f in of_broken.findings), reverse=True
    )


def test_the_same_photo_gives_the_same_findings(of_broken, broken, model):
    again = inspect_photo(photo(broken, "broken.jpg"), model)
    assert replace(again, seconds=0).as_json() == replace(of_broken, seconds=0).as_json()


def test_without_a_mat_everything_works_and_sizes_are_null(reference_scenes):
    bare = replace(SHOT, mat=False)
    references = [prepare_reference(photo(photograph(piece(10), bare), "r1.jpg"))]
    outcome = inspect_photo(
        photo(photograph(break_off(piece(21), TIP_XY_MM, TIP_RADIUS_MM), replace(bare, seed=9))), references
    )
    assert outcome.status == "inspected"
    assert outcome.px_per_mm is None
    for finding in outcome.findings:
        assert (finding.area_mm2, finding.length_mm, finding.width_mm) == (None, None, None)
    assert any("one reference" in warning for warning in outcome.warnings)


def test_from_python_a_file_is_inspected_by_its_path(tmp_path, broken, model, of_broken):
    path = tmp_path / "broken.png"
    cv2.imwrite(str(path), broken.image_bgr)
    outcome = inspect(path, model)
    assert outcome.photo == "broken.png"
    assert [f.kind for f in outcome.findings] == [f.kind for f in of_broken.findings]


def test_an_outline_that_a_person_drew_holds_in_its_photo_and_for_the_mold(reference_scenes, references, model):
    scene, (first, *others) = reference_scenes["r1.jpg"], references
    tip = Point(photo_xy(scene, TIP_XY_MM)).buffer(TIP_RADIUS_MM * PX_PER_MM)
    drawn = np.array(Polygon(first.outline_xy).difference(tip).exterior.coords)
    outlined = prepare_reference(photo(scene, "r1.jpg"), outline_xy=drawn)
    at_tip = np.zeros(first.piece.shape, np.uint8)
    cv2.fillPoly(at_tip, [np.round(tip.buffer(-4).exterior.coords).astype(np.int32)], 1)
    assert np.count_nonzero(outlined.piece & (at_tip > 0)) < 10  # pixels in a corner of two lines
    assert not (outlined.piece & ~first.piece).any()
    # The mold's outline lost what was taken away, though two others show it still; 1 % of the piece is what it moves by
    # when the references come in another order.
    lost_px = np.count_nonzero(model.mask) - np.count_nonzero(combine([outlined, *others]).mask)
    piece_px = np.count_nonzero(model.mask)
    assert lost_px == pytest.approx(Polygon(first.outline_xy).intersection(tip).area, abs=0.01 * piece_px)

"""The whole path over a handful of the sample photos, against the truth that they were rendered with."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely.geometry import LineString, Polygon

from inspector.imaging.reading import read_photo
from inspector.inspection import KINDS, Reference, combine, findings, inspect_photo, view
from tests.benchmarks.bench_folder import model_of
from tests.benchmarks.judging import judge_photo
from tests.drawn_lines import with_line

ROOT = Path(__file__).parents[2]
TRUTH = {entry["photo"]: entry for entry in json.loads((ROOT / "sample_images" / "truth.json").read_text("utf-8"))}
# Two molds: each has a clear loss, a wide crack, two good pieces, and a photo that will not do.
PHOTOS = (
    "wading-bird-03.jpg",
    "wading-bird-04.jpg",
    "wading-bird-05.jpg",
    "wading-bird-06.jpg",
    "wading-bird-unusable-5.jpg",
    "oak-leaf-03.jpg",
    "oak-leaf-04.jpg",
    "oak-leaf-05.jpg",
    "oak-leaf-06.jpg",
    "oak-leaf-08.jpg",
    "oak-leaf-unusable-2.jpg",
)
USABLE = tuple(name for name in PHOTOS if "unusable" not in TRUTH[name])


@pytest.fixture(scope="module")
def models():
    return {mold: model_of(ROOT / "reference_shapes" / mold) for mold in ("wading-bird", "oak-leaf")}


@pytest.fixture(scope="module")
def inspections(models):
    found = {}
    for name in PHOTOS:
        photo = read_photo((ROOT / "sample_images" / name).read_bytes(), name=name)
        found[name] = inspect_photo(photo, models[TRUTH[name]["mold"]])
    return found


@pytest.fixture(scope="module")
def judged(inspections):
    return {name: judge_photo(TRUTH[name], inspections[name].as_json(), folder_photo=name) for name in USABLE}


def test_references_of_one_mold_agree(models):
    assert [model.left_out for model in models.values()] == [(), ()]


@pytest.mark.parametrize("name", USABLE)
def test_usable_photos_are_inspected_at_their_true_scale(inspections, name):
    assert inspections[name].status == "inspected", inspections[name].reason
    assert inspections[name].px_per_mm == pytest.approx(TRUTH[name]["px_per_mm"], rel=0.01)


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("wading-bird-05.jpg", "missing feature"),
        ("oak-leaf-08.jpg", "missing feature"),
        ("wading-bird-04.jpg", "hairline crack"),
        ("oak-leaf-04.jpg", "hairline crack"),
    ],
)
def test_clear_losses_and_wide_cracks_are_found(judged, name, kind):
    (row,) = [defect for defect in judged[name]["defects"] if defect["kind"] == kind]
    assert row["hit"]
    assert row["kind_right"]


@pytest.mark.parametrize(("name", "feature"), [("wading-bird-05.jpg", "bill"), ("oak-leaf-08.jpg", "second left lobe")])
def test_what_broke_off_is_named_and_measured(inspections, name, feature):
    (real,) = [defect for defect in TRUTH[name]["defects"] if defect["kind"] == "missing feature"]
    found = max(
        (f for f in inspections[name].findings if f.kind == "missing feature"), key=lambda finding: finding.area_mm2
    )
    assert found.feature == feature
    true_mm2 = Polygon(real["polygon"]).area / TRUTH[name]["px_per_mm"] ** 2
    assert found.area_mm2 == pytest.approx(true_mm2, rel=0.4)


@pytest.mark.parametrize("name", ["oak-leaf-05.jpg", "oak-leaf-08.jpg"])
def test_what_broke_off_is_outlined_without_steps_and_with_all_of_the_lost_outline(inspections, name):
    # As the damage map's raster has it, the first is covered to 0.84, and the outline of the second is 12 % too long.
    (real,) = [Polygon(one["polygon"]) for one in TRUTH[name]["defects"] if one["kind"] == "missing feature"]
    found = max(
        (Polygon(f.polygon_xy) for f in inspections[name].findings if f.kind == "missing feature"),
        key=lambda polygon: polygon.area,
    )
    assert found.intersection(real).area / found.union(real).area > 0.85
    assert found.length < 1.05 * real.length


@pytest.mark.parametrize(
    ("name", "kind", "seen_as"),
    [
        ("wading-bird-05.jpg", "missing feature", "outline lost"),
        ("oak-leaf-04.jpg", "hairline crack", "dark line"),
    ],
)
def test_a_finding_says_what_speaks_for_it(inspections, name, kind, seen_as):
    surest = max((f for f in inspections[name].findings if f.kind == kind), key=lambda finding: finding.confidence)
    assert surest.seen_as == seen_as
    assert seen_as in {row["seen_as"] for row in inspections[name].as_rows()}


def test_a_crack_is_about_as_wide_and_long_as_it_was_made(judged, inspections):
    row = next(d for d in judged["wading-bird-04.jpg"]["defects"] if d["kind"] == "hairline crack")
    # Shaded rims are measured with a rendered crack: half as wide again on all the samples.
    assert abs(row["width_error_mm"]) < 0.6 * row["crack_width_mm"]
    assert row["covered"] > 0.5
    longest = max(f.length_mm for f in inspections["wading-bird-04.jpg"].findings if f.kind == "hairline crack")
    real = next(d for d in TRUTH["wading-bird-04.jpg"]["defects"] if d["kind"] == "hairline crack")
    true_mm = (
        float(np.linalg.norm(np.diff(real["path"], axis=0), axis=1).sum()) / TRUTH["wading-bird-04.jpg"]["px_per_mm"]
    )
    assert longest == pytest.approx(true_mm, rel=0.5)


@pytest.mark.parametrize("name", ["wading-bird-04.jpg", "oak-leaf-04.jpg"])
def test_a_crack_winds_about_as_it_was_made(inspections, name):
    real = next(d for d in TRUTH[name]["defects"] if d["kind"] == "hairline crack")
    path = np.array(real["path"])
    way_px = np.linalg.norm(np.diff(path, axis=0), axis=1).sum()
    found = max((f for f in inspections[name].findings if f.kind == "hairline crack"), key=lambda f: f.confidence)
    assert found.tortuosity == pytest.approx(way_px / np.linalg.norm(path[-1] - path[0]), rel=0.03)
    others = [f for f in inspections[name].findings if f.kind != "hairline crack"]
    assert [f.tortuosity for f in others] == [None] * len(others)


def test_good_pieces_are_mostly_clean(judged):
    good = [row for row in judged.values() if row["good"]]
    assert len(good) == 4
    assert sum(len(row["findings"]) for row in good) <= 1


def test_broken_pieces_score_higher_than_good_ones(judged):
    good = [row["score"] for row in judged.values() if row["good"]]
    broken = [row["score"] for row in judged.values() if not row["good"]]
    assert np.mean(broken) > np.mean(good)
    assert min(broken) > np.median(good)


@pytest.mark.parametrize(
    ("name", "words"), [("wading-bird-unusable-5.jpg", "this mold"), ("oak-leaf-unusable-2.jpg", "too dark")]
)
def test_photos_that_will_not_do_are_refused_with_the_reason(inspections, name, words):
    outcome = inspections[name]
    assert outcome.status == "unusable"
    assert words in outcome.reason
    assert outcome.findings == ()


@pytest.mark.parametrize("name", PHOTOS)
def test_every_photo_gives_valid_json(inspections, name):
    content = json.loads(json.dumps(inspections[name].as_json(), allow_nan=False))
    assert content["photo"] == name
    width, height = TRUTH[name]["camera"]["size_px"]
    for finding in content["findings"]:
        assert finding["kind"] in KINDS
        assert all(0 <= x <= width and 0 <= y <= height for x, y in finding["polygon"])


@pytest.mark.parametrize(("learned", "unsure"), [(True, False), (False, True)])
def test_a_single_reference_whose_outline_is_wrong_says_so(learned, unsure, monkeypatch):
    # On a plain mat in hard light the lit half of the leaf is outlined as mat, but by what was learned.
    if not learned:
        monkeypatch.setattr(view, "PIECE_FINDER", None)
    name = "oak-leaf-06.jpg"
    model = combine([Reference.open(ROOT / "reference_shapes" / "oak-leaf" / "r1.jpg")])
    told = inspect_photo(read_photo((ROOT / "sample_images" / name).read_bytes(), name=name), model).warnings
    assert any("outline of reference r1.jpg may be wrong" in warning for warning in told) == unsure
    assert any("one reference only" in warning for warning in told)


def test_a_thread_that_hangs_over_the_edge_is_no_crack(models, monkeypatch):
    name = "wading-bird-06.jpg"
    photo = read_photo((ROOT / "sample_images" / name).read_bytes(), name=name)
    outline, px_per_mm = np.array(TRUTH[name]["piece_outline"]), TRUTH[name]["px_per_mm"]
    # From 25 mm inside the right side of the body to 15 mm beyond it, a little bent.
    middle = outline.mean(axis=0)
    rim = outline[np.argmax(np.where(np.abs(outline[:, 1] - middle[1]) < 5 * px_per_mm, outline[:, 0], -np.inf))]
    x = np.linspace(rim[0] - 25 * px_per_mm, rim[0] + 15 * px_per_mm, 200)
    thread = np.column_stack([x, rim[1] + 4 * np.sin((x - x[0]) / 60)])
    light = with_line(np.ones(photo.image_bgr.shape[:2]), thread, 0.14 * px_per_mm)
    dimmed = photo.image_bgr * cv2.GaussianBlur(light, (0, 0), 0.8)[..., None] ** (1 / 2.2)
    seen = replace(photo, image_bgr=np.round(dimmed).astype(np.uint8))

    def cracks():
        found = inspect_photo(seen, models["wading-bird"]).findings
        line = LineString(thread).buffer(px_per_mm)
        return [f for f in found if f.kind == "hairline crack" and line.intersects(Polygon(f.polygon_xy))]

    assert cracks() == []
    monkeypatch.setattr(findings, "goes_on_beyond", lambda *_, **__: False)
    assert len(cracks()) > 0  # nothing else tells it from one

"""The scoring itself against cases worked out by hand, so that its figures can be relied on."""

import numpy as np
import pytest

from inspector.inspection.hit_miss import fit_hit_miss
from tests.benchmarks.calibration import promise_in_words, reliability
from tests.benchmarks.detection_curves import SizedHits, detection_limit
from tests.benchmarks.figures import COARSE, FINE, split_by_circumstance, split_by_scale, summarise
from tests.benchmarks.judging import judge_photo

PX_PER_MM = 5.0


def square(left, top, side):
    return [[left, top], [left + side, top], [left + side, top + side], [left, top + side]]


def finding(kind, polygon, *, length_mm=6.0, width_mm=3.0, confidence=0.8):
    return {"kind": kind, "polygon": polygon, "length_mm": length_mm, "width_mm": width_mm, "confidence": confidence}


def defect(kind="chip", polygon=None, *, extent_mm=8.0, width_mm=None, path=None):
    area = polygon if polygon is not None else square(100, 100, 40)
    return {"kind": kind, "polygon": area, "extent_mm": extent_mm, "area_mm2": 64.0, "width_mm": width_mm, "path": path}


def judged(findings, defects=(), *, status="inspected", score=0.5, unusable=None, **facts):
    truth = {"photo": "p.jpg", "mold": "m", "px_per_mm": PX_PER_MM, "good": not defects, "defects": list(defects)}
    truth |= facts
    if unusable:
        truth |= {"unusable": unusable, "good": False}
    outcome = {"status": status, "reason": None, "score": score, "seconds": 1.0, "findings": list(findings)}
    return judge_photo(truth, outcome, folder_photo="p.jpg")


@pytest.mark.parametrize(
    ("left", "hit"),
    # A finding of 40 px beside the defect from x = 100 to 140, grown by 5 px each way: 50 px square, so the defect
    # (40 x 40) is the smaller; a quarter of it, 10 of 40 columns, must lie under the finding's grown left edge.
    [(100, True), (130, True), (134, True), (136, False), (150, False)],
)
def test_a_hit_covers_a_quarter_of_the_smaller_area(left, hit):
    row = judged([finding("chip", square(left, 100, 40))], [defect()])
    assert row["defects"][0]["hit"] is hit
    assert row["findings"][0]["hits"] is hit


def test_overlap_and_size_are_worked_out_without_growing():
    row = judged([finding("chip", square(120, 100, 40), length_mm=6.0)], [defect()])["defects"][0]
    assert row["iou"] == pytest.approx(20 * 40 / (60 * 40))
    assert row["length_ratio"] == pytest.approx(6 / 8)
    assert row["kind_right"]
    assert not judged([finding("excess", square(120, 100, 40))], [defect()])["defects"][0]["kind_right"]


def test_the_overlap_of_all_counts_what_was_missed_as_none():
    # Found exactly (1), half of it (20 of 40 columns, so 0.5), and twice missed (0): the middle of all lies at 0.25.
    whole, half = square(100, 100, 40), [[100, 100], [120, 100], [120, 140], [100, 140]]
    photos = [judged([finding("chip", area)], [defect()]) for area in (whole, half)]
    photos += [judged([], [defect()]), judged([], [defect("missing feature")])]
    photos.append(judged([], [defect("surface void"), defect("excess")]))  # these have no overlap to speak of
    figures = summarise(photos)
    assert figures["iou_of_hits"] == {"of": 2, "median": pytest.approx(0.75)}
    assert figures["iou_of_all"] == {"of": 4, "median": pytest.approx(0.25)}


def test_half_a_crack_found_is_half_its_length():
    path = [[100.0, 100.0], [300.0, 100.0]]
    real = defect("hairline crack", [[100, 99], [300, 99], [300, 101], [100, 101]], width_mm=0.4, path=path)
    half = finding("hairline crack", [[100, 98], [195, 98], [195, 102], [100, 102]], width_mm=0.5)
    row = judged([half], [real])["defects"][0]
    assert row["covered"] == pytest.approx(100 / 200, abs=0.01)  # 95 px and 5 px of growth
    assert row["width_error_mm"] == pytest.approx(0.1)


def test_figures_of_a_few_photos():
    good = [judged([], score=0.1), judged([finding("chip", square(0, 0, 9))], score=0.6)]
    broken = [judged([finding("chip", square(100, 100, 40))], [defect()], score=0.9), judged([], [defect()], score=0.3)]
    refused = [judged([], status="unusable", unusable="blurred"), judged([], [defect()], status="unusable")]
    figures = summarise([*good, *broken, *refused])
    assert figures["found"]["chip >= 4 mm"] == {"of": 3, "count": 1, "share": pytest.approx(1 / 3)}
    assert figures["false_per_good_piece"] == 0.5
    assert figures["good_without_finding"]["share"] == 0.5
    assert figures["auroc_of_score"]["auroc"] == pytest.approx(3 / 4)  # 0.9 above both good ones, 0.3 above one of them
    assert figures["usable_refused"] == {"of": 5, "count": 1, "share": 0.2}
    assert figures["unusable_refused"]["share"] == 1.0


def test_a_hit_miss_curve_is_fitted_as_it_was_drawn():
    # Drawn from a logistic curve in log size with a50 = 2 mm and slope 4: a90 = 2 exp(ln(9) / 4).
    rng = np.random.default_rng(8)
    sizes = np.exp(rng.uniform(np.log(0.5), np.log(8), 4000))
    hits = rng.random(4000) < 1 / (1 + np.exp(-4 * (np.log(sizes) - np.log(2))))
    curve = fit_hit_miss(sizes, hits)
    assert curve.a50 == pytest.approx(2, rel=0.05)
    assert curve.a90 == pytest.approx(2 * np.exp(np.log(9) / 4), rel=0.05)
    assert curve.a90 < curve.a90_95 < 1.15 * curve.a90


def test_the_bound_holds_nineteen_times_in_twenty():
    rng = np.random.default_rng(3)
    true_a90 = 2 * np.exp(np.log(9) / 3)
    above = []
    for _ in range(120):
        sizes = np.exp(rng.uniform(np.log(0.5), np.log(12), 80))
        curve = fit_hit_miss(sizes, rng.random(80) < 1 / (1 + np.exp(-3 * (np.log(sizes) - np.log(2)))))
        above.append(curve.a90_95 is None or curve.a90_95 >= true_a90)
    # 120 trials at 95 %: fewer than 107 come up with a probability under 0.5 % (binomial).
    assert sum(above) >= 107


@pytest.mark.parametrize(
    ("sizes", "hits"),
    [
        ([1.0, 2.0, 3.0], [False, True, True]),
        (np.linspace(1, 5, 40), np.ones(40, bool)),
        (np.linspace(1, 5, 40), np.arange(40) < 20),
    ],
    ids=["too few", "all found", "larger ones missed"],
)
def test_too_little_evidence_gives_no_curve(sizes, hits):
    assert fit_hit_miss(sizes, hits) is None


def test_photos_are_told_apart_by_scale_and_circumstance():
    rows = [
        judged([], px_per_mm=4.9, light="flash", notes=["dust", "seam"], camera={"tilt_deg": 12.0}),
        judged([], px_per_mm=12.6, light="flash", notes=[], camera={"tilt_deg": 2.0}),
        judged([], unusable="blurred", light="dome"),
    ]
    assert {name: len(part) for name, part in split_by_scale(rows).items()} == {"all": 3, COARSE: 2, FINE: 1}
    groups = split_by_circumstance(rows)
    assert {name: len(part) for name, part in groups["light"].items()} == {"flash": 2}
    assert sorted(groups["condition"]) == ["camera tilted over 10 degrees", "dust", "nothing special", "seam"]


@pytest.fixture(scope="module")
def found_by_size():
    # Drawn from a logistic curve in log size with a50 = 2 mm and slope 4.
    rng = np.random.default_rng(11)
    sizes = np.exp(rng.uniform(np.log(0.5), np.log(8), 90))
    return SizedHits(tuple(sizes), tuple(rng.random(90) < 1 / (1 + np.exp(-4 * (np.log(sizes) - np.log(2))))))


def test_a_limit_beyond_the_largest_defect_is_not_reached(found_by_size):
    limit = detection_limit(found_by_size)
    small = np.array(found_by_size.sizes_mm) < 0.9 * limit["a90_95"]
    fewer = SizedHits(
        tuple(np.array(found_by_size.sizes_mm)[small].tolist()), tuple(np.array(found_by_size.found)[small].tolist())
    )
    assert detection_limit(fewer)["a90_95"] is None


def test_reliability_counts_what_is_true_in_each_bin():
    real = defect()
    right, wrong = square(100, 100, 40), square(300, 300, 20)
    rows = [
        judged([finding("chip", right, confidence=0.85), finding("chip", wrong, confidence=0.82)], [real]),
        judged([finding("chip", right, confidence=0.88)], [real]),
        judged([finding("chip", wrong, confidence=1.0)]),
        judged([finding("chip", wrong, confidence=0.85)], unusable="blurred"),
    ]
    outcome = reliability(rows)
    assert [(one["findings"], one["true"]) for one in outcome["bins"]] == [(0, 0)] * 8 + [(3, 2), (1, 0)]
    promise = outcome["promise"]
    assert promise["share"] == pytest.approx(2 / 3)
    assert promise["kept"] is False
    # Clopper-Pearson, 2 of 3 at 90 %: the beta quantiles B(0.05; 2, 2) and B(0.95; 3, 1) = 0.95 ** (1 / 3).
    assert promise["interval"] == [pytest.approx(0.13535, abs=1e-4), pytest.approx(0.95 ** (1 / 3), abs=1e-6)]
    assert "Of 3 findings" in promise_in_words(promise)


def test_without_findings_the_promise_cannot_be_checked():
    assert "cannot be checked" in promise_in_words(reliability([judged([])])["promise"])

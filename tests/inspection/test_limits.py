"""Detection limits of an engine whose limit is known: it sees every change that is large enough."""

from collections import Counter
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from inspector.errors import InputError
from inspector.imaging.reading import Photo
from inspector.inspection.engine import ENGINE
from inspector.inspection.limits import MOST_PASSED, measure_limits
from inspector.inspection.photo_quality import PhotoQuality, what_would_help
from inspector.inspection.results import Finding, Inspection

PX_PER_MM = 3.0
SHAPE = (420, 560)
SEEN_FROM_MM = 5.0


@dataclass(frozen=True, eq=False)
class Photographed:
    """A round piece, as far as limits need to know it."""

    name: str
    image_bgr: Any
    px_per_mm: float | None = PX_PER_MM

    @property
    def view(self):
        return SimpleNamespace(photo=Photo(self.name, self.image_bgr, None, None))

    @property
    def piece(self):
        y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
        return np.hypot(x - 280, y - 210) < 190


def good(name, *, shade=150, blur_px=0.0, **options):
    rng = np.random.default_rng(len(name) + shade)
    gray = np.where(Photographed(name, None).piece, shade, 60.0)
    gray[:, 280:] *= 0.8  # an edge to judge sharpness by
    if blur_px:
        gray = cv2.GaussianBlur(gray, (0, 0), blur_px)
    noisy = np.clip(gray + rng.normal(0, 1.0, SHAPE), 0, 255).astype(np.uint8)
    return Photographed(name, np.repeat(noisy[..., None], 3, axis=2), **options)


def engine_for(references, *, seen_from_mm=SEEN_FROM_MM, refuse=(), already=()):
    """An engine that flags changes against the clean photo that are `seen_from_mm` long or longer."""
    clean = {reference.name: reference.image_bgr for reference in references}
    compared, seen = [], Counter()

    def inspect_photo(photo, model):
        compared.append((photo.name, tuple(reference.name for reference in model)))
        status = "unusable" if photo.name in refuse and seen[photo.name] else "inspected"
        seen[photo.name] += 1
        changed = cv2.absdiff(photo.image_bgr, clean[photo.name]).max(axis=2) > 4
        joined = cv2.dilate(changed.astype(np.uint8), np.ones((5, 5), np.uint8))
        contours, _ = cv2.findContours(joined, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        outlines = [c.reshape(-1, 2).astype(float) for c in contours]
        outlines = [c for c in outlines if np.ptp(c, axis=0).max() / PX_PER_MM >= seen_from_mm]
        findings = [Finding("chip", c, 0.9, None, None, None, None, None) for c in [*outlines, *already]]
        return Inspection(photo.name, status, None, 0.5, PX_PER_MM, None, 0.01, findings=tuple(findings))

    engine = replace(ENGINE, combine=tuple, inspect_photo=inspect_photo)
    return engine, compared


def measured(references, *, passed=(), photos=30, seed=1, **options):
    engine, compared = engine_for([*references, *passed], **options)
    steps = []
    limits = measure_limits(
        references, passed=iter(passed), engine=engine, photos=photos, seed=seed, advance=lambda: steps.append(1)
    )
    return limits, compared, len(steps)


@pytest.fixture(scope="module")
def three():
    return [good("r1"), good("r2", shade=140), good("r3", shade=160)]


@pytest.fixture(scope="module")
def outcome(three):
    return measured(three)


def test_the_limit_of_the_engine_is_found(outcome):
    limits = outcome[0]
    # Seen from 5 mm along the longer side of an upright box, after a few pixels of growth: the largest extent lies
    # between that less the growth and its diagonal.
    assert 3.0 < limits.chips.curve.a50 < 7.0
    assert limits.chips.curve.a50 < limits.chips.curve.a90 < limits.chips.reached_mm < 10.0


def test_what_is_always_found_has_no_curve_and_no_limit(outcome):
    cracks = outcome[0].cracks  # 15 mm long or longer, so the engine sees all that are dark enough to show
    wide = [size for size in cracks.classes if size.low_mm > 0.3]
    assert all(size.found == size.planted for size in wide)


def test_the_classes_hold_all_that_was_planted(outcome):
    for limit in (outcome[0].chips, outcome[0].cracks):
        assert sum(size.planted for size in limit.classes) == limit.planted
        assert sum(size.found for size in limit.classes) == limit.found
        assert limit.planted >= 50
    assert [p for _, p in outcome[0].chips.curve_points] == sorted(p for _, p in outcome[0].chips.curve_points)


def test_a_photo_is_never_compared_with_itself(outcome, three):
    _, compared, steps = outcome
    assert len(compared) == 30 + len(three)  # each reference once as it is
    assert steps == 30
    for name, others in compared:
        assert name not in others
        assert len(others) == 2


def test_a_limit_beyond_the_sizes_tried_is_not_reached(three):
    limits, _, _ = measured(three, photos=10, seen_from_mm=60)
    assert limits.chips.found == 0
    assert (limits.chips.curve, limits.chips.reached_mm, limits.chips.curve_points) == (None, None, ())


def test_the_same_seed_plants_the_same(three):
    first, again, other = (measured(three, photos=10, seed=seed)[0] for seed in (4, 4, 5))
    assert first.chips == again.chips
    assert first.chips != other.chips


def test_findings_on_the_untouched_photo_are_counted_and_no_hits(three):
    square = np.array([[250.0, 180], [310, 180], [310, 240], [250, 240]])
    limits, _, _ = measured(three, photos=10, seen_from_mm=60, already=[square])
    assert limits.false_findings == 1.0
    assert limits.chips.found == limits.cracks.found == 0


def test_refused_photos_count_for_nothing(three):
    limits, _, steps = measured(three, photos=12, refuse=("r2",))
    assert (limits.inspected, limits.refused, steps) == (8, 4, 12)
    assert limits.chips.planted <= 16


def test_half_of_the_chips_take_the_outline_away(outcome):
    chips, cracks = outcome[0].chips, outcome[0].cracks
    assert len(chips.at("outline")) + len(chips.at("surface")) == chips.planted
    assert min(len(chips.at("outline")), len(chips.at("surface"))) >= 25
    assert cracks.at("outline") == ()


def test_one_reference_is_not_enough_by_itself():
    with pytest.raises(InputError, match="one reference only, and no other piece was passed as good"):
        measured([good("r1")])


def test_without_a_scale_sizes_are_not_known():
    with pytest.raises(InputError, match="No reference of this mold shows the mat, so sizes"):
        measured([good("r1", px_per_mm=None), good("r2", px_per_mm=None)])


def test_passed_pieces_are_planted_into_and_compared_with_all_references():
    passed = [good("p1", shade=145), good("p2", shade=155)]
    limits, compared, steps = measured([good("r1")], passed=passed, photos=30)
    assert (limits.inspected, steps, limits.without_scale) == (30, 30, 0)
    assert set(compared) == {("p1", ("r1",)), ("p2", ("r1",))}
    assert [(photo.photo, photo.passed) for photo in limits.photos] == [("p1", True), ("p2", True)]
    assert 3.0 < limits.chips.curve.a50 < 7.0


def test_references_and_passed_pieces_share_the_photos(three):
    limits, compared, _ = measured(three, passed=[good("p1")], photos=12)
    planted = Counter(name for name, _ in compared)
    assert planted == {"r1": 4, "r2": 4, "r3": 4, "p1": 4}  # each once as it is
    assert {others for name, others in compared if name == "p1"} == {("r1", "r2", "r3")}
    assert [photo.passed for photo in limits.photos] == [False, False, False, True]
    assert not any(advice.startswith("More references") for advice in limits.advice)


def test_no_more_passed_pieces_are_read_than_are_planted_into():
    read = []

    def newest_first():
        for number in range(20):
            read.append(number)
            yield good(f"p{number}", px_per_mm=None if number == 1 else PX_PER_MM)

    references = [good("r1")]
    engine, _ = engine_for([*references, *(good(f"p{number}") for number in range(20))])
    limits = measure_limits(references, passed=newest_first(), engine=engine, photos=10, seed=1, advance=lambda: None)
    assert read == list(range(MOST_PASSED + 1))
    assert [photo.photo for photo in limits.photos] == ["p0", "p2", "p3", "p4"]
    assert limits.without_scale == 1


@pytest.mark.parametrize(
    ("count", "expected"),
    [
        (1, "one reference only, and the one photo of a passed piece that was looked at does not show the mat"),
        (3, "one reference only, and none of the 3 photos of passed pieces that were looked at shows the mat"),
    ],
)
def test_where_no_passed_piece_lies_on_the_mat_that_is_said(count, expected):
    with pytest.raises(InputError, match=expected):
        measured([good("r1")], passed=[good(f"p{number}", px_per_mm=None) for number in range(count)])


def test_a_reference_without_scale_is_compared_with_but_not_planted_into(three):
    limits, compared, _ = measured([*three[:2], good("r3", px_per_mm=None)], photos=10)
    assert {name for name, _ in compared} == {"r1", "r2"}
    assert [photo.photo for photo in limits.photos] == ["r1", "r2"]


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({"shade": 70}, "More light: the middle brightness of the piece is"),
        ({"shade": 255}, "Softer light:"),
        ({"blur_px": 2.5}, "Sharper: the photos are blurred over"),
        ({}, "More references: here each photo was compared with 1"),
    ],
)
def test_advice_follows_from_the_photos(options, expected):
    limits, _, _ = measured([good("r1", **options), good("r22", **options)], photos=10)
    assert any(advice.startswith(expected) for advice in limits.advice)


@pytest.mark.parametrize("blur_px", [1.0, 1.8, 2.5])
def test_the_blur_of_a_photo_is_measured(blur_px):
    limits, _, _ = measured([good("r1", blur_px=blur_px), good("r22", blur_px=blur_px)], photos=10)
    for photo in limits.photos:
        assert photo.blur_px == pytest.approx(blur_px, rel=0.2)
    assert not any(advice.startswith("More light") for advice in limits.advice)


@pytest.mark.parametrize(("shadow_light", "told"), [(0.08, True), (0.3, False), (None, False)])
def test_a_deep_shadow_beside_the_piece_asks_for_softer_light(shadow_light, told):
    photo = PhotoQuality("r1", False, 5.0, 0.8, 130.0, 0.0, 1.0, shadow_light)
    advice = what_would_help([photo], compared_with=3, crack_limit_mm=None)
    assert any("the deepest shadow beside the piece keeps 8%" in sentence for sentence in advice) == told

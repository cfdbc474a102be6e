"""How sure a mark is after reviewers spoke about its place: lowered, never blinded, and taken back."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import betabinom

from inspector.inspection.confidence import SHOWN_FROM
from inspector.inspection.reviewed_places import PlaceInBox, ReviewedPlace, Said, lowered, place_in_box, said_at

SQUARE = np.array([[40.0, 40], [60, 40], [60, 60], [40, 60]])
CHIP = ReviewedPlace("r1.jpg", SQUARE, "chip", piece=1, confidence=0.9, confirmed=False)


def in_box(place):
    mask = np.full((30, 30), 255, np.uint8)
    return PlaceInBox(place, mask, left=35, top=35)


def mark(left, top, width, height):
    return np.full((height, width), 255, np.uint8), left, top


@pytest.mark.parametrize("pieces", [1, 2, 5, 20])
def test_a_mark_as_sure_as_those_dismissed_has_the_mean_of_a_beta_binomial(pieces):
    # SciPy's beta-binomial: one more piece, after a prior of Beta(2 p, 2 (1 - p)) and as many pieces that were good.
    p = 0.9
    expected = betabinom(1, 2 * p, 2 * (1 - p) + pieces).mean()
    assert lowered(p, Said(dismissed=(p,) * pieces)) == pytest.approx(expected)


def test_one_dismissal_takes_a_third_and_hides_nothing_that_is_clear():
    after = lowered(0.9, Said(dismissed=(0.9,)))
    assert after == pytest.approx(0.6)
    # A dark line that no map of cracks shows counts only when it is the surest.
    assert after > max(least for source, least in SHOWN_FROM.items() if source != "line")


def test_a_mark_much_surer_than_those_dismissed_still_stands():
    assert lowered(0.99, Said(dismissed=(0.7,) * 10)) > 0.8
    assert lowered(0.7, Said(dismissed=(0.99,) * 10)) < 0.12


def test_a_confirmation_takes_a_dismissal_back():
    assert lowered(0.8, Said(dismissed=(0.8,), confirmed=1)) == 0.8
    assert lowered(0.8, Said(dismissed=(0.8, 0.8), confirmed=1)) == pytest.approx(lowered(0.8, Said(dismissed=(0.8,))))


@given(
    st.floats(0, 1),
    st.lists(st.floats(0, 1), max_size=8),
    st.integers(0, 10),
)
def test_a_mark_is_never_raised_and_each_dismissal_lowers_it_or_leaves_it(confidence, dismissed, confirmed):
    after = lowered(confidence, Said(tuple(dismissed), confirmed))
    assert 0 <= after <= confidence
    assert lowered(confidence, Said((*dismissed, 0.5), confirmed)) <= after
    assert lowered(confidence, Said(tuple(dismissed), confirmed + 1)) >= after


def test_pieces_are_counted_and_not_photos_of_them():
    places = [in_box(CHIP), in_box(replace(CHIP, confidence=0.6)), in_box(replace(CHIP, piece=2))]
    assert said_at(*mark(45, 45, 10, 10), "chip", places) == Said(dismissed=(0.9, 0.9))


def test_a_mark_that_reaches_beyond_a_dismissed_place_is_judged_as_if_nothing_had_been_said():
    assert said_at(*mark(30, 30, 60, 60), "chip", [in_box(CHIP)]) == Said()
    assert said_at(*mark(200, 30, 10, 10), "chip", [in_box(CHIP)]) == Said()


def test_a_confirmed_mark_counts_for_a_larger_one_around_it():
    assert said_at(*mark(30, 30, 60, 60), "chip", [in_box(replace(CHIP, confirmed=True))]) == Said(confirmed=1)


@pytest.mark.parametrize(
    ("kind", "counts"),
    [("missing feature", True), ("surface void", True), ("hairline crack", False), ("excess", False)],
)
def test_a_dismissed_chip_says_nothing_about_cracks(kind, counts):
    assert (said_at(*mark(45, 45, 10, 10), kind, [in_box(CHIP)]) != Said()) == counts


def test_a_place_is_brought_from_a_turned_reference_into_the_box():
    # The reference's frame is the box turned by 30 degrees and shifted, its photo is that frame at twice the size.
    turn = cv2.getRotationMatrix2D((100, 100), 30, 1.0)
    turn[:, 2] += (12.0, -7.0)
    columns, rows = np.meshgrid(np.arange(200.0), np.arange(200.0))
    photo_xy = (np.stack([columns, rows], axis=-1) @ turn[:, :2].T + turn[:, 2]).astype(np.float32)
    reference = SimpleNamespace(view=SimpleNamespace(frame=SimpleNamespace(photo_from_frame=np.diag([2.0, 2.0, 1.0]))))
    in_photo = 2 * (SQUARE @ turn[:, :2].T + turn[:, 2])
    found = place_in_box(
        replace(CHIP, polygon_xy=in_photo), reference, SimpleNamespace(photo_xy=photo_xy), px_per_mm=4.0
    )
    rows, columns = np.nonzero(found.mask)
    # 1.5 mm are 6 px around it.
    assert columns.min() + found.left == pytest.approx(34, abs=1)
    assert columns.max() + found.left == pytest.approx(66, abs=1)
    assert rows.min() + found.top == pytest.approx(34, abs=1)
    assert rows.max() + found.top == pytest.approx(66, abs=1)

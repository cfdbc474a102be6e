"""A place that looks damaged is compared once more, where it lies and a little aside."""

import cv2
import numpy as np
import pytest

from inspector.comparing.agreement import agreement_at

PX_PER_MM = 2.0
SHAPE = (90, 110)
PIECE = np.ones(SHAPE, bool)
PLACE = np.ones((10, 14), bool)
LEFT, TOP = 50, 40


def surface(seed):
    """Random relief as four channels of signed features, a millimetre or two across."""
    rng = np.random.default_rng(seed)
    return np.dstack([cv2.GaussianBlur(rng.normal(0, 1, SHAPE), (0, 0), 1.5) for _ in range(4)]).astype(np.float32)


def agreement(photo, *references, left=LEFT, top=TOP, piece=PIECE):
    return agreement_at(PLACE, left, top, photo, references, piece, px_per_mm=PX_PER_MM)


def broken(photo, *, seed=9):
    """Something else where the place is, with its rim."""
    other = photo.copy()
    here = np.s_[TOP - 4 : TOP + 14, LEFT - 4 : LEFT + 18]
    other[here] = surface(seed)[here]
    return other


def moved(photo, dx, dy):
    return np.roll(photo, (dy, dx), axis=(0, 1))


def test_the_same_surface_agrees_everywhere():
    told = agreement(surface(1), surface(1))
    assert [told.place, told.place_anywhere, told.around, told.around_anywhere, told.place_moved] == pytest.approx(
        [1.0] * 5, abs=1e-4
    )


def test_where_something_broke_off_the_place_is_found_nowhere_and_its_surroundings_are():
    told = agreement(broken(surface(1)), surface(1))
    assert told.place_anywhere < 0.6
    assert told.around > 0.8
    assert told.place_moved == pytest.approx(told.place)


@pytest.mark.parametrize(("dx", "dy"), [(3, 0), (-2, 4), (0, -5)])
def test_what_lies_aside_is_found_there(dx, dy):
    told = agreement(moved(surface(1), dx, dy), surface(1))
    assert told.place < 0.6
    assert [told.place_anywhere, told.around_anywhere, told.place_moved] == pytest.approx([1.0] * 3, abs=1e-4)


def test_a_broken_place_that_also_lies_aside_is_found_nowhere():
    told = agreement(moved(broken(surface(1)), 3, 2), surface(1))
    assert told.around_anywhere > 0.8 > told.around
    assert told.place_moved < 0.6


def test_light_that_makes_features_stronger_or_weaker_changes_nothing():
    dimmed, plain = (agreement(factor * broken(surface(1)), surface(1)) for factor in (0.3, 1.0))
    assert dimmed.place == pytest.approx(plain.place, abs=1e-4)
    assert dimmed.around == pytest.approx(plain.around, abs=1e-4)


def test_the_reference_that_agrees_best_counts():
    alone, among = agreement(surface(1), surface(2)), agreement(surface(1), surface(2), surface(1))
    assert alone.place < 0.6
    assert among.place == pytest.approx(1.0, abs=1e-4)


def test_what_is_no_piece_does_not_count_as_its_surroundings():
    photo, reference = surface(1), surface(1)
    mat = np.arange(SHAPE[1]) > LEFT + PLACE.shape[1] + 2
    photo[:, mat] = surface(3)[:, mat]
    assert agreement(photo, reference).around < 0.9
    assert agreement(photo, reference, piece=np.tile(~mat, (SHAPE[0], 1))).around == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(("left", "top"), [(0, 0), (SHAPE[1] - 14, SHAPE[0] - 10), (-3, 40)])
def test_at_the_edge_of_the_box_only_what_is_in_it_counts(left, top):
    told = agreement(surface(1), surface(1), left=left, top=top)
    assert told.place == pytest.approx(1.0, abs=1e-4)


def test_a_surface_without_anything_to_see_agrees_with_nothing():
    told = agreement(np.zeros((*SHAPE, 4), np.float32), surface(1))
    assert (told.place, told.place_anywhere, told.around) == (0.0, 0.0, 0.0)
    told = agreement(surface(1), np.zeros((*SHAPE, 4), np.float32))
    assert (told.place, told.place_anywhere, told.around) == (0.0, 0.0, 0.0)

"""Marks are gathered by place as if each were held against every other one, pixel by pixel."""

import cv2
import numpy as np
import pytest

from inspector.inspection.reviewed_places import MOSTLY
from inspector.workshop.gathering_marks import DrawnMark, gather


@pytest.mark.parametrize("seed", range(5))
def test_marks_are_gathered_as_if_each_were_held_against_every_other_one(seed):
    rng = np.random.default_rng(seed)
    marks = [a_mark(rng, around=rng.choice([30, 60], 2)) for _ in range(140)]
    places = gather(marks)
    assert places == held_against_every_other_one(marks)
    assert max(len(place) for place in places) > 5
    assert len({len(place) for place in places}) > 2


def test_two_marks_of_which_half_of_the_smaller_lies_on_the_other_are_at_one_place():
    def box(left, *, width=8, dismissed=True):
        return DrawnMark((1, "loss"), dismissed, np.full((4, width), 255, np.uint8), left, 0)

    assert gather([box(0), box(4)]) == [[0, 1]]
    assert gather([box(0), box(5)]) == [[0], [1]]
    assert gather([box(4), box(0)]) == [[0, 1]]
    assert gather([box(0, width=40), box(36)]) == [[0, 1]]
    # The confirmed mark lies at both; the one after it lies at both as well, on which it lies.
    assert gather([box(0), box(3, dismissed=False), box(6), box(4, dismissed=False)]) == [[0, 1, 3], [2, 1, 3]]


def test_marks_on_other_references_or_of_another_class_lie_elsewhere():
    mask = np.full((4, 4), 255, np.uint8)
    assert gather([DrawnMark(beside, True, mask, 0, 0) for beside in ((1, "loss"), (2, "loss"), (1, "crack"))]) == [
        [0],
        [1],
        [2],
    ]


def test_confirmed_marks_alone_are_no_place():
    assert gather([]) == []
    assert gather([DrawnMark((1, "loss"), False, np.full((4, 4), 255, np.uint8), 0, 0)]) == []


def a_mark(rng, *, around):
    mask = np.zeros(rng.integers(3, 40, 2), np.uint8)
    corners = rng.integers(0, mask.shape[::-1], (rng.integers(3, 7), 2))
    corners[0], corners[1] = (0, 0), mask.shape[::-1]
    cv2.fillPoly(mask, [corners.astype(np.int32)], 255)
    left, top = (int(v) for v in around + rng.integers(-6, 7, 2))
    return DrawnMark((1, str(rng.choice(["loss", "crack"]))), bool(rng.integers(2)), mask, left, top)


def held_against_every_other_one(marks):
    """The plain way: all marks on a whole raster, every pair of them."""
    whole = []
    for mark in marks:
        raster = np.zeros((110, 110), bool)
        height, width = mark.mask.shape
        raster[mark.top : mark.top + height, mark.left : mark.left + width] = mark.mask > 0
        whole.append(raster)

    def together(one, other):
        if marks[one].beside != marks[other].beside:
            return False
        return (whole[one] & whole[other]).sum() >= MOSTLY * min(whole[one].sum(), whole[other].sum())

    places = []
    for number, mark in enumerate(marks):
        if mark.dismissed:
            at = next((place for place in places if any(together(number, other) for other in place)), None)
            if at is None:
                places.append([number])
            else:
                at.append(number)
    for number, mark in enumerate(marks):
        if not mark.dismissed:
            for place in [place for place in places if any(together(number, other) for other in place)]:
                place.append(number)
    return places

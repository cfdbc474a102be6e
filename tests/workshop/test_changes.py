from dataclasses import replace
from datetime import UTC, datetime

import pytest

from inspector.workshop import WindowChange
from inspector.workshop.changes import moved_window
from tests.windows import WINDOW as A_WINDOW

AT = datetime(2026, 5, 4, tzinfo=UTC)
WINDOW = replace(A_WINDOW, earliest_h=30.0, evidence={"pieces": 40, "lost": 3, "target_loss": 0.05})


def moved(**changes):
    return moved_window([WindowChange(1, AT, WINDOW), WindowChange(2, AT, replace(WINDOW, **changes))])


def test_one_window_alone_has_not_moved():
    assert moved_window([WindowChange(1, AT, WINDOW)]) is None


def test_less_than_half_an_hour_is_no_move():
    assert moved(earliest_h=30.4) is None


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"evidence": {**WINDOW.evidence, "pieces": 41}}, "1 more piece known, 0 of them lost."),
        ({"temperature_degc": 12.0}, "12 degC expected instead of 20 degC."),
        ({"mix": None}, "Mix not known is poured instead of grey."),
        ({"evidence": {**WINDOW.evidence, "target_loss": 0.02}}, "The target is 2.0 % lost instead of 5.0 %."),
        ({}, "What the other molds and break tests tell has changed."),
    ],
)
def test_a_move_is_told_with_what_differs(changes, why):
    change = moved(earliest_h=36.0, **changes)
    assert (change.earliest_before_h, change.earliest_h, change.why) == (30.0, 36.0, why)


def test_a_window_that_no_age_meets_any_more_has_moved():
    assert moved(earliest_h=None).earliest_h is None

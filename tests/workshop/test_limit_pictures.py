"""The picture of detection limits, by the texts and marks in it."""

import re
from itertools import pairwise

import numpy as np
import pytest

from inspector.inspection.hit_miss import fit_hit_miss
from inspector.inspection.limits import DetectionLimit, DetectionLimits, PlantedDefect, SizeClass
from inspector.workshop import limits_picture


def limit(kind, sizes, found):
    defects = tuple(PlantedDefect(float(size), "surface", bool(hit)) for size, hit in zip(sizes, found, strict=True))
    curve = fit_hit_miss(list(sizes), list(found))
    bounds = np.geomspace(min(sizes), max(sizes) * 1.001, 4)
    inside = [(sizes >= low) & (sizes < high) for low, high in pairwise(bounds)]
    classes = tuple(
        SizeClass(float(low), float(high), int(where.sum()), int(found[where].sum()))
        for (low, high), where in zip(pairwise(bounds), inside, strict=True)
    )
    return DetectionLimit(kind, defects, float(min(sizes)), float(max(sizes)), classes, curve, ())


@pytest.fixture(scope="module")
def measured():
    rng = np.random.default_rng(5)
    sizes = np.geomspace(1.5, 14, 60)
    seen = rng.random(60) < 1 / (1 + np.exp(-6 * np.log(sizes / 4)))
    chips = limit("chip", sizes, seen)
    cracks = limit("hairline crack", np.geomspace(0.1, 1.2, 20), np.zeros(20, bool))
    return DetectionLimits(chips, cracks, (), 0, 30, 0, 0.0, ())


@pytest.fixture(scope="module")
def svg(measured):
    return limits_picture(measured, title="heron, side", file_format="svg").decode()


def texts(svg):
    return re.findall(r"<!-- (.+?) -->", svg)


def test_both_kinds_are_drawn_with_their_limit(svg, measured):
    told = texts(svg)
    reached = measured.chips.reached_mm
    assert "heron, side" in told
    assert f"Chips: {measured.chips.found} of 60 found, a90/95 {reached:.2f} mm" in told
    assert "Hairline cracks: 0 of 20 found, a90/95 not reached" in told
    assert {"largest extent [mm]", "width [mm]"} <= set(told)


def test_shares_are_those_of_the_classes_in_the_table(svg, measured):
    classes = [*measured.chips.classes, *measured.cracks.classes]
    assert [text for text in texts(svg) if re.fullmatch(r"\d+/\d+", text)] == [
        f"{c.found}/{c.planted}" for c in classes
    ]


def test_marks_and_lines_are_named(svg):
    names = {"found, one defect each", "missed, one defect each", "fitted curve", "its lower 95 % bound"}
    assert names <= set(texts(svg))


def test_the_same_numbers_give_the_same_file(svg, measured):
    assert limits_picture(measured, title="heron, side", file_format="svg").decode() == svg


def test_a_picture_for_print(measured):
    assert limits_picture(measured, title="heron", file_format="png").startswith(b"\x89PNG")

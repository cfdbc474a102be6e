"""Where a defect lies, on drawn pieces: at the outline, inside, or in shadow."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.benchmarks.judging import judge_photo
from tests.benchmarks.places import places_of, with_places

SAMPLES = Path(__file__).parents[2] / "sample_images"
PX_PER_MM = 5.0


def box(left, top, right, bottom):
    return [[left, top], [right, top], [right, bottom], [left, bottom]]


def scene(*defects, openings=(), shade=None, strength=0.1):
    """A piece from 50 to 350 px in both directions on a bright mat; part of it in shade with a share of the light."""
    gray = np.full((400, 400), 230, dtype=np.uint8)
    gray[50:350, 50:350] = 180
    if shade is not None:
        left, top, right, bottom = shade
        # Linear light is the value to the power of 2.2 (IEC 61966-2-1, within a few hundredths).
        gray[top:bottom, left:right] = round(180 * strength ** (1 / 2.2))
    truth = {
        "photo": "p.jpg",
        "mold": "m",
        "good": False,
        "px_per_mm": PX_PER_MM,
        "piece_outline": box(50, 50, 350, 350),
        "piece_openings": list(openings),
        "defects": [
            {"kind": "chip", "polygon": polygon, "extent_mm": 4.0, "area_mm2": 9.0, "width_mm": None}
            for polygon in defects
        ],
    }
    return truth, gray


@pytest.mark.parametrize(
    ("left", "place"),
    # The piece begins at 50 px, so that 1 mm of it ends at 55 px; what begins at 40 px was broken off the outline.
    [(57, "inside"), (53, "at the outline"), (50, "at the outline"), (40, "at the outline"), (200, "inside")],
)
def test_a_defect_within_a_millimetre_of_the_mat_is_at_the_outline(left, place):
    assert places_of(*scene(box(left, 200, left + 20, 220))) == [place]


def test_what_is_gone_from_the_piece_altogether_is_at_its_outline():
    assert places_of(*scene(box(350, 180, 390, 220))) == ["at the outline"]


def test_an_opening_has_an_outline_too():
    beside = box(183, 150, 200, 170)
    assert places_of(*scene(beside)) == ["inside"]
    assert places_of(*scene(beside, openings=[box(120, 120, 180, 200)])) == ["at the outline"]


@pytest.mark.parametrize(("strength", "place"), [(0.1, "in shadow"), (0.25, "in shadow"), (0.35, "inside")])
def test_a_defect_in_less_than_three_tenths_of_the_light_is_in_shadow(strength, place):
    assert places_of(*scene(box(200, 200, 220, 220), shade=(150, 150, 300, 300), strength=strength)) == [place]


def test_a_dark_defect_on_a_lit_piece_is_not_in_shadow():
    hollow = box(200, 200, 220, 220)
    assert places_of(*scene(hollow, shade=(200, 200, 220, 220), strength=0.02)) == ["inside"]


def test_a_piece_that_lies_in_shadow_for_the_most_part_is_held_against_its_lit_part():
    at_dark, at_light = box(100, 200, 120, 220), box(320, 200, 335, 215)
    assert places_of(*scene(at_dark, at_light, shade=(50, 50, 290, 350))) == ["in shadow", "inside"]


def test_a_defect_at_the_outline_in_shadow_is_in_shadow():
    assert places_of(*scene(box(50, 200, 70, 220), shade=(50, 150, 150, 300))) == ["in shadow"]


def test_a_judged_photo_keeps_the_place_of_each_defect():
    truth, gray = scene(box(50, 200, 70, 220), box(200, 200, 220, 220))
    found = [{"kind": "chip", "polygon": box(200, 200, 220, 220), "confidence": 0.9, "length_mm": 4.0, "width_mm": 4.0}]
    outcome = {"status": "inspected", "reason": None, "score": 0.9, "seconds": 1.0, "findings": found}
    row = with_places(judge_photo(truth, outcome, folder_photo="p.jpg"), truth, gray)
    assert [(d["place"], d["hit"]) for d in row["defects"]] == [("at the outline", False), ("inside", True)]


@pytest.mark.parametrize(
    ("name", "number", "place"),
    [
        ("wading-bird-08.jpg", 0, "inside"),  # a void in the middle of the wing
        ("oak-leaf-01.jpg", 0, "inside"),  # a crack along the middle vein
        ("oak-leaf-04.jpg", 0, "at the outline"),  # a chip of the stalk
        ("oak-leaf-08.jpg", 0, "at the outline"),  # a lobe that is gone; its shadow falls on the mat only
        ("rosette-tile-04.jpg", 0, "in shadow"),  # a void behind the raised border, under a hard lamp
        ("rosette-tile-04.jpg", 1, "in shadow"),  # a chip of the side that is turned from it
    ],
)
def test_sample_photos_that_were_looked_at(name, number, place):
    entries = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
    truth = next(entry for entry in entries if entry["photo"] == name)
    assert places_of(truth, cv2.imread(str(SAMPLES / name), cv2.IMREAD_GRAYSCALE))[number] == place

from dataclasses import replace

import cv2
import numpy as np
import pytest

from inspector.inspection import KINDS, Finding, Inspection, draw_overlay

SQUARE = np.array([[400.0, 300.0], [560.0, 300.0], [560.0, 420.0], [400.0, 420.0]])
GRAY = np.full((900, 1200, 3), 128, np.uint8)


def inspection(*kinds, **changes):
    findings = tuple(
        Finding(kind, SQUARE + np.array([0, 180 * k - 180]), 0.9, 30.0, 6.1, 0.42, None, None)
        for k, kind in enumerate(kinds)
    )
    facts = {"px_per_mm": 5.0, "reference": "r1.jpg", "seconds": 0.5, "findings": findings}
    return Inspection("p.jpg", "inspected", None, 0.9, **(facts | changes))


def changed(picture, base=GRAY):
    return np.any(picture != base, axis=-1)


@pytest.mark.parametrize("kind", KINDS)
def test_the_outline_of_a_finding_is_drawn_where_it_is(kind):
    drawn = changed(draw_overlay(GRAY, inspection(kind)))
    y, x = np.mgrid[0:900, 0:1200]
    expected = SQUARE - np.array([0, 180])
    on_line = np.zeros(GRAY.shape[:2], np.uint8)
    cv2.polylines(on_line, [expected.astype(np.int32)], True, 255, 1)
    assert np.mean(drawn[on_line > 0]) > 0.5  # dashes leave gaps
    inside = (x > 420) & (x < 540) & (y > 140) & (y < 220)
    assert not drawn[inside].any()


def test_colour_is_not_the_only_sign_of_a_kind():
    # The dashes alone, as a row of drawn (x) and not: each kind has its own number and lengths.
    patterns = set()
    for kind in KINDS:
        colour = np.ptp(draw_overlay(GRAY, inspection(kind))[120, 402:558].astype(int), axis=-1)
        runs = "".join("x" if seen else " " for seen in colour > 0.7 * colour.max()).split()[1:-1]
        patterns.add((len(runs), len(max(runs, default="")), len(min(runs, default="", key=len))))
    assert len(patterns) == len(KINDS)


def simulated(colour_bgr, kind):
    """How a colour looks to a person without red cones (protan) or green cones (deutan).

    Vienot, Brettel and Mollon 1999: matrices for linear RGB (values from memory).
    """
    linear = (np.array(colour_bgr[::-1]) / 255.0) ** 2.2
    matrix = {
        "protan": [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]],
        "deutan": [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]],
    }[kind]
    return 255 * np.clip(np.array(matrix) @ linear, 0, 1) ** (1 / 2.2)


@pytest.mark.parametrize("sight", ["protan", "deutan"])
def test_colours_are_told_apart_without_red_or_green_cones(sight):
    colours = []
    for kind in KINDS:
        picture = draw_overlay(GRAY, inspection(kind))
        strip = picture[118:123, 402:558].reshape(-1, 3)
        colours.append(simulated(strip[np.argmax(np.ptp(strip.astype(int), axis=1))], sight))
    for k, first in enumerate(colours):
        for second in colours[k + 1 :]:
            assert np.linalg.norm(first - second) > 30


def test_each_finding_gets_words_and_a_size():
    bare = replace(inspection("chip"), findings=())
    with_words = draw_overlay(GRAY, inspection("chip"))
    box = with_words[20:130, 570:900]  # to the right of the outline
    assert np.count_nonzero(changed(box, GRAY[20:130, 570:900])) > 1000
    assert not changed(draw_overlay(GRAY, bare)[20:130, 570:900], GRAY[20:130, 570:900]).any()


def test_the_scale_bar_is_as_long_as_it_says():
    picture = draw_overlay(GRAY, inspection())
    dark = np.all(picture < 60, axis=-1)
    runs = [max((len(run) for run in "".join("x" if v else " " for v in row).split()), default=0) for row in dark[760:]]
    # The longest round length within a quarter of the width: 50 mm at 5 px/mm.
    assert max(runs) == pytest.approx(250, abs=2)


def test_without_scale_there_is_no_bar():
    lower = draw_overlay(GRAY, inspection(px_per_mm=None))[700:]
    assert not changed(lower, GRAY[700:]).any()


def test_an_unusable_photo_says_so_in_the_picture():
    refused = Inspection("p.jpg", "unusable", "p.jpg is too dark. Turn on a lamp.", 0.0, None, None, 0.1)
    assert changed(draw_overlay(GRAY, refused))[:60].any()


def test_the_photo_itself_is_not_drawn_on():
    photo = GRAY.copy()
    draw_overlay(photo, inspection(*KINDS))
    assert np.array_equal(photo, GRAY)


@pytest.mark.parametrize("shape", [(1, 1, 3), (40, 3, 3), (3000, 4000, 3)])
def test_any_size_of_photo_can_be_drawn_on(shape):
    picture = np.full(shape, 128, np.uint8)
    assert draw_overlay(picture, inspection("chip", "hairline crack")).shape == shape


def test_the_outline_is_as_bold_on_a_large_photo():
    small = draw_overlay(GRAY, inspection("missing feature"))
    large_findings = tuple(replace(f, polygon_xy=f.polygon_xy * 3) for f in inspection("missing feature").findings)
    large = draw_overlay(np.repeat(np.repeat(GRAY, 3, 0), 3, 1), inspection(findings=large_findings))
    thick_small = changed(small)[100:140, 480].sum()
    thick_large = np.any(large != 128, axis=-1)[300:420, 1440].sum()
    assert thick_large == pytest.approx(3 * thick_small, rel=0.35)

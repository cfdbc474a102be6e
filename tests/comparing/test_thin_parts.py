"""Thin parts of drawn shapes, whose sizes are known from how they were drawn."""

import cv2
import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box
from shapely.ops import unary_union

from inspector.comparing.thin_parts import local_thickness, thin_parts

PX_PER_MM = 4.0
SIZE_MM = (180.0, 120.0)
BODY = Point(90, 60).buffer(30)


def drawn(*shapes):
    """A mask of shapes in mm, those after the first joined to it."""
    whole = unary_union(shapes)
    mask = np.zeros((round(SIZE_MM[1] * PX_PER_MM), round(SIZE_MM[0] * PX_PER_MM)), np.uint8)
    for polygon in getattr(whole, "geoms", [whole]):
        rings = [polygon.exterior, *polygon.interiors]
        points = [np.round(np.array(ring.coords) * PX_PER_MM - 0.5).astype(np.int32) for ring in rings]
        cv2.fillPoly(mask, points, 255)
    return mask


def found_in(mask):
    return thin_parts(mask, px_per_mm=PX_PER_MM)


def in_mm(part):
    return Polygon((part.polygon_xy + 0.5) / PX_PER_MM)


def wedge(degrees, *, tip_xy=(160.0, 60.0), length=80.0):
    """A point of the given angle, opening towards the body."""
    half = np.tan(np.radians(degrees) / 2) * length
    return Polygon([tip_xy, (tip_xy[0] - length, 60 - half), (tip_xy[0] - length, 60 + half)])


@pytest.mark.parametrize("width_mm", [3.0, 6.0, 12.0])
def test_a_bar_out_of_a_disc_has_its_width_and_length(width_mm):
    bar = box(90, 60 - width_mm / 2, 160, 60 + width_mm / 2)
    (part,) = found_in(drawn(BODY, bar))
    assert part.thickness_mm == pytest.approx(width_mm, abs=0.6)
    # It leaves the disc where the disc is as high as the bar is half wide.
    assert part.length_mm == pytest.approx(160 - 90 - np.sqrt(30**2 - (width_mm / 2) ** 2), rel=0.2)
    visible = bar.difference(BODY)
    assert in_mm(part).intersection(visible).area > 0.8 * visible.area
    assert in_mm(part).difference(visible.buffer(1.5)).area < 0.15 * visible.area


def test_parts_are_told_apart_thinnest_first():
    bars = [box(90, 30, 94, 110), box(87, 57, 165, 63), box(20, 55, 90, 65)]
    parts = found_in(drawn(BODY, *bars))
    assert [round(part.thickness_mm) for part in parts] == [4, 6, 10]


def test_legs_between_body_and_base_are_two_parts():
    legs = [box(78, 60, 84, 108), box(96, 60, 102, 108)]
    base = box(55, 104, 125, 120)
    parts = found_in(drawn(Point(90, 45).buffer(32), *legs, base))[:2]
    assert [part.thickness_mm for part in parts] == pytest.approx([6, 6], abs=0.6)
    for leg in legs:
        seen = box(leg.bounds[0], 79, leg.bounds[2], 103)
        assert max(in_mm(part).intersection(seen).area for part in parts) > 0.85 * seen.area


@pytest.mark.parametrize(("degrees", "count"), [(30, 1), (45, 1), (90, 0)])
def test_a_sharp_wedge_sticks_out_and_a_corner_does_not(degrees, count):
    assert len(found_in(drawn(BODY, wedge(degrees)))) == count


def test_a_neck_ends_a_part():
    bill, head = box(130, 58, 170, 62), Point(122, 60).buffer(9)
    thinnest = found_in(drawn(BODY, head, bill))[0]
    assert thinnest.thickness_mm == pytest.approx(4, abs=0.6)
    assert in_mm(thinnest).intersection(head.buffer(-2)).area < 0.1 * head.area


@pytest.mark.parametrize(
    "shape", [BODY, box(40, 30, 140, 90), box(40, 30, 140, 90).buffer(8), Point(90, 60).buffer(50, 3)]
)
def test_round_and_square_pieces_have_none(shape):
    assert found_in(drawn(shape)) == ()


def test_a_pit_in_the_mask_is_no_gap():
    mask = drawn(BODY)
    mask[230:240, 350:362] = 0
    assert found_in(mask) == ()


def test_an_empty_mask_has_none():
    assert found_in(np.zeros((50, 60), np.uint8)) == ()
    assert found_in(np.zeros((1, 1), np.uint8)) == ()


def test_the_same_piece_at_another_scale_has_the_same_parts():
    mask = drawn(BODY, box(90, 57, 160, 63))
    (part,) = found_in(mask)
    (half,) = thin_parts(cv2.resize(mask, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), px_per_mm=2.0)
    assert half.thickness_mm == pytest.approx(part.thickness_mm, abs=0.6)
    assert half.length_mm == pytest.approx(part.length_mm, rel=0.1)


def test_local_thickness_of_a_bar_and_a_disc():
    # The largest disc in a bar has the bar's width, in a disc it is the disc (Hildebrand and Rüegsegger, 1997).
    bar = drawn(box(20, 50, 160, 62)) > 0
    assert np.median(local_thickness(bar, px_per_mm=PX_PER_MM)[bar]) == pytest.approx(12, abs=0.3)
    disc = drawn(BODY) > 0
    thickness = local_thickness(disc, px_per_mm=PX_PER_MM)
    assert thickness.max() == pytest.approx(60, abs=1.2)
    assert np.median(thickness[disc]) == pytest.approx(60, abs=1.2)
    assert np.all(thickness[~disc] == 0)

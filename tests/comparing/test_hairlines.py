import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString

from inspector.comparing.hairlines import LineStrength, find_hairlines, line_strength, path_through
from tests.drawn_lines import as_photo, concrete, with_line

PX_PER_MM = 5.0
SHAPE = (300, 400)
EVERYWHERE = np.full(SHAPE, 255, np.uint8)


def found_in(gray, mask=EVERYWHERE):
    return find_hairlines(
        line_strength(gray, mask, px_per_mm=PX_PER_MM), px_per_mm=PX_PER_MM, low=1.9, high=3.0, shortest_mm=5.0
    )


def straight(angle_deg, length_px, middle_xy=(200.0, 150.0)):
    half = length_px / 2 * np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    return np.linspace(np.array(middle_xy) - half, np.array(middle_xy) + half, 60)


def wave():
    x = np.linspace(60, 340, 200)
    return np.column_stack([x, 150 + 25 * np.sin(2 * np.pi * (x - 60) / 200)])


def arc():
    angle = np.radians(np.linspace(200, 340, 150))
    return np.column_stack([200 + 120 * np.cos(angle), 210 + 120 * np.sin(angle)])


@pytest.mark.parametrize(
    ("path", "length_px"),
    [
        (straight(0, 160), 160.0),
        (straight(37, 160), 160.0),
        (straight(90, 160), 160.0),
        (arc(), 120 * np.radians(140)),  # radius times angle
        (wave(), LineString(wave()).length),  # shapely
    ],
    ids=["level", "slanted", "upright", "arc", "wave"],
)
@pytest.mark.parametrize("width_mm", [0.3, 0.6])
def test_a_crack_is_followed_over_its_length(path, length_px, width_mm):
    gray = as_photo(with_line(concrete(SHAPE), path, width_mm * PX_PER_MM))
    lines = found_in(gray)
    longest = max(lines, key=lambda line: line.length_px)
    assert longest.length_px == pytest.approx(length_px, abs=28)
    apart_px = [LineString(path).distance(point) for point in map(_point, longest.path_xy)]
    assert np.percentile(apart_px, 90) < 2.0


def _point(xy):
    return LineString([xy, xy + 1e-9])


@settings(max_examples=10, deadline=None, derandomize=True)
@given(angle=st.floats(0, 180), x=st.floats(-30, 30), y=st.floats(-20, 20))
def test_turning_a_crack_changes_nothing_in_its_length(angle, x, y):
    path = straight(angle, 130, (200 + x, 150 + y))
    gray = as_photo(with_line(concrete(SHAPE, seed=4), path, 0.5 * PX_PER_MM))
    # The operator looks along 3.2 mm at once: each end is told to half of that and some grain.
    assert max(line.length_px for line in found_in(gray)) == pytest.approx(130, abs=28)


@pytest.mark.parametrize("blur_px", [0.5, 1.2])
@pytest.mark.parametrize("light", [0.25, 1.5])
def test_blur_and_light_do_not_hide_a_crack_of_half_a_millimetre(blur_px, light):
    path = straight(20, 160)
    gray = as_photo(with_line(concrete(SHAPE), path, 0.5 * PX_PER_MM), blur_px=blur_px, light=light)
    assert max(line.length_px for line in found_in(gray)) == pytest.approx(160, rel=0.15)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_grain_is_not_a_crack(seed):
    lines = found_in(as_photo(concrete(SHAPE, grain=0.06, seed=seed), seed=seed))
    assert sum(line.length_px for line in lines) < 12 * PX_PER_MM  # a few short runs, of 9000 mm2 of grain


def test_a_pale_line_is_not_a_crack():
    gray = as_photo(with_line(concrete(SHAPE), straight(30, 160), 3.0, darkness=-0.6))
    assert not [line for line in found_in(gray) if line.length_px > 40 and _on_path(line, straight(30, 160)) > 0.5]


def _on_path(line, path):
    return float(np.mean([LineString(path).distance(point) < 1.5 for point in map(_point, line.path_xy)]))


def test_a_crack_with_a_gap_is_one_crack():
    surface = with_line(concrete(SHAPE), straight(15, 90, (120, 120)), 2.5)
    surface = with_line(surface, straight(15, 90, (120 + 102 * np.cos(0.2618), 120 + 102 * np.sin(0.2618))), 2.5)
    longest = max(found_in(as_photo(surface)), key=lambda line: line.length_px)
    assert longest.length_px == pytest.approx(192, rel=0.1)


def test_two_cracks_far_apart_are_two():
    surface = with_line(concrete(SHAPE), straight(0, 150, (200, 70)), 2.5)
    lines = found_in(as_photo(with_line(surface, straight(0, 150, (200, 230)), 2.5)))
    assert sum(line.length_px > 120 for line in lines) == 2


def test_lines_are_looked_for_inside_the_mask_only():
    gray = as_photo(with_line(concrete(SHAPE), straight(0, 200), 2.5))
    mask = EVERYWHERE.copy()
    mask[:, :200] = 0
    strength = line_strength(gray, mask, px_per_mm=PX_PER_MM).strength
    assert np.all(strength[:, :200] == 0)
    for line in found_in(gray, mask):
        assert line.path_xy[:, 0].min() >= 199


def test_the_direction_is_that_of_the_line():
    for k, angle in enumerate(range(0, 180, 15)):  # twelve directions over half a turn
        path = straight(angle, 200)
        lines = line_strength(as_photo(with_line(concrete(SHAPE), path, 2.5)), EVERYWHERE, px_per_mm=PX_PER_MM)
        at = np.round(path[15:-15]).astype(int)
        off = (lines.direction[at[:, 1], at[:, 0]].astype(int) - k + 6) % 12 - 6
        assert np.abs(np.median(off)) <= 1


@pytest.mark.parametrize("value", [0, 120, 255])
def test_a_flat_picture_has_no_lines(value):
    assert found_in(np.full(SHAPE, value, np.uint8)) == ()


def test_an_empty_mask_and_one_pixel_have_no_lines():
    gray = as_photo(with_line(concrete(SHAPE), straight(0, 200), 2.5))
    assert found_in(gray, np.zeros(SHAPE, np.uint8)) == ()
    assert found_in(np.full((1, 1), 90, np.uint8), np.full((1, 1), 255, np.uint8)) == ()


def test_a_line_that_every_good_piece_has_is_taken_off():
    gray = as_photo(with_line(concrete(SHAPE), straight(10, 180), 2.5))
    lines = line_strength(gray, EVERYWHERE, px_per_mm=PX_PER_MM)
    known = cv2.dilate(lines.strength, np.ones((11, 11)))
    left = LineStrength(lines.strength - known, lines.direction)
    assert find_hairlines(left, px_per_mm=PX_PER_MM, low=1.9, high=3.0, shortest_mm=5.0) == ()


@pytest.mark.parametrize("path", [straight(37, 160), arc(), wave()], ids=["slanted", "arc", "wave"])
def test_a_path_keeps_to_the_line_within_a_wide_region(path):
    middle = np.zeros(SHAPE, np.uint8)
    cv2.polylines(middle, [np.round(path).astype(np.int32)], False, 255, 1)
    away_px = cv2.distanceTransform(255 - middle, cv2.DIST_L2, 5)
    # The region lies to one side of the line, as one that a coarse map gives.
    region = np.roll(away_px, 2, axis=0) < 6
    found = path_through(region, 5 * np.exp(-((away_px / 2) ** 2)).astype(np.float32))
    apart_px = [LineString(path).distance(point) for point in map(_point, found[8:-8])]
    assert np.percentile(apart_px, 95) < 1.2
    assert LineString(found).length == pytest.approx(LineString(path).length, abs=16)


def test_a_region_without_length_has_no_path():
    region = np.zeros((9, 9), dtype=bool)
    region[4, 4] = True
    assert path_through(region, np.ones((9, 9), np.float32)) is None

import cv2
import numpy as np
import pytest

from inspector.aligning.polar import DIRECTIONS, compare_patterns, polar_pattern
from inspector.aligning.structure import orientation_field

PX_PER_MM = 2.0
SIDE = 300
STEP_DEG = 360 / DIRECTIONS


def piece(kind):
    """A drawn piece with relief: its picture and its mask."""
    gray = np.full((SIDE, SIDE), 210, np.uint8)
    mask = np.zeros_like(gray)
    middle = (SIDE // 2, SIDE // 2)
    for image, value in ((gray, 130), (mask, 255)):
        if kind == "arrow":
            points = np.array([[70, 130], [170, 130], [170, 90], [240, 150], [170, 210], [170, 170], [70, 170]])
            cv2.fillPoly(image, [points], value)
        else:
            cv2.circle(image, middle, 70, value, -1)
    if kind == "disc with a bar":  # round outside: only the edges tell the turn
        cv2.rectangle(gray, (150, 144), (205, 156), 90, -1)
    return cv2.GaussianBlur(gray, (0, 0), 1.0), mask


def turned(image, angle_deg, fill):
    # OpenCV's positive angles turn counter-clockwise as displayed, ours from x to y, which is clockwise.
    matrix = cv2.getRotationMatrix2D(((SIDE - 1) / 2, (SIDE - 1) / 2), -angle_deg, 1.0)
    return cv2.warpAffine(image, matrix, (SIDE, SIDE), borderValue=fill)


def pattern(gray, mask, *, scale=1.0, shift=(0.0, 0.0)):
    edges = orientation_field(gray, px_per_mm=PX_PER_MM, scale_mm=0.7)
    moments = cv2.moments(mask)
    middle = (moments["m10"] / moments["m00"] + shift[0], moments["m01"] / moments["m00"] + shift[1])
    return polar_pattern(mask, edges, middle_xy=middle, reach_px=140 * scale)


def angle_between(first_deg, second_deg):
    return abs((first_deg - second_deg + 180) % 360 - 180)


@pytest.mark.parametrize("kind", ["arrow", "disc with a bar"])
@pytest.mark.parametrize("angle_deg", [0, 37, 150, 290])
def test_the_turn_is_found_to_a_step(kind, angle_deg):
    gray, mask = piece(kind)
    photo = pattern(turned(gray, angle_deg, 210), turned(mask, angle_deg, 0))
    likeness = compare_patterns([pattern(gray, mask)], photo)
    assert angle_between(likeness.angle_deg[0], angle_deg) <= STEP_DEG
    assert likeness.score[0] > 2.0


def test_a_piece_is_more_like_itself_than_like_others():
    kinds = ("arrow", "disc", "disc with a bar")
    known = [pattern(*piece(kind)) for kind in kinds]
    for k, kind in enumerate(kinds):
        gray, mask = piece(kind)
        likeness = compare_patterns(known, pattern(turned(gray, 75, 210), turned(mask, 75, 0)))
        assert int(np.argmax(likeness.score)) == k


def test_identical_pieces_score_three():
    # Overlap 1 and edges that agree fully, which count twice.
    one = pattern(*piece("arrow"))
    assert compare_patterns([one], one).score[0] == pytest.approx(3.0, abs=0.05)


def test_with_its_own_size_as_the_unit_scale_does_not_matter():
    gray, mask = piece("arrow")
    small_gray, small_mask = (
        cv2.resize(image, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA) for image in (gray, mask)
    )
    likeness = compare_patterns([pattern(gray, mask)], pattern(small_gray, small_mask, scale=0.6))
    assert likeness.score[0] > 2.0
    assert angle_between(likeness.angle_deg[0], 0) <= STEP_DEG


def test_an_empty_mask_is_like_nothing():
    gray, mask = piece("arrow")
    edges = np.zeros((*mask.shape, 2), np.float32)
    empty = polar_pattern(np.zeros_like(mask), edges, middle_xy=(150, 150), reach_px=140)
    likeness = compare_patterns([pattern(gray, mask)], empty)
    assert np.all(np.isfinite(likeness.score))
    assert likeness.score[0] < 0.1

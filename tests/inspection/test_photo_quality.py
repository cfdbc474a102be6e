"""Shadows on a drawn mat, of which it is known how much light they leave."""

import cv2
import numpy as np
import pytest

from inspector.imaging.mat import MAT_LAYOUTS, MatSighting
from inspector.imaging.speckle import dots_in_photo
from inspector.inspection.photo_quality import shadow_light

PX_PER_MM = 3.0
SHAPE = (660, 920)  # a little more than an A4 mat
PHOTO_FROM_MAT = np.array([[PX_PER_MM, 0, 460], [0, PX_PER_MM, 330], [0, 0, 1.0]])
SIGHTING = MatSighting(MAT_LAYOUTS["A4"], (10, 11, 12, 13), PHOTO_FROM_MAT, 0.1, PX_PER_MM, None)


def disc(x, y, radius_mm):
    rows, columns = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    return np.hypot(columns - x, rows - y) < radius_mm * PX_PER_MM


def mat_with_shadow(light, *, printed=False):
    """A round piece of 60 mm on a white mat, its shadow 12 mm to the right."""
    linear = np.where(disc(496, 330, 30), light, 1.0) * 0.6
    if printed:
        linear = linear * (1 - 0.9 * dots_in_photo("A4", PHOTO_FROM_MAT, size_px=SHAPE[::-1]))
    linear = np.where(disc(460, 330, 30), 0.25, linear)
    noise = np.random.default_rng(1).normal(0, 1.0, SHAPE)
    return np.clip(255 * linear ** (1 / 2.2) + noise, 0, 255).astype(np.uint8), disc(460, 330, 30)


@pytest.mark.parametrize("printed", [False, True])
@pytest.mark.parametrize("light", [0.08, 0.3, 1.0])
def test_what_a_shadow_leaves_of_the_light_is_measured(light, printed):
    gray, piece = mat_with_shadow(light, printed=printed)
    assert shadow_light(gray, piece, SIGHTING) == pytest.approx(light, rel=0.15)


def test_a_dark_bench_beside_the_mat_is_no_shadow():
    gray, piece = mat_with_shadow(1.0)
    bench = np.full(SHAPE, 20, np.uint8)
    half = np.array([130, 90]) * PX_PER_MM
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half + (460, 330)
    mat = cv2.fillPoly(np.zeros(SHAPE, np.uint8), [corners.astype(np.int32)], 1) > 0
    assert shadow_light(np.where(mat, gray, bench), piece, SIGHTING) > 0.85


def test_brightness_of_the_photo_does_not_matter():
    gray, piece = mat_with_shadow(0.2)
    darker = np.round(gray * 0.6).astype(np.uint8)
    assert shadow_light(darker, piece, SIGHTING) == pytest.approx(shadow_light(gray, piece, SIGHTING), rel=0.1)


def test_where_the_piece_hides_all_of_the_mat_no_shadow_is_told():
    gray = np.full(SHAPE, 120, np.uint8)
    assert shadow_light(gray, np.ones(SHAPE, bool), SIGHTING) == 1.0

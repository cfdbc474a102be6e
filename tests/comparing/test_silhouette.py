import cv2
import numpy as np
import pytest
from shapely.geometry import Point

from inspector.comparing.silhouette import depth_inside, look_code, see_silhouette

PX_PER_MM = 4.0
SHAPE = (320, 400)
PIECE, MAT, SHADOW = (-0.9, 0.03, 1.2), (0.0, 0.0, 0.0), (-0.95, -0.05, 0.0)  # tone, hue, texture
RADIUS_MM = 25.0


def disc(radius_mm=RADIUS_MM, middle_mm=(50.0, 40.0)):
    """A round piece, and the exact area of it by shapely."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]] / PX_PER_MM
    inside = np.hypot(x - middle_mm[0], y - middle_mm[1]) < radius_mm
    return inside, Point(middle_mm).buffer(radius_mm, 256).area


def looks(where, *, noise=0.12, seed=0):
    """Noisy cues of a scene: a dict of masks by look, mat elsewhere."""
    rng = np.random.default_rng(seed)
    cues = []
    for k in range(3):
        cue = np.full(SHAPE, MAT[k], np.float32)
        for look, mask in where:
            cue[mask] = look[k]
        cues.append((cue + rng.normal(0, noise * (0.3 if k == 1 else 1), SHAPE)).astype(np.float32))
    return cues


def see(cues, expected, valid=None):
    everywhere = np.ones(SHAPE, bool) if valid is None else valid
    inside_mm = depth_inside(np.where(expected, 255, 0).astype(np.uint8), px_per_mm=PX_PER_MM)
    return see_silhouette(look_code(*cues), inside_mm, everywhere, px_per_mm=PX_PER_MM)


def test_a_whole_piece_is_seen_with_its_area():
    inside, area_mm2 = disc()
    seen = see(looks([(PIECE, inside)]), inside)
    assert np.count_nonzero(seen.mask) / PX_PER_MM**2 == pytest.approx(area_mm2, rel=0.02)
    assert seen.separation > 0.9


def test_a_bite_out_of_the_piece_is_seen_as_mat():
    inside, _ = disc()
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]] / PX_PER_MM
    bite = inside & (np.hypot(x - 75, y - 40) < 8)
    seen = see(looks([(PIECE, inside & ~bite)]), inside)
    missing = inside & (seen.mask == 0)
    assert missing.sum() / PX_PER_MM**2 == pytest.approx(bite.sum() / PX_PER_MM**2, rel=0.1)
    assert np.mean(bite[missing]) > 0.95


def test_a_shadow_beside_the_piece_is_not_piece():
    inside, area_mm2 = disc()
    shadow = np.roll(inside, (16, 24), axis=(0, 1)) & ~inside
    seen = see(looks([(SHADOW, shadow), (PIECE, inside)]), inside)
    assert np.mean(seen.mask[shadow] == 0) > 0.9
    assert np.count_nonzero(seen.mask) / PX_PER_MM**2 == pytest.approx(area_mm2, rel=0.04)


def test_a_fin_outside_the_outline_is_seen_as_piece():
    inside, _ = disc()
    fin = np.zeros(SHAPE, bool)
    fin[150:170, 295:330] = True
    seen = see(looks([(PIECE, inside | fin)]), inside)
    assert np.mean(seen.mask[fin & ~inside] > 0) > 0.85


def test_where_piece_and_mat_look_alike_the_expected_outline_holds():
    inside, _ = disc()
    seen = see(looks([]), inside)
    assert seen.separation < 0.3
    both = np.count_nonzero((seen.mask > 0) & inside) / np.count_nonzero((seen.mask > 0) | inside)
    assert both > 0.9


def test_what_is_not_to_be_judged_says_nothing():
    inside, _ = disc()
    valid = np.ones(SHAPE, bool)
    valid[:, 300:] = False
    assert np.all(see(looks([(PIECE, inside)]), inside, valid).log_odds[~valid] == 0)


@pytest.mark.parametrize("expected", [np.zeros(SHAPE, bool), np.ones(SHAPE, bool)], ids=["no piece", "all piece"])
def test_with_nothing_to_learn_from_there_is_no_evidence(expected):
    seen = see(looks([]), expected)
    assert seen.separation == 0
    assert np.all(seen.log_odds == 0)


def test_one_pixel_is_no_evidence():
    one = np.zeros((1, 1), np.float32)
    seen = see_silhouette(look_code(one, one, one), one + 1, np.ones((1, 1), bool), px_per_mm=PX_PER_MM)
    assert seen.separation == 0


def test_cues_are_not_written_to():
    inside, _ = disc()
    cues = looks([(PIECE, inside)])
    before = [cue.copy() for cue in cues]
    see(cues, inside)
    assert all(np.array_equal(a, b) for a, b in zip(cues, before, strict=True))
    assert cv2.countNonZero(inside.astype(np.uint8)) > 0

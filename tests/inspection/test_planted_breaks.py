"""Chips broken out of a drawn piece: where, how large, and what is seen behind them."""

import cv2
import numpy as np
import pytest

from inspector.inspection.painted_damage import extent_px
from inspector.inspection.planted_breaks import break_from_outline, break_from_surface

SHAPE = (420, 500)
PX_PER_MM = 5.0
PIECE, MAT = 130, 215


@pytest.fixture(scope="module")
def piece():
    """A plate with a tongue to the right."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    return (np.hypot(x - 200, y - 210) < 130) | ((np.abs(y - 210) < 25) & (x > 200) & (x < 420))


@pytest.fixture(scope="module")
def photo(piece):
    return photographed(piece, np.full(SHAPE, MAT))


def photographed(piece, behind):
    gray = cv2.GaussianBlur(np.where(piece, PIECE, behind).astype(np.float32), (0, 0), 0.7)
    gray = gray + np.random.default_rng(1).normal(0, 2, SHAPE)
    return np.repeat(np.clip(gray, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def from_outline(photo, piece, *, seed, extent_mm=8.0, mat_print=None, free=None):
    return break_from_outline(
        photo,
        piece,
        piece if free is None else free,
        extent_mm=extent_mm,
        px_per_mm=PX_PER_MM,
        blur_px=0.7,
        mat_print=mat_print,
        rng=np.random.default_rng(seed),
    )


def from_surface(photo, free, *, seed, extent_mm=8.0):
    rng = np.random.default_rng(seed)
    return break_from_surface(photo, free, extent_mm=extent_mm, px_per_mm=PX_PER_MM, blur_px=0.7, rng=rng)


def inner_of(piece):
    return cv2.erode(piece.astype(np.uint8), np.ones((11, 11), np.uint8)) > 0


@pytest.mark.parametrize("extent_mm", [3.0, 6.0, 12.0])
def test_chips_have_about_the_size_asked_for(photo, piece, extent_mm):
    for plant in (
        lambda seed: from_outline(photo, piece, seed=seed, extent_mm=extent_mm),
        lambda seed: from_surface(photo, inner_of(piece), seed=seed, extent_mm=extent_mm),
    ):
        sizes = [extent_px(plant(seed).mask) / PX_PER_MM for seed in range(5)]
        assert np.mean(sizes) == pytest.approx(extent_mm, rel=0.25)
        assert max(sizes) < 1.5 * extent_mm


def test_a_chip_on_the_surface_leaves_outline_and_mat_alone(photo, piece):
    inner = inner_of(piece)
    for seed in range(6):
        planted = from_surface(photo, inner, seed=seed)
        assert not np.any(planted.mask & ~inner)
        assert np.array_equal(planted.image_bgr[~piece], photo[~piece])


def test_a_broken_face_shows(photo, piece):
    for plant, where in ((from_surface, inner_of(piece)), (from_outline, piece)):
        changes = []
        for seed in range(5):
            planted = plant(photo, where, seed=seed)
            change = np.abs(planted.image_bgr.astype(float) - photo)[planted.mask]
            changes.append(change.mean())
            assert change.mean() > 8
        assert np.mean(changes) > 20


def test_at_the_outline_the_edge_is_gone_and_the_mat_shows(photo, piece):
    outside = cv2.dilate((~piece).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    for seed in range(6):
        planted = from_outline(photo, piece, seed=seed)
        assert not np.any(planted.mask & ~piece)
        assert np.any(planted.mask & outside)
        assert not np.any(planted.gone & ~planted.mask)
        bare = cv2.erode(planted.gone.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0) > 0
        assert np.all(np.abs(planted.image_bgr[..., 1].astype(int) - MAT)[bare] < 14)
        assert np.count_nonzero(planted.mask & ~planted.gone) > 0.2 * np.count_nonzero(planted.mask)  # the broken face
        far = cv2.dilate(planted.mask.astype(np.uint8), np.ones((15, 15), np.uint8)) == 0
        assert np.array_equal(planted.image_bgr[far], photo[far])


def test_nothing_is_cut_off_that_the_chip_does_not_cover(photo, piece):
    for seed in range(6):
        planted = from_outline(photo, piece, seed=seed, extent_mm=14.0)
        if planted is None:
            continue
        count, _ = cv2.connectedComponents((piece & ~planted.gone).astype(np.uint8))
        assert count == 2  # the mat beside it, and one piece


def test_no_hole_is_left_inside_the_piece(photo, piece):
    for seed in range(6):
        planted = from_outline(photo, piece, seed=seed, extent_mm=14.0)
        count, _ = cv2.connectedComponents((planted.gone | ~piece).astype(np.uint8), connectivity=8)
        assert count == 2  # the piece, and all that is not


def test_known_dots_of_the_mat_show_where_the_piece_is_gone(piece):
    centres = np.random.default_rng(3).uniform(0, (SHAPE[1], SHAPE[0]), (1400, 2))
    dots = np.zeros(SHAPE, np.float32)
    for x, y in centres:
        cv2.circle(dots, (round(x), round(y)), 2, 1.0, -1)
    photo = photographed(piece, np.where(dots > 0, 50, MAT))
    shown, expected = [], []
    for seed in range(6):
        planted = from_outline(photo, piece, seed=seed, extent_mm=12.0, mat_print=dots)
        bare = cv2.erode(planted.gone.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        shown.extend(planted.image_bgr[..., 1][bare])
        expected.extend(dots[bare])
    shown, expected = np.array(shown, float), np.array(expected)
    assert expected.sum() > 15
    assert np.corrcoef(shown, expected)[0, 1] < -0.8


def test_the_texture_of_the_bench_goes_on_behind_the_piece(piece):
    wood = 150 + 25 * np.sin(np.arange(SHAPE[1]) / 2.0)[None] + np.zeros(SHAPE)
    photo = photographed(piece, wood)
    spreads = []
    for seed in range(6):
        planted = from_outline(photo, piece, seed=seed, extent_mm=14.0)
        bare = cv2.erode(planted.gone.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        spreads.append(planted.image_bgr[..., 1][bare].std())
    assert 10 < np.median(spreads) < 25  # that of the bench is 18


def test_corners_are_knocked_before_straight_edges():
    """Within 4 mm of the corners of a square of 40 mm lies a fifth of its outline."""
    square = np.zeros(SHAPE, bool)
    square[100:300, 150:350] = True
    photo = photographed(square, np.full(SHAPE, MAT))
    at_corners = 0
    for seed in range(40):
        rows, columns = np.nonzero(from_outline(photo, square, seed=seed, extent_mm=4.0).mask)
        at_corners += min(abs(columns.mean() - x) for x in (150, 350)) < 20 and (
            min(abs(rows.mean() - y) for y in (100, 300)) < 20
        )
    assert at_corners > 11


def test_the_same_seed_breaks_the_same(photo, piece):
    first, again, other = (from_outline(photo, piece, seed=seed).image_bgr for seed in (4, 4, 5))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_without_room_nothing_is_broken(photo, piece):
    assert from_surface(photo, np.zeros(SHAPE, bool), seed=1) is None
    assert from_outline(photo, piece, seed=1, free=np.zeros(SHAPE, bool)) is None
    assert from_outline(photo, piece, seed=1, free=inner_of(piece)) is None
    everywhere = np.ones(SHAPE, bool)  # no mat beside it
    assert from_outline(photo, everywhere, seed=1) is None

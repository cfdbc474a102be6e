import numpy as np
import pytest

from inspector.inspection.painted_damage import extent_px, paint_damage, plant_chip, plant_crack

SHAPE = (400, 500)
PX_PER_MM = 5.0


@pytest.fixture(scope="module")
def piece():
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    return np.hypot(x - 250, y - 200) < 170


@pytest.fixture(scope="module")
def photo(piece):
    grain = np.random.default_rng(1).normal(0, 3, SHAPE)
    gray = np.where(piece, 140, 215) + grain
    return np.repeat(np.clip(gray, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def painted(photo, piece, *, seed=3, stains=0):
    return paint_damage(photo, piece, px_per_mm=PX_PER_MM, rng=np.random.default_rng(seed), defects=6, stains=stains)


def test_damage_lies_on_the_piece_and_apart(photo, piece):
    masks = painted(photo, piece).masks
    assert len(masks) >= 4
    assert not np.any(np.any(masks, axis=0) & ~piece)
    assert np.sum(masks, axis=0).max() == 1


def test_each_has_a_kind_and_shows(photo, piece):
    outcome = painted(photo, piece)
    assert set(outcome.kinds) <= {"chip", "surface void"}
    assert len(outcome.kinds) == len(outcome.masks)
    for mask in outcome.masks:
        change = np.abs(outcome.image_bgr.astype(int) - photo.astype(int))[mask]
        assert change.mean() > 4


def test_the_mat_stays_as_it_was(photo, piece):
    outcome = painted(photo, piece)
    beside = ~piece
    beside[:, :-3] &= ~piece[:, 3:]  # what is painted at the outline is blurred over it
    beside[:, 3:] &= ~piece[:, :-3]
    beside[:-3] &= ~piece[3:]
    beside[3:] &= ~piece[:-3]
    assert np.abs(outcome.image_bgr.astype(int) - photo.astype(int))[beside].max() <= 1


def test_the_same_seed_paints_the_same(photo, piece):
    assert np.array_equal(painted(photo, piece).image_bgr, painted(photo, piece).image_bgr)
    assert not np.array_equal(painted(photo, piece).image_bgr, painted(photo, piece, seed=4).image_bgr)


@pytest.mark.parametrize("extent_mm", [3.0, 6.0, 10.0])
def test_planted_chips_have_about_the_size_asked_for(photo, piece, extent_mm):
    sizes = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        planted = plant_chip(photo, piece, extent_mm=extent_mm, px_per_mm=PX_PER_MM, rng=rng)
        sizes.append(extent_px(planted.mask) / PX_PER_MM)
        assert not np.any(planted.mask & ~piece)
        changed = np.any(planted.image_bgr != photo, axis=2)
        assert np.mean(changed[planted.mask]) > 0.6
    assert np.mean(sizes) == pytest.approx(extent_mm, rel=0.35)


@pytest.mark.parametrize("width_mm", [0.1, 0.3, 0.8])
@pytest.mark.parametrize("blur_px", [0.6, 1.5])
def test_a_planted_crack_takes_away_the_light_of_its_width(piece, width_mm, blur_px):
    # However it is blurred, a dark line of width w takes w times its darkness out of each cut across it. With 0.1 to
    # 0.3 of the light left, and the width tapering as a root over 15 % at each end (mean 2/3 there): 0.9 of it.
    flat = np.full((*SHAPE, 3), 150, np.uint8)
    rng = np.random.default_rng(5)
    planted = plant_crack(flat, piece, width_mm=width_mm, length_mm=20, px_per_mm=PX_PER_MM, blur_px=blur_px, rng=rng)
    lost = 1 - (planted.image_bgr[..., 1] / 150.0) ** 2.2
    effective_mm = lost.sum() / PX_PER_MM**2 / 20 / 0.9
    assert 0.65 * width_mm < effective_mm < 0.97 * width_mm
    assert not np.any(planted.mask & ~piece)
    assert np.count_nonzero(planted.mask) / PX_PER_MM > 17


def test_a_blurred_crack_is_wider_and_less_dark(piece):
    flat = np.full((*SHAPE, 3), 150, np.uint8)
    sharp, soft = (
        plant_crack(
            flat, piece, width_mm=0.3, length_mm=20, px_per_mm=PX_PER_MM, blur_px=blur, rng=np.random.default_rng(2)
        ).image_bgr
        for blur in (0.5, 2.0)
    )
    assert sharp.min() < soft.min() - 20
    assert np.count_nonzero(soft[..., 1] < 148) > 1.5 * np.count_nonzero(sharp[..., 1] < 148)


def test_without_room_nothing_is_planted(photo):
    no_room, spot = np.zeros(SHAPE, bool), np.zeros(SHAPE, bool)
    spot[200:206, 250:256] = True
    rng = np.random.default_rng(1)
    for free in (no_room, spot):
        assert plant_chip(photo, free, extent_mm=8, px_per_mm=PX_PER_MM, rng=rng) is None
        crack = plant_crack(photo, free, width_mm=0.3, length_mm=20, px_per_mm=PX_PER_MM, blur_px=1.0, rng=rng)
        assert crack is None


def test_the_largest_extent_counts_whole_pixels():
    mask = np.zeros((20, 30), bool)
    mask[5, 3:13] = True
    assert extent_px(mask) == pytest.approx(10)

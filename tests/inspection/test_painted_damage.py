import numpy as np
import pytest

from inspector.inspection.painted_damage import paint_damage

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

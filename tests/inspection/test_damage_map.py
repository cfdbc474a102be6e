from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest

from inspector.inspection.candidates import LEAST_CRACK_ODDS, LEAST_ODDS
from inspector.inspection.damage_map import STEP, map_damage, normal_surface, surface_window
from inspector.inspection.networks import SHIPPED

SHAPE = (301, 387)
PX_PER_MM = 4.0


@pytest.fixture(scope="module")
def mask():
    canvas = np.zeros(SHAPE, dtype=np.uint8)
    cv2.ellipse(canvas, (190, 150), (120, 85), 15, 0, 360, 255, -1)
    return canvas


def piece(mask, seed, *, light=0.5):
    """A casting with a few grooves, mottled anew each time, on a bright mat."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    grooves = -0.5 * np.exp(-(((np.hypot(x - 190, y - 150) % 40) - 20) ** 2) / 18)
    mottling = cv2.GaussianBlur(rng.normal(0, 1, SHAPE), (0, 0), 6) * 0.3
    linear = light * np.where(mask > 0, 0.6 * np.exp(grooves + mottling + rng.normal(0, 0.02, SHAPE)), 1.4)
    return np.clip(255 * np.clip(cv2.GaussianBlur(linear, (0, 0), 0.8), 0, 1) ** (1 / 2.2), 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def references(mask):
    return [piece(mask, seed) for seed in (1, 2, 3)]


@pytest.fixture(scope="module")
def normal(mask, references):
    return normal_surface(references, mask, px_per_mm=PX_PER_MM, networks=SHIPPED)


def judged(gray, mask, normal, *, valid=None, piece_odds=None):
    inside_mm = cv2.distanceTransform(mask, cv2.DIST_L2, 5) / PX_PER_MM
    odds = np.where(mask > 0, 5, -5).astype(np.float32) if piece_odds is None else piece_odds
    seen = np.ones(SHAPE, dtype=bool) if valid is None else valid
    return map_damage(gray, seen, odds, mask, inside_mm.astype(np.float32), normal, px_per_mm=PX_PER_MM)


@pytest.mark.parametrize("at", [(0, 0), (40, 11), (200, 240), (150, 387 - 60)])
def test_the_window_lies_in_the_box_and_suits_the_networks(at):
    mask = np.zeros(SHAPE, dtype=np.uint8)
    mask[at[0] : at[0] + 60, at[1] : at[1] + 57] = 255
    window = surface_window(mask, px_per_mm=PX_PER_MM)
    assert window.width % STEP == window.height % STEP == window.left % STEP == window.top % STEP == 0
    assert window.left + window.width <= SHAPE[1]
    assert window.top + window.height <= SHAPE[0]


def test_another_good_piece_has_no_damage(mask, normal):
    damage = judged(piece(mask, 4, light=0.4), mask, normal)
    assert np.mean(damage.odds[damage.inside] > LEAST_ODDS) < 0.002
    assert np.mean(damage.crack[damage.inside] > LEAST_CRACK_ODDS) < 0.002


def test_a_part_that_shows_the_mat_stands_out(mask, normal):
    gray, odds = piece(mask, 4), np.where(mask > 0, 5, -5).astype(np.float32)
    lost = np.zeros(SHAPE, dtype=bool)
    lost[:, 270:] = mask[:, 270:] > 0
    gray[lost] = 215
    odds[lost] = -5
    damage = judged(gray, mask, normal, piece_odds=odds)
    small = lost[: SHAPE[0] // 2 * 2 : 2, : SHAPE[1] // 2 * 2 : 2]
    far = cv2.dilate(small.astype(np.uint8), np.ones((15, 15), dtype=np.uint8)) == 0
    # No feature that breaks off is a third of the piece: the networks have seen no such thing, but notice.
    assert np.median(damage.odds[small & damage.inside]) > np.median(damage.odds[far & damage.inside]) + 5
    assert np.mean(damage.odds[far & damage.inside] > LEAST_ODDS) < 0.002


def test_a_dark_line_is_a_crack_and_only_there(mask, normal):
    gray = piece(mask, 4)
    points = np.array([[130, 130], [150, 140], [172, 138], [195, 152], [220, 150], [245, 163]], dtype=np.int32)
    drawn = np.zeros(SHAPE, dtype=np.uint8)
    cv2.polylines(drawn, [points], False, 255, 2, cv2.LINE_AA)
    gray = (gray * (1 - 0.65 * drawn / 255)).astype(np.uint8)
    damage = judged(gray, mask, normal)
    on = drawn[: SHAPE[0] // 2 * 2 : 2, : SHAPE[1] // 2 * 2 : 2] > 128
    near = cv2.dilate(on.astype(np.uint8), np.ones((9, 9), dtype=np.uint8)) > 0
    assert np.mean(damage.crack[on] > LEAST_CRACK_ODDS) > 0.7
    assert np.mean(damage.crack[~near & damage.inside] > LEAST_CRACK_ODDS) < 0.002


def test_the_order_of_the_references_does_not_matter(mask, references, normal):
    turned = normal_surface(references[::-1], mask, px_per_mm=PX_PER_MM, networks=SHIPPED)
    gray = piece(mask, 4)
    np.testing.assert_allclose(judged(gray, mask, turned).chip, judged(gray, mask, normal).chip, rtol=0, atol=1e-3)


def test_beside_the_piece_and_where_nothing_is_seen_there_is_no_damage(mask, normal):
    valid = np.ones(SHAPE, dtype=bool)
    valid[:150] = False
    damage = judged(np.full(SHAPE, 128, dtype=np.uint8), mask, normal, valid=valid)
    assert not damage.inside[:75].any()
    for one in (damage.feature, damage.chip, damage.crack):
        assert np.all(one[~damage.inside] < -10)


def test_several_threads_answer_as_one(mask, normal):
    grays = [piece(mask, seed) for seed in range(4, 10)]
    alone = [judged(gray, mask, normal).odds for gray in grays]
    with ThreadPoolExecutor(4) as threads:
        together = list(threads.map(lambda gray: judged(gray, mask, normal).odds, grays))
    for one, other in zip(alone, together, strict=True):
        np.testing.assert_allclose(one, other, rtol=0, atol=1e-3)

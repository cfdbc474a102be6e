import cv2
import numpy as np
import pytest

from inspector.inspection.damage_map import MEASURES, damage_probability, shipped_networks
from inspector.inspection.network import probabilities

SHAPE = (70, 90)


@pytest.fixture(scope="module")
def values():
    rng = np.random.default_rng(4)
    spread = np.array(shipped_networks()[0].scale)
    return (rng.normal(0, 1, (*SHAPE, len(MEASURES))) * spread + shipped_networks()[0].centre).astype(np.float32)


@pytest.fixture(scope="module")
def inside():
    canvas = np.zeros(SHAPE, dtype=np.uint8)
    cv2.ellipse(canvas, (45, 35), (30, 22), 20, 0, 360, 1, -1)
    return canvas > 0


def test_each_measure_has_a_name_of_its_own():
    assert len(set(MEASURES)) == len(MEASURES)


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_cut_into_strips_it_answers_as_in_one_piece(values, inside, threads):
    before = cv2.getNumThreads()
    cv2.setNumThreads(threads)
    try:
        mapped = damage_probability(values, inside, shipped_networks())
    finally:
        cv2.setNumThreads(before)
    whole = probabilities(shipped_networks(), values)
    assert mapped[inside] == pytest.approx(whole[inside], abs=1e-5)


def test_beside_the_piece_there_is_no_damage(values, inside):
    assert np.all(damage_probability(values, inside, shipped_networks())[~inside] == 0)


def test_a_piece_that_is_not_seen_has_none(values):
    assert not damage_probability(values, np.zeros(SHAPE, dtype=bool), shipped_networks()).any()

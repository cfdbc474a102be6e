"""The whole path on a photograph that no renderer made; all of them are measured in tests/benchmarks."""

import pytest

from tests.benchmarks.real_photographs import LATER_SHOTS, inspect_photograph


@pytest.fixture(scope="module")
def brick():
    # "brick" of scikit-image: a photographed wall, as the surface of a slab, in two photos after its references.
    return inspect_photograph("brick", LATER_SHOTS[:2])


def test_a_photographed_wall_seen_again_stays_clean(brick):
    assert brick.refused == 0
    assert brick.false_findings == (0, 0)


def test_damage_planted_into_a_photographed_wall_is_mostly_found(brick):
    assert len(brick.planted) == 8
    assert sum(planted.found for planted in brick.planted) >= 4

import numpy as np
import pytest

from inspector.risk.differences import LossGroup, compare_losses, difference_of_shares


def group(lost, *, pour=None, strength_fraction=None):
    lost = np.asarray(lost, dtype=bool)
    return LossGroup(
        lost=lost,
        pour=np.arange(len(lost)) if pour is None else np.asarray(pour),
        strength_fraction=np.full(len(lost), 0.5) if strength_fraction is None else np.asarray(strength_fraction),
    )


def of_counts(lost, total, **more):
    return group([True] * lost + [False] * (total - lost), **more)


@pytest.mark.parametrize(
    ("first", "second", "low", "high"),
    [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((6, 7), (2, 7), 0.0582, 0.8062),
        ((5, 56), (0, 29), -0.0381, 0.1926),
        ((0, 10), (0, 20), -0.1611, 0.2775),
        ((10, 10), (0, 10), 0.6075, 1.0000),
    ],
)
def test_the_difference_of_two_shares(first, second, low, high):
    # Newcombe (1998), table II, method 10, 95 %; quoted from memory, and met to the last digit.
    found = difference_of_shares(second, first, upper=0.975)
    assert (found.low, found.high) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))


def test_more_lost_in_the_second_group_is_above_zero():
    found = compare_losses(of_counts(2, 60), of_counts(20, 60))
    assert found.difference.mean == pytest.approx(0.3)
    assert found.difference.low > 0
    assert not found.can_be_chance
    assert compare_losses(of_counts(3, 20), of_counts(5, 20)).can_be_chance


def test_nothing_lost_in_either_is_no_certainty():
    found = compare_losses(of_counts(0, 10), of_counts(0, 20))
    assert found.difference.low < -0.1 < 0.1 < found.difference.high + 0.05
    assert found.at_like_strength is None


def test_pieces_of_one_pour_tell_less_than_pieces_of_many():
    # Ten pours of six, all of a pour lost or none: as good as ten pieces.
    lost = np.repeat([True, True, True, False, False, False, False, False, False, False], 6)
    pour = np.repeat(np.arange(10), 6)
    clumped = compare_losses(group(lost, pour=pour), group(np.zeros(60, bool), pour=pour + 10))
    single = compare_losses(group(lost), group(np.zeros(60, bool)))
    assert single.clumping == pytest.approx(60 / 59)
    assert clumped.clumping == pytest.approx(6 * 10 / 9)
    assert clumped.difference.high - clumped.difference.low > 2 * (single.difference.high - single.difference.low)
    # As Rao and Scott have it: the interval of counts divided by the clumping.
    wanted = difference_of_shares((18, 60), (0, 60), clumping=60 / 9)
    assert clumped.difference == wanted


def test_like_strength_in_one_group_is_the_plain_difference():
    # One stratum of equal totals: Sato's variance is p1 q1 / n + p2 q2 / n.
    found = compare_losses(of_counts(8, 40), of_counts(20, 40)).at_like_strength
    assert found is not None
    assert found.mean == pytest.approx(0.3)
    sd = np.sqrt((0.2 * 0.8 + 0.5 * 0.5) / 40)
    clumping = 40 / 39  # of single pieces: m / (m - 1)
    assert found.high - found.mean == pytest.approx(1.6449 * sd * np.sqrt(clumping), rel=1e-4)


def test_what_strength_does_is_not_laid_at_the_groups_door():
    # Both lose half below a strength of 0.4 and a tenth above; the first was mostly opened weak, the second strong.
    def pieces(weak, strong):
        lost = [number % 2 == 0 for number in range(weak)] + [number % 10 == 0 for number in range(strong)]
        return group(lost, strength_fraction=np.r_[np.linspace(0.3, 0.39, weak), np.linspace(0.41, 0.5, strong)])

    found = compare_losses(pieces(120, 30), pieces(30, 120))
    assert found.difference.high < -0.1
    assert found.can_be_chance_at_like_strength
    # One of the five groups of strengths lies across the step, so that a little of it is left.
    assert abs(found.at_like_strength.mean) < 0.3 * abs(found.difference.mean)


def test_groups_that_share_no_strength_are_not_held_against_each_other():
    found = compare_losses(
        of_counts(10, 40, strength_fraction=np.linspace(0.2, 0.3, 40)),
        of_counts(10, 40, strength_fraction=np.linspace(0.6, 0.7, 40)),
    )
    assert found.at_like_strength is None
    assert found.can_be_chance_at_like_strength is None


def test_intervals_hold_nine_times_in_ten_with_pours_that_differ():
    rng = np.random.default_rng(7)
    held = {"plain": 0, "like": 0}
    runs, pours, size = 400, 25, 4
    for _ in range(runs):
        groups = []
        for share, first_pour in ((0.10, 0), (0.22, pours)):
            # Beta-binomial: pours differ by a correlation of 1 / (1 + 9) within each.
            of_pour = rng.beta(9 * share, 9 * (1 - share), pours)
            lost = rng.random((pours, size)) < of_pour[:, None]
            groups.append(
                group(lost.ravel(), pour=np.repeat(np.arange(pours) + first_pour, size),
                      strength_fraction=rng.uniform(0.3, 0.6, pours * size))
            )  # fmt: skip
        found = compare_losses(*groups)
        held["plain"] += found.difference.low <= 0.12 <= found.difference.high
        held["like"] += found.at_like_strength.low <= 0.12 <= found.at_like_strength.high
    assert 0.86 <= held["plain"] / runs <= 0.95
    assert 0.86 <= held["like"] / runs <= 0.95

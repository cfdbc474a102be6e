"""What always holds of curves and intervals, whatever the numbers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspector.risk.fragility import Z_TENTH, loss_probability, theta_from_tenth
from inspector.risk.intervals import exact_interval, interval, weighted_quantile

STRENGTHS = st.floats(0, 3)
THETAS, BETAS, FLOORS = st.floats(0.02, 2), st.floats(0.02, 2), st.floats(0, 1)
VALUES = st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(1e-6, 1)), min_size=1, max_size=30)


@given(st.lists(STRENGTHS, min_size=2, max_size=20), THETAS, BETAS, FLOORS)
def test_a_loss_is_a_share_and_never_rises_with_strength(strengths, theta, beta, floor):
    losses = loss_probability(np.sort(strengths), theta=theta, beta=beta, floor=floor)
    assert np.all((losses >= floor - 1e-12) & (losses <= 1))
    assert np.all(np.diff(losses) <= 1e-12)


@given(st.floats(0.02, 2), BETAS)
def test_at_the_tenth_age_costs_one_piece_in_ten(tenth, beta):
    theta = theta_from_tenth(tenth, beta=beta)
    assert loss_probability(tenth, theta=theta, beta=beta, floor=0) == pytest.approx(0.1)
    assert np.log(theta) == pytest.approx(np.log(tenth) + Z_TENTH * beta)


@given(st.integers(1, 2000), st.data())
def test_an_exact_interval_holds_the_share_and_mirrors(total, data):
    lost = data.draw(st.integers(0, total))
    found, mirrored = exact_interval(lost, total), exact_interval(total - lost, total)
    assert 0 <= found.low <= found.mean <= found.high <= 1
    assert (found.low, found.high) == pytest.approx((1 - mirrored.high, 1 - mirrored.low), abs=1e-9)


@given(st.integers(1, 300), st.data())
def test_one_more_piece_lost_moves_an_interval_up(total, data):
    lost = data.draw(st.integers(0, total - 1))
    fewer, more = exact_interval(lost, total), exact_interval(lost + 1, total)
    assert fewer.low <= more.low
    assert fewer.high <= more.high


@given(VALUES, st.floats(0.01, 0.99))
def test_a_quantile_lies_among_the_values(weighted, share):
    values, weights = np.array(weighted).T
    weights /= weights.sum()
    found = weighted_quantile(values, weights, share)
    assert values.min() - 1e-9 <= float(np.asarray(found).ravel()[0]) <= values.max() + 1e-9


@given(VALUES)
def test_an_interval_is_in_order_and_the_same_in_any_order(weighted):
    values, weights = np.array(weighted).T
    weights /= weights.sum()
    found, turned = interval(values, weights), interval(values[::-1].copy(), weights[::-1].copy())
    assert found.low <= found.high
    assert (found.low, found.mean, found.high) == pytest.approx((turned.low, turned.mean, turned.high), abs=1e-6)

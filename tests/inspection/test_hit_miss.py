"""The hit/miss fit against published fits and against a bound worked out another way."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.special import expit, logit
from scipy.stats import norm

from inspector.inspection.hit_miss import detection_bound, fit_hit_miss

# Bliss (1935), as in Dobson, An Introduction to Generalized Linear Models: log10 dose, beetles, beetles killed (from
# memory, the fit below recomputed). A dose is a size here, a killed beetle a hit.
LOG10_DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
TRIED = np.array([59, 60, 62, 56, 63, 59, 62, 60])
HIT = np.array([6, 13, 18, 28, 52, 53, 61, 60])
# Dobson's logistic fit: intercept, slope and their standard errors (from memory).
INTERCEPT, SLOPE = -60.717, 34.270
SLOPE_SE = 2.912
# 50 % dose and its standard error by the delta method.
LOG10_A50, LOG10_A50_SE = 1.77172, 0.003858


@pytest.fixture(scope="module")
def beetles():
    sizes = np.repeat(10**LOG10_DOSE, TRIED)
    hits = np.concatenate([np.arange(n) < k for n, k in zip(TRIED, HIT, strict=True)])
    return sizes, hits


@pytest.fixture(scope="module")
def curve(beetles):
    return fit_hit_miss(*beetles)


def test_the_published_dose_for_half_and_the_slope_are_found(curve):
    assert np.log10(curve.a50) == pytest.approx(LOG10_A50, abs=1e-4)
    assert np.log10(curve.a90) == pytest.approx((logit(0.9) - INTERCEPT) / SLOPE, abs=1e-4)


def test_probabilities_are_those_of_the_published_curve(curve):
    expected = expit(INTERCEPT + SLOPE * LOG10_DOSE)
    assert [curve.probability(10**dose) for dose in LOG10_DOSE] == pytest.approx(expected, abs=2e-3)


def test_the_bound_is_where_the_profile_likelihood_says(curve, beetles):
    """The same bound by a plain scan: for each a90 the best slope, until twice the loss in likelihood is 2.706."""
    sizes, hits = np.log(beetles[0]), beetles[1]

    def best_for(log_a90):
        def loss(slope):
            z = logit(0.9) + slope * (sizes - log_a90)
            return float(np.sum(np.logaddexp(0, np.where(hits, -z, z))))

        return minimize_scalar(loss, bounds=(1, 60), method="bounded").fun

    grid = np.log(curve.a90) + np.linspace(0, 0.05, 501)
    lost = 2 * (np.array([best_for(a) for a in grid]) - best_for(np.log(curve.a90)))
    # One-sided 95 %: the 90 % point of chi-squared with one degree of freedom, 1.645 squared.
    bound = grid[np.argmax(lost > norm.ppf(0.95) ** 2)]
    assert np.log(curve.a90_95) == pytest.approx(bound, abs=2e-4)


def test_the_bound_agrees_with_the_published_standard_errors(curve):
    # log10 a90 = log10 a50 + 2.197 / slope. Errors of slope and a50 added as independent are an upper limit within
    # a few percent of a Wald bound here; the profile's bound is skew, so it is held to a fifth only.
    error = np.hypot(LOG10_A50_SE, logit(0.9) / SLOPE**2 * SLOPE_SE)
    wald = norm.ppf(0.95) * error
    assert np.log10(curve.a90_95 / curve.a90) == pytest.approx(wald, rel=0.2)


def test_scaling_all_sizes_scales_the_limit(beetles, curve):
    scaled = fit_hit_miss(beetles[0] * 7, beetles[1])
    assert scaled.a90_95 == pytest.approx(7 * curve.a90_95, rel=1e-4)


def test_a_clean_step_is_bounded_by_the_next_sizes():
    # Nothing below 2 mm is found, all above is: maximum likelihood has no finite slope.
    sizes = np.geomspace(0.5, 8, 60)
    curve = fit_hit_miss(sizes, sizes > 2)
    above = sizes[sizes > 2]
    assert sizes[sizes <= 2][-1] < curve.a50 < above[0]
    assert curve.a50 < curve.a90 < curve.a90_95 < above[3]


@pytest.fixture(scope="module")
def by_size():
    rng = np.random.default_rng(3)
    sizes = np.exp(rng.uniform(np.log(0.5), np.log(8), 90))
    return sizes, rng.random(90) < expit(4 * (np.log(sizes) - np.log(2)))


def test_the_bound_of_the_curve_meets_the_detection_limit(by_size):
    assert detection_bound(*by_size, [fit_hit_miss(*by_size).a90_95])[0] == pytest.approx(0.9, abs=1e-3)


def test_the_bound_lies_under_the_curve_and_rises_with_size(by_size):
    at = np.geomspace(0.6, 8, 12)
    bound = detection_bound(*by_size, at)
    assert np.all(bound < [fit_hit_miss(*by_size).probability(size) for size in at])
    assert np.all(np.diff(bound) > 0)


def test_the_bound_of_one_size_is_that_of_a_profile_worked_out_by_scanning(by_size):
    """The least probability at 2 mm for which the best slope loses no more than 1.645 squared by half."""
    sizes, found = by_size
    log_size, slope = np.log(sizes), np.geomspace(0.3, 40, 1500)[:, None]

    def best(log_odds):
        z = log_odds + slope * (log_size - np.log(2))
        return float(np.logaddexp(0, np.where(found, -z, z)).sum(axis=1).min())

    grid = np.linspace(-4, 4, 1601)
    loss = np.array([best(z) for z in grid])
    allowed = grid[loss <= loss.min() + 1.645**2 / 2]
    assert detection_bound(sizes, found, [2.0])[0] == pytest.approx(expit(allowed.min()), abs=0.01)


def test_without_a_curve_there_is_no_bound():
    with pytest.raises(ValueError, match="no curve to bound"):
        detection_bound([1.0, 2.0], [True, False], [1.5])

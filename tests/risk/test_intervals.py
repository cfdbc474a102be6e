import numpy as np
import pytest
from scipy.stats import beta, binomtest

from inspector.risk.intervals import exact_interval, interval, weighted_quantile


def test_exact_interval_is_that_of_the_handbook():
    # NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20, two-sided 90 % (from memory, computed anew).
    found = exact_interval(4, 20)
    assert (found.mean, found.low, found.high) == pytest.approx((0.2, 0.071354, 0.401028), abs=1e-5)


def test_none_lost_still_allows_some():
    # Exact: no defect in 30 has the one-sided 95 % bound 1 - 0.05^(1/30) = 0.09503.
    assert exact_interval(0, 30).high == pytest.approx(0.09503, abs=1e-5)
    assert exact_interval(0, 30).low == 0
    assert exact_interval(30, 30).high == 1


def test_what_the_handbook_concludes_from_200_pieces():
    # NIST/SEMATECH e-Handbook 7.2.4.1 (counts from memory): 26 of 200 does not show that the share exceeds 0.10: the
    # one-sided 95 % lower limit is 0.0958 by Wilson, and the exact one lies below it.
    low = exact_interval(26, 200).low
    wilson = binomtest(26, 200).proportion_ci(0.90, method="wilson").low
    assert wilson == pytest.approx(0.09577, abs=1e-4)
    assert low < wilson < 0.10
    assert low == pytest.approx(wilson, abs=0.005)


@pytest.mark.parametrize(
    ("lost", "exact", "wilson"),
    [
        (0, (0, 0.30850), (0, 0.27753)),
        (1, (0.00253, 0.44502), (0.01788, 0.40415)),
        (2, (0.02521, 0.55610), (0.05668, 0.50984)),
        (5, (0.18709, 0.81291), (0.23659, 0.76341)),
    ],
)
def test_the_intervals_that_ours_is_held_against_are_the_published_ones(lost, exact, wilson):
    # Clopper and Pearson 1934; Wilson 1927, as in Brown, Cai and DasGupta 2001: 95 %, ten pieces (from memory, computed
    # anew). Ours, of 90 %, lies inside the exact one of 95 % and is never much narrower than Wilson's of 90 %.
    reference = binomtest(lost, 10)
    for method, published in (("exact", exact), ("wilson", wilson)):
        found = reference.proportion_ci(0.95, method=method)
        assert (found.low, found.high) == pytest.approx(published, abs=1e-5)
    ours = exact_interval(lost, 10)
    narrow = reference.proportion_ci(0.90, method="wilson")
    assert exact[0] <= ours.low <= narrow.low
    assert narrow.high <= ours.high <= exact[1]


@pytest.mark.parametrize(("lost", "total"), [(1, 10), (5, 10), (26, 200)])
def test_exact_interval_is_that_of_scipy(lost, total):
    expected = binomtest(lost, total).proportion_ci(0.90, method="exact")
    found = exact_interval(lost, total)
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high), abs=1e-9)


def test_interval_of_weighted_points():
    # Beta(3, 9) on a grid, quantiles from SciPy.
    points = (np.arange(2000) + 0.5) / 2000
    weight = beta.pdf(points, 3, 9)
    found = interval(points, weight / weight.sum())
    assert found.mean == pytest.approx(0.25, abs=1e-3)
    assert (found.low, found.high) == pytest.approx(beta.ppf([0.05, 0.95], 3, 9), abs=1e-3)


def test_points_with_the_same_value_are_one_step():
    found = weighted_quantile(np.array([1.0, 1.0, 2.0, 3.0]), np.array([0.25, 0.25, 0.25, 0.25]), (0.25, 0.625))
    assert list(found) == [1.0, 2.0]

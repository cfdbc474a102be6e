import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import multivariate_normal

from inspector.risk.designs import DesignEvidence, MoldEstimate, design_level, estimate_from_moments
from inspector.risk.effects import fit_effects
from inspector.risk.fragility import loss_probability, theta_from_tenth
from inspector.risk.intervals import interval
from inspector.risk.pooling import fit_molds, mold_risk
from inspector.risk.prior import PRACTICE_PRIOR
from inspector.risk.window import loss_at
from tests.risk.conftest import SimulatedDesign, demolded, estimated

# Rubin 1981, effects of coaching at eight schools with their standard errors; BDA, table 5.2.
SCHOOLS = np.array([28.0, 8, -3, 7, -1, 1, 18, 12])
SCHOOLS_SE = np.array([15.0, 10, 16, 11, 9, 11, 10, 18])
DESIGNS = 15


def estimate(values, sds, pieces=100):
    """A mold whose pieces tell each parameter by itself."""
    precision = np.diag(np.asarray(sds, dtype=float) ** -2.0)
    return MoldEstimate(information=precision @ np.asarray(values), precision=precision, pieces=pieces, lost=0)


def schools(which=slice(None)):
    return [estimate([y, y, y], [se, se, se]) for y, se in zip(SCHOOLS[which], SCHOOLS_SE[which], strict=True)]


def level(evidence, *, centre=0.0, between, within):
    """The design's level for one draw."""
    variance = between + within
    draws = np.tile([centre, 0.5 * np.log(variance)], 3)[None]
    return design_level(draws, np.array([between / variance]), evidence)


@pytest.mark.parametrize("spread", [1e-3, 5.0, 10.0, 30.0])
def test_a_design_of_eight_schools_is_what_the_book_says(spread):
    found = level(DesignEvidence(elsewhere=schools()), between=1e8, within=spread**2)
    # BDA, Eq. (5.20), with a flat prior of the mean.
    weight = 1 / (SCHOOLS_SE**2 + spread**2)
    assert found.mean[0] == pytest.approx(np.full(3, weight @ SCHOOLS / weight.sum()), abs=1e-3)
    assert np.diag(found.covariance[0]) == pytest.approx(np.full(3, 1 / weight.sum() + spread**2), rel=1e-4)
    if spread < 1:  # BDA 5.5: complete pooling gives 7.7 with a standard error of 4.1
        assert found.mean[0, 0] == pytest.approx(7.7, abs=0.05)
        assert np.sqrt(found.covariance[0, 0, 0]) == pytest.approx(4.1, abs=0.05)


def test_the_evidence_for_a_draw_is_that_of_all_molds_together():
    ways = [{"centre": centre, "between": b, "within": w} for centre, b, w in ((8, 90, 30), (0, 10, 400), (20, 50, 50))]

    def log_density(way, which, between):
        covariance = np.diag(SCHOOLS_SE[which] ** 2 + way["within"] + way["between"] - between) + between
        return 3 * multivariate_normal(np.full(len(covariance), way["centre"]), covariance).logpdf(SCHOOLS[which])

    def against_the_first(values):
        return [value - values[0] for value in values]

    found = [level(DesignEvidence(elsewhere=schools()), **way).log_evidence[0] for way in ways]
    expected = [log_density(way, slice(None), way["between"]) for way in ways]
    assert against_the_first(found) == pytest.approx(against_the_first(expected), abs=1e-6)
    # Molds that the population was learnt from, one by one, count for what they tell beyond that.
    evidence = DesignEvidence(elsewhere=schools(slice(5)), beside=schools(slice(5, 8)))
    found = [level(evidence, **way).log_evidence[0] for way in ways]
    alone = [log_density(way, slice(5, 8), 0) for way in ways]
    expected = [whole - one for whole, one in zip(expected, alone, strict=True)]
    assert against_the_first(found) == pytest.approx(against_the_first(expected), abs=1e-6)


def test_an_estimate_holds_no_prior_and_tells_nothing_where_nothing_was_learnt():
    prior_mean, prior_sd = np.array([-1.0, -1.4, -5.0]), np.array([0.2, 0.25, 0.8])
    known = estimate([-0.7, -1.2, -4.0], [0.05, 0.3, 1.0])
    covariance = np.linalg.inv(known.precision + np.diag(prior_sd**-2))
    mean = covariance @ (known.information + prior_mean / prior_sd**2)
    found = estimate_from_moments(mean, covariance, prior_mean=prior_mean, prior_sd=prior_sd, pieces=9, lost=1)
    assert found.precision == pytest.approx(known.precision, rel=1e-9, abs=1e-9)
    assert found.information == pytest.approx(known.information, rel=1e-9)
    wide = estimate_from_moments(
        prior_mean, np.diag(1.1 * prior_sd**2), prior_mean=prior_mean, prior_sd=prior_sd, pieces=0, lost=0
    )
    assert not wide.precision.any()
    assert not wide.information.any()


@pytest.fixture(scope="module")
def others():
    """A population learnt from five molds of no design."""
    rng = np.random.default_rng(1)
    evidence = demolded(rng, [(np.log(tenth), -1.4, -5.0) for tenth in (0.36, 0.4, 0.33, 0.38, 0.36)], 100)
    return fit_molds(evidence, fit_effects(evidence, PRACTICE_PRIOR), PRACTICE_PRIOR)[0]


def test_without_other_molds_a_design_changes_nothing(others):
    rng = np.random.default_rng(2)
    own = demolded(rng, [(np.log(0.4), -1.4, -5.0)], 40)
    alone, of_design = mold_risk(others, own), mold_risk(others, own, DesignEvidence())
    for strength in (0.3, 0.4, 0.5):
        found, expected = loss_at(of_design, strength), loss_at(alone, strength)
        assert (found.low, found.mean, found.high) == pytest.approx(
            (expected.low, expected.mean, expected.high), abs=0.015
        )
    # Without pieces it is a mold drawn from the population.
    new = mold_risk(others, own.of(np.zeros(40, dtype=bool)), DesignEvidence())
    draws = others.draws[rng.choice(len(others.weights), 100_000, p=others.weights)]
    log_tenth, log_beta, logit_floor = rng.normal(draws[:, ::2], np.exp(draws[:, 1::2])).T
    beta = np.exp(log_beta)
    theta = theta_from_tenth(np.exp(log_tenth), beta=beta)
    for strength in (0.3, 0.4, 0.5):
        drawn = loss_probability(strength, theta=theta, beta=beta, floor=expit(logit_floor))
        found = loss_at(new, strength)
        assert (found.low, found.mean, found.high) == pytest.approx(
            (np.quantile(drawn, 0.05), drawn.mean(), np.quantile(drawn, 0.95)), abs=0.02
        )


def test_a_new_mold_starts_from_its_design_and_its_own_pieces_take_over(others):
    rng = np.random.default_rng(3)
    weak = (np.log(0.5), -1.4, -5.0)
    design = DesignEvidence(elsewhere=[estimated(demolded(rng, [weak], 400)) for _ in range(3)])
    truth = float(
        loss_probability(0.45, theta=theta_from_tenth(0.5, beta=np.exp(-1.4)), beta=np.exp(-1.4), floor=0.007)
    )
    nothing = demolded(rng, [weak], 0)
    new, alone = loss_at(mold_risk(others, nothing, design), 0.45), loss_at(mold_risk(others, nothing), 0.45)
    assert abs(new.mean - truth) < 0.5 * abs(alone.mean - truth)
    assert new.low < truth < new.high
    # This one is sturdier than its design: hundreds of good pieces of its own say so.
    sturdy = demolded(rng, [(np.log(0.33), -1.4, -5.0)], 600)
    known = loss_at(mold_risk(others, sturdy, design), 0.45)
    assert known.mean == pytest.approx(loss_at(mold_risk(others, sturdy), 0.45).mean, abs=0.01)
    few = loss_at(mold_risk(others, sturdy.of(np.arange(600) < 30), design), 0.45)
    assert known.mean < few.mean < new.mean


def test_intervals_of_a_mold_of_a_known_design_hold_the_truth_as_often_as_they_say():
    held, widths = [], []
    for seed in range(DESIGNS):
        design = SimulatedDesign(seed, pieces=(0, 10, 40)[seed % 3])
        risk, alone = (
            mold_risk(design.population, design.own, design.evidence),
            mold_risk(design.population, design.own),
        )
        for name in ("theta", "beta", "floor"):
            found, without = (interval(getattr(one, name), one.weight) for one in (risk, alone))
            held.append(found.low <= getattr(design.truth, name)[0] <= found.high)
            widths.append((found.high - found.low) / (without.high - without.low))
    # 45 intervals of 90 %: three standard deviations are 13 % each way. Of 240 designs: tests/benchmarks/test_risk.py.
    assert np.mean(held) >= 0.77
    assert np.median(widths) < 0.95

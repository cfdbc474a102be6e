import numpy as np
import pytest

from inspector.risk.effects import fit_effects
from inspector.risk.evidence import gather_evidence
from inspector.risk.fragility import loss_probability
from inspector.risk.intervals import interval, weighted_quantile
from inspector.risk.pooling import fit_molds, mold_risk
from inspector.risk.prior import PRACTICE_PRIOR, ParameterPrior, Prior
from inspector.risk.window import loss_at, mean_loss
from tests.published_counts import BEETLE_DOSE, BEETLES, BEETLES_KILLED, RAT_TUMOURS, RATS


def learn(evidence, prior=PRACTICE_PRIOR):
    return fit_molds(evidence, fit_effects(evidence, prior), prior)


def one_mold(strength_fraction, lost):
    return gather_evidence(units=1, unit=np.zeros(len(lost), dtype=int), strength_fraction=strength_fraction, lost=lost)


def counted(score, lost, total):
    """One entry a piece from counts."""
    pieces = np.repeat(score, total)
    return pieces, np.concatenate([np.arange(n) < y for y, n in zip(lost, total, strict=True)])


def test_a_single_curve_is_the_probit_fit_of_the_beetles():
    # Vague about everything but the floor, which that fit does not have; a beetle that lives stands for a lost piece.
    vague = ParameterPrior(centre=0.0, centre_sd=4.0, spread=0.1, spread_log_sd=0.1)
    prior = Prior(
        log_tenth=vague,
        log_beta=ParameterPrior(centre=-2.0, centre_sd=3.0, spread=0.1, spread_log_sd=0.1),
        logit_floor=ParameterPrior(centre=-14.0, centre_sd=0.1, spread=0.1, spread_log_sd=0.1),
        condition_sd=0.1,
    )
    dose = 10 ** (BEETLE_DOSE - 1.8)
    evidence = one_mold(*counted(dose, BEETLES - BEETLES_KILLED, BEETLES))
    # Bliss 1935 by probit: deviance 10.120 and -34.935 + 19.728 log10 dose (Dobson; from memory), so half live at
    # 1.7708, and the spread of ln dose is ln 10 / 19.728.
    effects = fit_effects(evidence, prior)
    share = np.array([effects.expected_loss[np.isclose(evidence.strength_fraction, d)][0] for d in dose])
    lived = BEETLES - BEETLES_KILLED
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.nan_to_num(lived * np.log(lived / (BEETLES * share)))
        terms += np.nan_to_num(BEETLES_KILLED * np.log(BEETLES_KILLED / (BEETLES * (1 - share))))
    assert 2 * terms.sum() == pytest.approx(10.120, abs=0.02)
    risk = fit_molds(evidence, effects, prior)[1][0]
    assert np.log10(interval(risk.theta, risk.weight).mean) + 1.8 == pytest.approx(1.7708, abs=0.001)
    assert interval(risk.beta, risk.weight).mean == pytest.approx(np.log(10) / 19.728, rel=0.03)


def test_pooling_shrinks_the_rats_as_the_book_does():
    assert (sum(RAT_TUMOURS), sum(RATS)) == (267, 1739)
    # Nothing depends on age here: only floors are pooled. They are logit-normal, in the book beta.
    prior = Prior(
        log_tenth=ParameterPrior(centre=-6.0, centre_sd=0.1, spread=0.1, spread_log_sd=0.1),
        log_beta=ParameterPrior(centre=-1.4, centre_sd=0.1, spread=0.1, spread_log_sd=0.1),
        logit_floor=ParameterPrior(centre=-2.0, centre_sd=2.0, spread=0.7, spread_log_sd=1.0),
        condition_sd=0.1,
    )
    unit, tumour = counted(np.arange(71), RAT_TUMOURS, RATS)
    evidence = gather_evidence(units=71, unit=unit, strength_fraction=np.ones(1739), lost=tumour)
    _, groups = learn(evidence, prior)
    # BDA 5.3, full Bayes: 0.211 for the current experiment (raw 0.286), mean of all 2.4 / (2.4 + 14.3) = 0.144.
    assert loss_at(groups[-1], 1.0).mean == pytest.approx(0.211, abs=0.01)
    assert np.mean([loss_at(group, 1.0).mean for group in groups]) == pytest.approx(0.144, abs=0.01)


def test_known_parameters_are_recovered(simulate):
    shop = simulate(3, molds=12, pieces=2000)
    effects = fit_effects(shop.evidence, PRACTICE_PRIOR)
    assert effects.log_change[0] == pytest.approx(shop.change[0], abs=0.02)
    _, risks = fit_molds(shop.evidence, effects, PRACTICE_PRIOR)
    for mold, risk in enumerate(risks):
        for strength in (0.3, 0.4, 0.5):
            assert loss_at(risk, strength).mean == pytest.approx(shop.loss(mold, strength), abs=0.045)


def test_intervals_hold_the_truth_as_often_as_they_say(simulate):
    # 16 workshops here; 200 in tests/benchmarks/test_risk.py.
    held = []
    for seed in range(16):
        shop = simulate(seed, molds=6, pieces=60)
        for mold, risk in enumerate(learn(shop.evidence)[1]):
            for points, truth in ((risk.theta, shop.theta), (risk.beta, shop.beta), (risk.floor, shop.floor)):
                found = interval(points, risk.weight)
                held.append(found.low <= truth[mold] <= found.high)
    # 288 intervals of 90 %: three standard deviations are 5 % each way, more with molds that share a prior.
    assert 0.83 <= np.mean(held) <= 0.97


@pytest.mark.parametrize("lost", [0, 1])
def test_all_lost_or_none_lost_is_finite(lost):
    strength = np.linspace(0.3, 0.6, 30)
    _, (risk,) = learn(one_mold(strength, np.full(30, lost, dtype=bool)))
    for points in (risk.theta, risk.beta, risk.floor):
        found = interval(points, risk.weight)
        assert 0 < found.low < found.mean < found.high < np.inf
    assert (mean_loss(risk, [0.45])[0] > 0.5) == bool(lost)


def test_the_curve_never_rises():
    rng = np.random.default_rng(4)
    strength = rng.uniform(0.3, 0.6, 60)
    # Even where the pieces say the contrary.
    _, (risk,) = learn(one_mold(strength, strength > 0.5))
    assert (np.diff(mean_loss(risk, np.linspace(0.2, 1.0, 50))) <= 0).all()


def test_a_mold_without_pieces_is_what_practice_says():
    _, (risk,) = learn(one_mold([], []))
    # Common practice, no source: most of what is opened at 0.15 of the strength breaks, little at 0.6.
    assert mean_loss(risk, [0.15])[0] > 0.8
    assert mean_loss(risk, [0.6])[0] < 0.03
    assert (risk.pieces, risk.lost) == (0, 0)


def test_a_new_mold_leans_on_the_others():
    rng = np.random.default_rng(5)
    strength = rng.uniform(0.3, 0.6, 2000)
    unit = np.repeat(np.arange(10), 200)
    lost = rng.random(2000) < loss_probability(strength, theta=0.4, beta=0.2, floor=0.01)
    evidence = gather_evidence(units=11, unit=unit, strength_fraction=strength, lost=lost)
    population, risks = learn(evidence)
    _, (practice,) = learn(one_mold([], []))
    assert loss_at(risks[10], 0.4).mean > 2 * loss_at(practice, 0.4).mean
    assert loss_at(risks[10], 0.4).high > loss_at(risks[0], 0.4).high
    one = mold_risk(population, gather_evidence(units=1, unit=[], strength_fraction=[], lost=[]))
    assert loss_at(one, 0.4) == loss_at(risks[10], 0.4)


def test_pours_that_differ_widen_the_intervals():
    rng = np.random.default_rng(6)
    pour = np.repeat(np.arange(40), 8)
    lost = rng.random(320) < np.where(rng.random(40) < 0.3, 0.6, 0.02)[pour]
    strength = np.full(320, 0.4)
    unit = np.zeros(320, dtype=int)
    apart = learn(gather_evidence(units=1, unit=unit, strength_fraction=strength, lost=lost))[1][0]
    together = learn(gather_evidence(units=1, unit=unit, strength_fraction=strength, lost=lost, pour=pour))[1][0]
    width = [loss_at(risk, 0.4).high - loss_at(risk, 0.4).low for risk in (apart, together)]
    assert width[1] > 1.3 * width[0]


def test_quantiles_of_even_points_are_those_of_numpy():
    rng = np.random.default_rng(7)
    values = rng.normal(size=2001)
    found = weighted_quantile(values, np.full(2001, 1 / 2001), (0.05, 0.5, 0.95))
    assert found == pytest.approx(np.quantile(values, [0.05, 0.5, 0.95]), abs=0.01)

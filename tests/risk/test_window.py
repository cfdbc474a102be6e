import numpy as np
import pytest
from scipy.stats import beta as beta_distribution

from inspector.errors import InputError
from inspector.risk.effects import fit_effects
from inspector.risk.evidence import gather_evidence
from inspector.risk.fragility import loss_probability
from inspector.risk.pooling import MoldRisk, fit_molds
from inspector.risk.prior import PRACTICE_PRIOR
from inspector.risk.window import (
    Costs,
    StrengthByAge,
    _settling_probability,
    cost_per_good_piece,
    find_window,
    loss_at,
    mean_loss,
)

COSTS = Costs(piece=20.0, mold_hour=0.05, turnaround_h=2.0)


@pytest.fixture
def strength():
    # EN 1992-1-1:2004, Eq. (3.2), class N, kept at 20 degC.
    age_h = np.arange(6.0, 169.0)
    return StrengthByAge(age_h=age_h, strength_fraction=np.exp(0.25 * (1 - np.sqrt(672 / age_h))))


def known(theta, beta, floor, *, pieces=100):
    """A mold that is known exactly."""
    return MoldRisk(
        theta=np.array([theta]),
        beta=np.array([beta]),
        floor=np.array([floor]),
        weight=np.ones(1),
        pieces=pieces,
        lost=5,
        weakest=0.2,
        strongest=0.7,
        conditions=np.zeros(0),
    )


def learn(strength_fraction, lost):
    evidence = gather_evidence(
        units=1, unit=np.zeros(len(lost), dtype=int), strength_fraction=strength_fraction, lost=lost
    )
    return fit_molds(evidence, fit_effects(evidence, PRACTICE_PRIOR), PRACTICE_PRIOR)[1][0]


def tried(pieces, *, truth, seed=0, low=0.3, high=0.6):
    rng = np.random.default_rng(seed)
    strength_fraction = rng.uniform(low, high, pieces)
    return learn(strength_fraction, rng.random(pieces) < loss_probability(strength_fraction, **truth))


def test_strength_and_age_lead_back_to_each_other(strength):
    # EN 1992-1-1 inverted: 28 / (1 - ln r / s)^2 days; r = 0.5, s = 0.25 at 1.967 d.
    assert strength.age_at(0.5) == pytest.approx(1.967 * 24, abs=0.05)
    assert strength.at(strength.age_at(0.5)) == pytest.approx(0.5, abs=1e-3)
    assert strength.age_at(0.99) is None


def test_cost_per_good_piece():
    # 20 for the piece and 0.05 an hour for 24 + 2 h; of ten pieces nine come out whole.
    assert cost_per_good_piece(0.1, 24.0, COSTS) == pytest.approx((20 + 0.05 * 26) / 0.9)


def test_the_window_of_a_known_mold_is_where_the_formulas_put_it(strength):
    window = find_window(known(0.25, 0.25, 0.01), strength, target_loss=0.05, costs=COSTS)
    losses = loss_probability(strength.strength_fraction, theta=0.25, beta=0.25, floor=0.01)
    first = strength.age_h[losses < 0.05][0]
    assert window.earliest_h == first
    cost = cost_per_good_piece(losses, strength.age_h, COSTS)
    cheapest = strength.age_h[strength.age_h >= first][np.argmin(cost[strength.age_h >= first])]
    assert window.cheapest_h == pytest.approx(cheapest, abs=1)
    # With no doubt about the curve, waiting stops being worth it where the cost is least.
    assert window.latest_h == pytest.approx(max(first, strength.age_h[np.argmin(cost)]), abs=3)


def test_a_dearer_mold_is_opened_sooner(strength):
    risk = tried(300, truth={"theta": 0.25, "beta": 0.25, "floor": 0.01})
    patient = find_window(risk, strength, target_loss=0.05, costs=Costs(20, 0.01, 2))
    hurried = find_window(risk, strength, target_loss=0.05, costs=Costs(20, 0.5, 2))
    assert patient.earliest_h == hurried.earliest_h
    assert hurried.latest_h <= patient.latest_h
    assert hurried.cheapest_h <= patient.cheapest_h
    assert patient.earliest_h <= patient.cheapest_h <= patient.latest_h


def test_evidence_tightens_the_window_and_the_truth_stays_under_the_target(strength):
    truth = {"theta": 0.25, "beta": 0.25, "floor": 0.005}
    earliest = []
    for pieces in (30, 150, 3000):
        window = find_window(tried(pieces, truth=truth), strength, target_loss=0.05, costs=COSTS)
        assert loss_probability(strength.at(window.earliest_h), **truth) < 0.05
        assert window.loss_at_earliest.high < 0.05
        earliest.append(window.earliest_h)
    assert earliest == sorted(earliest, reverse=True)
    assert earliest[0] > earliest[-1]


def test_few_pieces_are_not_enough_whatever_they_show(strength):
    window = find_window(
        tried(8, truth={"theta": 0.2, "beta": 0.2, "floor": 0.0}), strength, target_loss=0.05, costs=COSTS
    )
    assert window.verdict == "too few pieces"
    assert window.more.pieces >= 12


def test_no_age_is_recommended_beyond_what_was_tried(strength):
    risk = tried(60, truth={"theta": 0.35, "beta": 0.3, "floor": 0.01}, low=0.3, high=0.4)
    window = find_window(risk, strength, target_loss=0.05, costs=COSTS)
    assert window.verdict == "beyond what was tried"
    assert strength.at(window.more.age_h) > 0.4


def test_nothing_younger_than_what_was_tried_is_recommended(strength):
    risk = tried(400, truth={"theta": 0.1, "beta": 0.2, "floor": 0.005}, low=0.5, high=0.6)
    window = find_window(risk, strength, target_loss=0.05, costs=COSTS)
    assert strength.at(window.earliest_h) > 0.45


def test_a_worn_mold_is_never_under_the_target(strength):
    risk = tried(300, truth={"theta": 0.2, "beta": 0.2, "floor": 0.15})
    window = find_window(risk, strength, target_loss=0.05, costs=COSTS)
    assert window.verdict == "never under the target"
    assert (window.earliest_h, window.latest_h, window.cheapest_h, window.more) == (None, None, None, None)


def test_a_target_that_is_no_share_is_refused(strength):
    with pytest.raises(InputError, match=r"target loss is 5.*0\.05"):
        find_window(known(0.2, 0.2, 0.01), strength, target_loss=5, costs=COSTS)


def test_more_pieces_settle_what_they_are_said_to(strength):
    # 12 pieces known so far; what is said to settle the window does so as often as said, in simulation.
    risk = tried(12, truth={"theta": 0.22, "beta": 0.25, "floor": 0.005}, seed=3)
    more = find_window(risk, strength, target_loss=0.05, costs=COSTS).more
    rng = np.random.default_rng(8)
    at = loss_probability(strength.at(more.age_h), theta=risk.theta, beta=risk.beta, floor=risk.floor)
    settled = []
    for _ in range(400):
        lost = rng.binomial(more.pieces, rng.choice(at, p=risk.weight))
        anew = risk.weight * at**lost * (1 - at) ** (more.pieces - lost)
        order = np.argsort(at)
        below = (np.cumsum(anew[order]) - anew[order] / 2) / anew.sum()
        upper = np.interp(0.95, below, at[order])
        settled.append(upper < 0.05)
    assert np.mean(settled) == pytest.approx(more.probability, abs=0.08)


def test_settling_is_that_of_exact_beta_binomials():
    # Of a uniform belief, n pieces with k lost leave Beta(1 + k, 1 + n - k), and each k is as likely as another
    # (Bayes 1763): the exact answer from SciPy's beta distribution.
    loss = (np.arange(4000) + 0.5) / 4000
    weight = np.full(4000, 1 / 4000)
    counts = np.arange(101)
    exact = (beta_distribution.ppf(0.95, 1 + counts, 101 - counts) < 0.1).sum() / 101
    assert _settling_probability(loss, weight, 100, 0.1) == pytest.approx(exact, abs=0.011)


def test_what_is_lost_for_certain_settles_nothing():
    # It loses next to nothing or all, as likely as not: ten pieces settle it in the first case, and only then.
    loss = np.concatenate([np.linspace(0, 0.001, 50), np.ones(50)])
    assert _settling_probability(loss, np.full(100, 0.01), 10, 0.05) == pytest.approx(0.5, abs=1e-3)


def test_the_interval_of_a_floor_is_near_the_exact_one():
    # NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20, 90 % interval 0.0714 to 0.4010 (Clopper-Pearson). A vague belief lies
    # inside it, and is not much narrower.
    loss = (np.arange(4000) + 0.5) / 4000
    weight = loss**4 * (1 - loss) ** 16
    risk = MoldRisk(
        theta=np.full(4000, 1e-3),
        beta=np.full(4000, 0.1),
        floor=loss,
        weight=weight / weight.sum(),
        pieces=20,
        lost=4,
        weakest=1.0,
        strongest=1.0,
        conditions=np.zeros(0),
    )
    found = loss_at(risk, 1.0)
    assert 0.0714 < found.low < 0.11
    assert 0.35 < found.high < 0.4010


@pytest.mark.parametrize("beta", [0.25, 0.4])
def test_the_mean_loss_of_many_pieces_is_that_of_each(beta):
    strengths = np.random.default_rng(3).uniform(0.05, 1.0, 2000)
    expected = loss_probability(strengths, theta=0.3, beta=beta, floor=0.02)
    np.testing.assert_allclose(mean_loss(known(0.3, beta, 0.02), strengths), expected, atol=3e-5)

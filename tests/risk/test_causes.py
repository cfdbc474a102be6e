import numpy as np
import pytest

from inspector.risk.causes import ColdLoss, MoldHistory, PourLoss, Wear, YoungLoss, find_trend
from inspector.risk.evidence import gather_evidence
from inspector.risk.fragility import loss_probability
from inspector.risk.learning import learn, pour_spread
from inspector.risk.prior import PRACTICE_PRIOR

TRUTH = {"theta": 0.24, "beta": 0.22, "floor": 0.01}
PIECES = 400
BILL, WING = 0, 1


def en_fraction(age_h):
    # EN 1992-1-1:2004, Eq. (3.2), class N, at 20 degC.
    return np.exp(0.25 * (1 - np.sqrt(672 / np.asarray(age_h))))


class Past:
    """A mold's pieces, four a pour, opened after 16 to 60 hours; what went wrong is added to it."""

    def __init__(self, seed):
        self.rng = np.random.default_rng(seed)
        self.age_h = self.rng.uniform(16, 60, PIECES)
        self.usual = en_fraction(self.age_h)
        self.strength = self.usual.copy()
        self.ageing = np.ones(PIECES)
        self.pour = np.arange(PIECES) // 4
        self.extra = np.zeros(PIECES)

    def find(self, opens_at=None):
        p = loss_probability(self.strength, **TRUTH)
        age_lost = self.rng.random(PIECES) < p
        extra_lost = self.rng.random(PIECES) < self.extra
        lost = age_lost | extra_lost
        where = np.where(extra_lost, WING, BILL)
        feature_lost = lost[:, None] & (where[:, None] == np.arange(2))
        history = MoldHistory(
            age_h=self.age_h,
            strength_fraction=self.strength,
            usual_strength_fraction=self.usual,
            ageing=self.ageing,
            needs=np.ones(PIECES),
            lost=lost,
            pour=self.pour,
            feature_lost=feature_lost,
            features=("bill", "wing"),
        )
        # Other molds of the workshop, sound.
        unit = np.concatenate([np.zeros(PIECES, int), np.repeat([1, 2, 3], 200)])
        more = self.rng.uniform(0.3, 0.6, 600)
        more_lost = self.rng.random(600) < loss_probability(more, **TRUTH)
        evidence = gather_evidence(
            units=4,
            unit=unit,
            strength_fraction=np.concatenate([self.strength, more]),
            lost=np.concatenate([lost, more_lost]),
            pour=np.concatenate([self.pour, 1000 + np.arange(600) // 4]),
        )
        learnt = learn(evidence, PRACTICE_PRIOR)
        return find_trend(history, learnt.molds[0], learnt.population, learnt.bad_pours, opens_at=opens_at)


def of(trend, kind):
    found = [cause for cause in trend.causes if isinstance(cause, kind)]
    assert len(found) <= 1
    return found[0] if found else None


def test_a_sound_mold_loses_its_young_pieces_only():
    trend = Past(0).find()
    young = of(trend, YoungLoss)
    assert young.young_lost > 2 * young.older_lost
    assert young.feature == "bill"
    assert trend.alarm is None
    assert [of(trend, kind) for kind in (Wear, PourLoss, ColdLoss)] == [None, None, None]


def test_young_pieces_are_those_weaker_than_the_window_asks_for():
    median = of(Past(0).find(), YoungLoss)
    assert not median.split_by_window
    # 150 latest pieces, half of them on either side.
    assert median.young_pieces == median.older_pieces == 75
    past = Past(0)
    young = of(past.find(opens_at=0.3), YoungLoss)
    assert young.split_by_window
    assert young.split_strength_fraction == 0.3
    assert young.young_pieces == np.count_nonzero(past.strength[-150:] < 0.3)
    assert young.young_lost / young.young_pieces > median.young_lost / median.young_pieces
    # Nobody opened a piece that weak: the median then.
    assert not of(Past(0).find(opens_at=0.2), YoungLoss).split_by_window


def test_a_torn_mold_is_told_from_opening_too_early():
    past = Past(11)
    past.extra[280:] = 0.2
    trend = past.find()
    wear = of(trend, Wear)
    assert 260 <= wear.since <= 300
    assert wear.feature == "wing"
    assert wear.stronger_lost > 3 * wear.stronger_expected
    assert isinstance(trend.causes[0], Wear)
    # What came before the tear is still known as what it is.
    assert of(trend, YoungLoss).young_lost > of(trend, YoungLoss).older_lost


def test_a_bad_pour_is_told_from_age_and_wear():
    past = Past(2)
    past.pour[200:212] = past.pour[200]
    past.extra[200:212] = 0.8
    trend = past.find()
    pour = of(trend, PourLoss)
    assert pour.pour == past.pour[200]
    assert pour.pieces == 12
    assert pour.lost > 3 * pour.expected
    assert of(trend, Wear) is None


def test_a_cold_spell_is_explained_by_the_strength_it_leaves():
    past = Past(3)
    # EN 1992-1-1 B.10: at 5 degC an hour counts as 0.478 h at 20 degC.
    past.ageing[150:210] = 0.478
    past.strength = en_fraction(past.ageing * past.age_h)
    trend = past.find()
    cold = of(trend, ColdLoss)
    assert cold.pieces >= 50
    assert cold.wait_until_h == pytest.approx(np.median(past.age_h[150:210]) / 0.478, rel=0.05)
    assert cold.lost > 2 * cold.expected_if_usual
    # Adjusted for the strength there is nothing left to explain.
    assert cold.lost == pytest.approx(cold.expected, rel=0.35)
    assert of(trend, Wear) is None


def test_nothing_stands_out_where_nothing_is_lost():
    past = Past(4)
    past.strength = past.usual = np.full(PIECES, 0.9)
    past.age_h = np.full(PIECES, 400.0)
    trend = past.find()
    assert trend.causes == ()


def test_the_spread_of_pours_is_found():
    rng = np.random.default_rng(5)
    pour = np.repeat(np.arange(300), 10)
    odds = 0.1 / 0.9 * np.exp(rng.normal(0, 0.8, 300))[pour]
    evidence = gather_evidence(
        units=1,
        unit=np.zeros(3000, int),
        strength_fraction=np.full(3000, 0.4),
        lost=rng.random(3000) < odds / (1 + odds),
        pour=pour,
    )
    assert pour_spread(evidence, np.full(3000, 0.1)) == pytest.approx(0.8, abs=0.15)


def test_a_bad_pour_does_not_move_the_window():
    rng = np.random.default_rng(6)
    strength = rng.uniform(0.35, 0.6, 300)
    lost = rng.random(300) < loss_probability(strength, **TRUTH)
    pour = np.arange(300) // 6
    spoilt = lost | (pour == 20)
    theta = []
    for losses in (lost, spoilt):
        learnt = learn(
            gather_evidence(units=1, unit=np.zeros(300, int), strength_fraction=strength, lost=losses, pour=pour),
            PRACTICE_PRIOR,
        )
        risk = learnt.molds[0]
        theta.append(risk.weight @ risk.theta)
    assert [bad.pour for bad in learnt.bad_pours] == [20]
    assert theta[0] == pytest.approx(theta[1], rel=0.02)


@pytest.mark.parametrize("early_lost", [True, False])
def test_a_piece_opened_within_the_hour_breaks_nothing(early_lost):
    # So weak that its loss is certain as far as a float tells: one that was logged at the time of its pour, say.
    strength = np.append(np.tile([0.3, 0.35, 0.4, 0.45], 15), en_fraction(1.0))
    lost = np.append(np.tile([True, False, False, False], 15), early_lost)
    evidence = gather_evidence(
        units=1, unit=np.zeros(61, int), strength_fraction=strength, lost=lost, pour=np.arange(61) // 3
    )
    learnt = learn(evidence, PRACTICE_PRIOR)
    expected = learnt.population.effects.expected_loss
    assert np.all((expected > 0) & (expected < 1))
    assert np.isfinite(pour_spread(evidence, expected))

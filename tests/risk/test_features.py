import numpy as np
import pytest

from inspector.risk.effects import fit_effects
from inspector.risk.evidence import gather_evidence
from inspector.risk.features import fit_features
from inspector.risk.fragility import loss_probability
from inspector.risk.pooling import fit_molds
from inspector.risk.prior import PRACTICE_PRIOR
from inspector.risk.window import loss_at


@pytest.fixture
def two_molds():
    """Two molds, the first losing its bill four times in five and its tail else, the second without features."""
    rng = np.random.default_rng(3)
    mold = np.repeat([0, 1], [400, 100])
    strength = rng.uniform(0.25, 0.6, 500)
    lost = rng.random(500) < loss_probability(strength, theta=0.28, beta=0.22, floor=0.01)
    evidence = gather_evidence(units=2, unit=mold, strength_fraction=strength, lost=lost)
    _, molds = fit_molds(evidence, fit_effects(evidence, PRACTICE_PRIOR), PRACTICE_PRIOR)
    at_bill = lost[:400] & (rng.random(400) < 0.8)
    tables = [np.column_stack([at_bill, lost[:400] & ~at_bill]), np.zeros((100, 0), dtype=bool)]
    return {"mold": mold, "strength_fraction": strength, "lost": tables, "molds": molds}


def test_features_share_the_losses_of_their_mold(two_molds):
    _, ((bill, tail), none) = fit_features(**two_molds)
    assert none == ()
    assert (bill.lost, tail.lost) == tuple(two_molds["lost"][0].sum(axis=0))
    for strength in (0.3, 0.4, 0.5):
        whole = loss_at(two_molds["molds"][0], strength).mean
        parts = [loss_at(feature, strength).mean for feature in (bill, tail)]
        assert parts[0] > parts[1]
        # One feature breaks at a time here, so the parts add up to the whole.
        assert sum(parts) == pytest.approx(whole, rel=0.3)


def test_a_feature_learnt_alone_is_the_same_as_among_others(two_molds):
    population, ((bill, _), _) = fit_features(**two_molds)
    first = {
        "mold": np.zeros(400, dtype=int),
        "strength_fraction": two_molds["strength_fraction"][:400],
        "lost": two_molds["lost"][:1],
        "molds": two_molds["molds"][:1],
    }
    _, ((alone, _),) = fit_features(**first, population=population)
    assert loss_at(alone, 0.4) == loss_at(bill, 0.4)


def test_without_features_there_is_nothing_to_learn(two_molds):
    two_molds["lost"] = [np.zeros((400, 0), dtype=bool), np.zeros((100, 0), dtype=bool)]
    assert fit_features(**two_molds)[1] == ((), ())

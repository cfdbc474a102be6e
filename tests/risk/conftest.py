import numpy as np
import pytest
from scipy.special import expit

from inspector.risk.evidence import gather_evidence
from inspector.risk.fragility import loss_probability, theta_from_tenth
from inspector.risk.prior import PRACTICE_PRIOR


class SimulatedWorkshop:
    """Molds whose truth is drawn from a prior, and pieces lost by it."""

    def __init__(self, seed, *, molds, pieces, prior=PRACTICE_PRIOR):
        rng = np.random.default_rng(seed)
        drawn = []
        for parameter in (prior.log_tenth, prior.log_beta, prior.logit_floor):
            centre = rng.normal(parameter.centre, parameter.centre_sd)
            spread = parameter.spread * np.exp(rng.normal(0, parameter.spread_log_sd))
            drawn.append(rng.normal(centre, spread, molds))
        self.beta = np.exp(drawn[1])
        self.floor = expit(drawn[2])
        self.change = rng.normal(0, prior.condition_sd, 2)
        unit = np.repeat(np.arange(molds), pieces)
        strength = np.exp(rng.uniform(np.log(0.25), np.log(0.6), unit.size))
        # One condition differs from piece to piece, the other from mold to mold.
        conditions = np.column_stack([rng.integers(0, 2, unit.size), unit % 2]).astype(float)
        shift = (conditions - conditions.mean(axis=0)) @ self.change
        of_mold = np.array([shift[unit == mold].mean() for mold in range(molds)])
        bare_theta = theta_from_tenth(np.exp(drawn[0]), beta=self.beta)
        self.theta = bare_theta * np.exp(of_mold)
        p = loss_probability(
            strength, theta=bare_theta[unit] * np.exp(shift), beta=self.beta[unit], floor=self.floor[unit]
        )
        self.evidence = gather_evidence(
            units=molds,
            unit=unit,
            strength_fraction=strength,
            lost=rng.random(unit.size) < p,
            pour=np.arange(unit.size) // 8,
            conditions=conditions,
            condition_names=("fibres", "latex mold"),
        )

    def loss(self, mold, strength_fraction):
        return loss_probability(strength_fraction, theta=self.theta[mold], beta=self.beta[mold], floor=self.floor[mold])


@pytest.fixture
def simulate():
    return SimulatedWorkshop

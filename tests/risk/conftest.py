import numpy as np
import pytest
from scipy.special import expit

from inspector.risk.designs import DesignEvidence
from inspector.risk.effects import fit_effects
from inspector.risk.evidence import gather_evidence
from inspector.risk.fragility import loss_probability, theta_from_tenth
from inspector.risk.pooling import MoldRisk, estimate_mold, fit_molds
from inspector.risk.prior import DESIGN_SHARE_LOGIT, DESIGN_SHARE_LOGIT_SD, PRACTICE_PRIOR


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


class SimulatedDesign:
    """A new mold of a design that two molds elsewhere are of, and a workshop of others; all drawn from a prior."""

    def __init__(self, seed, *, pieces, prior=PRACTICE_PRIOR):
        rng = np.random.default_rng(seed)
        share = expit(rng.normal(DESIGN_SHARE_LOGIT, DESIGN_SHARE_LOGIT_SD))
        others, elsewhere, new = [], [], []
        for parameter in (prior.log_tenth, prior.log_beta, prior.logit_floor):
            centre = rng.normal(parameter.centre, parameter.centre_sd)
            spread = parameter.spread * np.exp(rng.normal(0, parameter.spread_log_sd))
            others.append(rng.normal(centre, spread, 4))
            design = rng.normal(centre, spread * np.sqrt(share))
            *two, one = rng.normal(design, spread * np.sqrt(1 - share), 3)
            elsewhere.append(two)
            new.append(one)
        evidence = demolded(rng, np.transpose(others), 60)
        self.population, _ = fit_molds(evidence, fit_effects(evidence, prior), prior)
        self.evidence = DesignEvidence(
            elsewhere=[estimated(demolded(rng, [mold], 200)) for mold in zip(*elsewhere, strict=True)]
        )
        self.own = demolded(rng, [new], pieces)
        beta = np.exp(new[1:2])
        self.truth = MoldRisk(
            theta=theta_from_tenth(np.exp(new[:1]), beta=beta), beta=beta, floor=expit(new[2:]), weight=np.ones(1),
            pieces=pieces, lost=0, weakest=0.25, strongest=0.6, conditions=np.zeros(0),
        )  # fmt: skip


def demolded(rng, molds, pieces):
    """So many pieces of each mold, lost by its ln r10, ln beta and logit floor (m, 3)."""
    log_tenth, log_beta, logit_floor = np.transpose(molds)
    unit = np.repeat(np.arange(len(molds)), pieces)
    strength = np.exp(rng.uniform(np.log(0.25), np.log(0.6), unit.size))
    beta = np.exp(log_beta)[unit]
    theta = theta_from_tenth(np.exp(log_tenth)[unit], beta=beta)
    p = loss_probability(strength, theta=theta, beta=beta, floor=expit(logit_floor)[unit])
    return gather_evidence(units=len(molds), unit=unit, strength_fraction=strength, lost=rng.random(unit.size) < p)


def estimated(evidence, prior=PRACTICE_PRIOR):
    """What the pieces of one mold tell, as its own workshop would work it out."""
    return estimate_mold(evidence, fit_effects(evidence, prior), prior)


@pytest.fixture
def simulate():
    return SimulatedWorkshop

"""From the evidence of a workshop to what is believed about each of its molds.

Conditions and expectations first, then pours that lost far more than that: they are set aside, since one bad batch
tells nothing about ages. Then the rest once more, and each mold.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc, logit

from inspector.risk.designs import DesignEvidence
from inspector.risk.effects import fit_effects
from inspector.risk.evidence import Evidence
from inspector.risk.pooling import MoldRisk, Population, fit_molds
from inspector.risk.prior import Prior
from inspector.risk.regression import fit_logistic_by_group

__all__ = ["BadPour", "Learnt", "find_bad_pours", "learn", "pour_spread"]

# A pour is bad if chance alone would make one pour in a workshop's whole log look like it this often.
_FALSE_BAD_POUR = 0.02
_FEWEST_LOST = 3


@dataclass(frozen=True, slots=True)
class BadPour:
    """A pour that lost far more pieces than their ages explain."""

    pour: int
    pieces: int
    lost: int
    expected: float
    probability: float
    """That chance does this to a given pour, at most."""


@dataclass(frozen=True, slots=True, eq=False)
class Learnt:
    """What the log of a workshop tells."""

    population: Population
    molds: tuple[MoldRisk, ...]
    """One a unit of the evidence."""
    bad_pours: tuple[BadPour, ...]
    sound: NDArray[np.bool_]
    """(n,) pieces that are of no bad pour: what the molds were learnt from."""


def learn(evidence: Evidence, prior: Prior, designs: Mapping[int, DesignEvidence] | None = None) -> Learnt:
    """Learn about all molds of a workshop.

    Parameters
    ----------
    evidence : Evidence
    prior : Prior
        What practice knows beforehand.
    designs : mapping of int to DesignEvidence, optional
        What other molds of its design tell, of those units that are of one.
    """
    effects = fit_effects(evidence, prior)
    bad_pours = find_bad_pours(evidence, effects.expected_loss)
    sound = ~np.isin(evidence.pour, [bad.pour for bad in bad_pours])
    if bad_pours:
        sound_evidence = evidence.of(sound)
        effects = fit_effects(sound_evidence, prior)
    else:
        sound_evidence = evidence
    population, molds = fit_molds(sound_evidence, effects, prior, designs)
    return Learnt(population=population, molds=molds, bad_pours=bad_pours, sound=sound)


def find_bad_pours(evidence: Evidence, expected_loss: NDArray[np.float64]) -> tuple[BadPour, ...]:
    """Find pours that lost more than chance allows, worst first.

    Parameters
    ----------
    evidence : Evidence
    expected_loss : ndarray, shape (n,)
        Probability of loss of each piece.
    """
    known = evidence.pour >= 0
    if not known.any():
        return ()
    numbers, pour = np.unique(evidence.pour[known], return_inverse=True)
    pieces = np.bincount(pour)
    lost = np.bincount(pour, weights=evidence.lost[known])
    expected = np.bincount(pour, weights=expected_loss[known])
    # The binomial with the mean probability has the longer tail (Hoeffding 1956): a bound, on the safe side.
    tail = bdtrc(lost - 1, pieces, expected / pieces)
    bad = np.flatnonzero((lost >= _FEWEST_LOST) & (tail < _FALSE_BAD_POUR / len(numbers)))
    found = [
        BadPour(
            pour=int(numbers[index]),
            pieces=int(pieces[index]),
            lost=int(lost[index]),
            expected=float(expected[index]),
            probability=float(tail[index]),
        )
        for index in bad
    ]
    return tuple(sorted(found, key=lambda item: item.expected - item.lost))


def pour_spread(evidence: Evidence, expected_loss: NDArray[np.float64]) -> float:
    """By how much pours differ beyond the ages of their pieces: standard deviation of their log odds of loss.

    Parameters
    ----------
    evidence : Evidence
    expected_loss : ndarray, shape (n,)
        Probability of loss of each piece, strictly between 0 and 1.

    Returns
    -------
    spread : float
        0.7 means that one pour in three has at least double or at most half the usual odds; 0 without pours.
    """
    known = evidence.pour >= 0
    if not evidence.lost[known].any():
        return 0.0
    _, pour = np.unique(evidence.pour[known], return_inverse=True)
    pieces = np.bincount(pour)
    mean = np.bincount(pour, weights=expected_loss[known]) / pieces
    fit = fit_logistic_by_group(
        np.ones((len(pieces), 1)),
        np.bincount(pour, weights=evidence.lost[known]),
        pieces,
        np.arange(len(pieces)),
        offset=logit(mean),
    )
    return fit.spread

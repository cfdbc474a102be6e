"""One level between all molds and each: the design that several of them share, at whichever site they are.

A design's parameters are normal around the centres that molds are normal around, and its molds normal around it; of the
variance from mold to mold a share is the design's, the rest lies between molds of one design. So a mold of no design
is what it was, and one of a design that is known elsewhere starts from that.

What the pieces of another mold tell comes as a normal in (ln r10, ln beta, logit floor): no pieces are handed on, and
for each draw of centres and spreads all is closed form (the normal hierarchical model: Gelman et al., Bayesian Data
Analysis, 5.4). The share is unknown too, and drawn beside them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtri

from inspector.risk.prior import DESIGN_SHARE_LOGIT, DESIGN_SHARE_LOGIT_SD

__all__ = ["DesignEvidence", "DesignLevel", "MoldEstimate", "design_level", "design_shares", "estimate_from_moments"]


@dataclass(frozen=True, slots=True, eq=False)
class MoldEstimate:
    """What the pieces of one mold tell by themselves: exp(information x - x precision x / 2), x as above."""

    information: NDArray[np.float64]
    """(3,)"""
    precision: NDArray[np.float64]
    """(3, 3), without negative eigenvalues; 0 where the pieces tell nothing."""
    pieces: int
    lost: int


@dataclass(frozen=True, slots=True, eq=False)
class DesignEvidence:
    """What other molds of a mold's design tell."""

    elsewhere: Sequence[MoldEstimate] = field(default=())
    """Of other workshops, which the population knows nothing of."""
    beside: Sequence[MoldEstimate] = field(default=())
    """Of the same workshop, which the population was learnt from as well."""


@dataclass(frozen=True, slots=True, eq=False)
class DesignLevel:
    """What a further mold of a design is like, for each draw of a population."""

    mean: NDArray[np.float64]
    """(h, 3)"""
    covariance: NDArray[np.float64]
    """(h, 3, 3)"""
    log_evidence: NDArray[np.float64]
    """(h,) how well each draw goes with the design's molds, beyond what the population knows; up to a constant."""


def estimate_from_moments(
    mean: NDArray[np.float64],
    covariance: NDArray[np.float64],
    *,
    prior_mean: NDArray[np.float64],
    prior_sd: NDArray[np.float64],
    pieces: int,
    lost: int,
) -> MoldEstimate:
    """Take the prior out of a posterior that is nearly normal, so that what the pieces tell is left.

    Parameters
    ----------
    mean, covariance : ndarray, shape (3,) and (3, 3)
        Of the posterior.
    prior_mean, prior_sd : ndarray, shape (3,)
    pieces, lost : int
    """
    inverse = np.linalg.inv(covariance)
    values, vectors = np.linalg.eigh(inverse - np.diag(prior_sd**-2.0))
    # A skew posterior can be wider than its prior in some direction: there its pieces are taken to tell nothing.
    told = vectors * (values > 0)
    return MoldEstimate(
        information=told @ told.T @ (inverse @ mean - prior_mean / prior_sd**2),
        precision=(told * values) @ told.T,
        pieces=pieces,
        lost=lost,
    )


def design_level(draws: NDArray[np.float64], shares: NDArray[np.float64], evidence: DesignEvidence) -> DesignLevel:
    """Learn what a further mold of a design is like.

    Parameters
    ----------
    draws : ndarray, shape (h, 6)
        Centre and log spread of ln r10, ln beta and logit floor in turn.
    shares : ndarray, shape (h,)
        Of the variance from mold to mold, that between designs; above 0, below 1. [-]
    evidence : DesignEvidence
    """
    centre, variance = draws[:, ::2], np.exp(2 * draws[:, 1::2])
    between, within = shares[:, None] * variance, (1 - shares[:, None]) * variance
    precision = _diagonal(1 / between)
    information = centre / between
    log_evidence = -0.5 * (np.log(between) + centre**2 / between).sum(axis=1)
    for estimate in (*evidence.elsewhere, *evidence.beside):
        through = _seen_through(estimate, within)
        precision = precision + through.precision
        information = information + through.information
        log_evidence = log_evidence + through.log_factor
    covariance = np.linalg.inv(precision)
    mean = np.einsum("hij,hj->hi", covariance, information)
    log_evidence += 0.5 * (information * mean).sum(axis=1) - 0.5 * np.linalg.slogdet(precision)[1]
    for estimate in evidence.beside:
        log_evidence -= _seen_through(estimate, variance).log_value(centre)
    return DesignLevel(mean=mean, covariance=covariance + _diagonal(within), log_evidence=log_evidence)


def design_shares(count: int) -> NDArray[np.float64]:
    """Give draws of the share of the variance between molds that lies between designs, the same every time."""
    from scipy.stats import qmc  # takes a second, which commands that ask for no risk need not wait

    # The digits of base 3 go together with none of the base 2 that the draws themselves are made of.
    in_base_3 = qmc.Halton(2, scramble=False).fast_forward(1).random(count)[:, 1]
    return np.asarray(expit(DESIGN_SHARE_LOGIT + DESIGN_SHARE_LOGIT_SD * ndtri(in_base_3)))


@dataclass(frozen=True, slots=True, eq=False)
class _SeenThrough:
    """What a mold tells about what it is normal around: exp(log_factor + information x - x precision x / 2)."""

    log_factor: NDArray[np.float64]
    """(h,)"""
    information: NDArray[np.float64]
    """(h, 3)"""
    precision: NDArray[np.float64]
    """(h, 3, 3)"""

    def log_value(self, at: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log of it at points (h, 3)."""
        bent = np.einsum("hi,hij,hj->h", at, self.precision, at)
        return self.log_factor + (self.information * at).sum(axis=1) - 0.5 * bent


def _seen_through(estimate: MoldEstimate, variance: NDArray[np.float64]) -> _SeenThrough:
    """Average a mold's estimate over normals with variances (h, 3) around any point."""
    widened = np.eye(3) + estimate.precision * variance[:, None, :]
    told = np.column_stack([estimate.information, estimate.precision])
    solved = np.asarray(np.linalg.solve(widened, np.broadcast_to(told, (len(variance), 3, 4))), dtype=np.float64)
    information = solved[:, :, 0]
    return _SeenThrough(
        log_factor=0.5 * (variance * information) @ estimate.information - 0.5 * np.linalg.slogdet(widened)[1],
        information=information,
        precision=solved[:, :, 1:],
    )


def _diagonal(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return values[:, :, None] * np.eye(3)

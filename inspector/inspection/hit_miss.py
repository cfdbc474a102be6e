"""From which size on are defects found: a hit/miss analysis of detection.

The probability of detection is a logistic curve over the logarithm of size, fitted by maximum likelihood; a90 is
the size found with 90 % probability, a90/95 its upper bound at 95 % confidence by the profile likelihood, as in
MIL-HDBK-1823A, appendix G (formulas written from memory; checked against published fits and by simulation).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize, minimize_scalar
from scipy.special import expit, logit, ndtri

__all__ = ["DetectionCurve", "detection_bound", "fit_hit_miss"]

# Fewer than these say nothing about a curve of two parameters (the handbook asks for 60 targets).
FEWEST_DEFECTS = 20
FEWEST_OF_EACH = 3
# A curve steeper than this goes from a tenth to nine tenths within 5 % of size: a step, for all purposes.
STEEPEST = 90.0
WANTED = 0.9
CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class DetectionCurve:
    """What a hit/miss fit says."""

    count: int
    a50: float
    a90: float
    a90_95: float | None
    """None where the data do not bound it within twenty times a90."""

    def probability(self, size: float) -> float:
        """Probability that a defect of a size is found."""
        return float(expit(_log_odds(self, np.log(np.array([size])))[0]))


def fit_hit_miss(sizes: Sequence[float], hits: Sequence[bool]) -> DetectionCurve | None:
    """The curve, or None where there are too few defects or larger ones are not found more often."""
    log_size = np.log(np.asarray(sizes, dtype=float))
    hit = np.asarray(hits, dtype=float)
    count = int(hit.size)
    if count < FEWEST_DEFECTS or min(hit.sum(), count - hit.sum()) < FEWEST_OF_EACH:
        return None
    middle = float(log_size.mean())

    def loss(parameters: NDArray[np.float64]) -> float:
        return _loss(parameters[0] + parameters[1] * (log_size - middle), hit)

    fit = minimize(loss, np.array([0.0, 2.0]), method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9})
    offset, slope = fit.x
    best = float(fit.fun)
    if slope <= 0.05:
        return None
    if slope > STEEPEST:  # all above a size found and none below: likelihood grows with the slope for ever
        slope = STEEPEST
        reach = float(np.ptp(log_size)) * slope
        fixed = minimize_scalar(
            lambda shift: loss(np.array([shift, slope])),
            bounds=(-reach, reach),
            method="bounded",
            options={"xatol": 1e-9},
        )
        offset, best = float(fixed.x), float(fixed.fun)
    a50 = middle - offset / slope
    a90 = a50 + logit(WANTED) / slope
    return DetectionCurve(count, float(np.exp(a50)), float(np.exp(a90)), _upper_bound(log_size, hit, a90, best))


def detection_bound(sizes: Sequence[float], hits: Sequence[bool], at: Sequence[float]) -> NDArray[np.float64]:
    """Lower 95 % bound of the probability of detection at some sizes.

    The profile likelihood of a90/95, asked the other way round: the least probability at a given size that the data
    still allow with one-sided 95 % confidence. Where it reaches 0.9, it meets a90/95.

    Parameters
    ----------
    sizes, hits
        As for `fit_hit_miss`.
    at : sequence of float
        Sizes to give the bound at.

    Returns
    -------
    bound : ndarray, shape (n,)

    Raises
    ------
    ValueError
        If there is no curve to bound.
    """
    curve = fit_hit_miss(sizes, hits)
    if curve is None:
        raise ValueError("There is no curve to bound: too few defects, or larger ones are not found more often.")
    log_size, hit = np.log(np.asarray(sizes, dtype=float)), np.asarray(hits, dtype=float)
    best = _loss(_log_odds(curve, log_size), hit)
    most_loss = best + ndtri(CONFIDENCE) ** 2 / 2
    return np.array([_bound_at(log_size, hit, float(np.log(size)), curve, most_loss) for size in at])


def _bound_at(
    log_size: NDArray[np.float64], hit: NDArray[np.float64], log_a: float, curve: DetectionCurve, most_loss: float
) -> float:
    """The least log odds at one size for which some slope still explains the data, as a probability."""

    def excess(log_odds: float) -> float:
        def loss(log_slope: float) -> float:
            return _loss(log_odds + np.exp(log_slope) * (log_size - log_a), hit)

        profile = minimize_scalar(
            loss, bounds=(-5.0, float(np.log(STEEPEST))), method="bounded", options={"xatol": 1e-6}
        )
        return float(profile.fun) - most_loss

    top = float(_log_odds(curve, np.array([log_a]))[0])
    for below in np.geomspace(0.05, 60, 40):
        if excess(top - below) > 0:
            return float(expit(brentq(excess, top - below, top, xtol=1e-6)))
    return 0.0


def _log_odds(curve: DetectionCurve, log_size: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(logit(WANTED) / np.log(curve.a90 / curve.a50) * (log_size - np.log(curve.a50)))


def _upper_bound(log_size: NDArray[np.float64], hit: NDArray[np.float64], a90: float, best: float) -> float | None:
    """Where the likelihood, at its best for a given a90, has fallen by what one-sided 95 % allow."""
    allowed = ndtri(CONFIDENCE) ** 2 / 2  # half the two-sided 90 % point of chi-squared with one degree of freedom

    def excess(log_a: float) -> float:
        def loss(log_slope: float) -> float:
            return _loss(logit(WANTED) + np.exp(log_slope) * (log_size - log_a), hit)

        profile = minimize_scalar(
            loss, bounds=(-5.0, float(np.log(STEEPEST))), method="bounded", options={"xatol": 1e-6}
        )
        return float(profile.fun) - best - allowed

    for reach in np.linspace(0.05, np.log(20), 40):
        if excess(a90 + reach) > 0:
            return float(np.exp(brentq(excess, a90, a90 + reach, xtol=1e-6)))
    return None


def _loss(log_odds: NDArray[np.float64], hit: NDArray[np.float64]) -> float:
    probability = np.clip(expit(log_odds), 1e-12, 1 - 1e-12)
    return float(-np.sum(hit * np.log(probability) + (1 - hit) * np.log(1 - probability)))

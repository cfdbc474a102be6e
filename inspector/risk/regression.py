"""Losses against anything: logistic regression, alone or with pours that differ, and a test for a trend."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import expit, gammaln, log_expit, logsumexp, ndtr, xlogy

__all__ = ["GroupedFit", "LogisticFit", "Trend", "fit_logistic", "fit_logistic_by_group", "trend_in_shares"]

_STEPS = 50
_CONVERGED = 1e-10
_FAR = 30.0  # a logit as good as infinite: all lost or none
_QUADRATURE_NODES = 25


@dataclass(frozen=True, slots=True, eq=False)
class LogisticFit:
    """Coefficients of a logistic regression."""

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    deviance: float
    separated: bool
    """Whether a coefficient grows without end, since some x has only lost pieces, or none."""


@dataclass(frozen=True, slots=True, eq=False)
class GroupedFit:
    """The same, with groups whose odds differ by a normal of unknown spread."""

    coefficients: NDArray[np.float64]
    spread: float
    """Standard deviation of the groups' log odds."""
    group_mean: NDArray[np.float64]
    """(g,) what is expected of each group's log odds, beside the coefficients."""
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class Trend:
    """Whether shares rise or fall with a score."""

    z: float
    """Standard normal if there is no trend; above 0 if shares rise."""
    p_value: float
    """Two-sided."""


def fit_logistic(x: ArrayLike, lost: ArrayLike, total: ArrayLike, *, offset: ArrayLike = 0.0) -> LogisticFit:
    """Fit logit P = offset + x @ coefficients by maximum likelihood (Fisher scoring).

    Parameters
    ----------
    x : array_like, shape (n, k)
    lost, total : array_like, shape (n,)
    offset : array_like, shape (n,) or a number
        Log odds that are known.

    Returns
    -------
    LogisticFit
        With separation the coefficients stop where nothing more is to be gained, and are marked.
    """
    x, lost, total = np.asarray(x, dtype=float), np.asarray(lost, dtype=float), np.asarray(total, dtype=float)
    known = np.broadcast_to(np.asarray(offset, dtype=float), lost.shape)
    # Started from the empirical logits (Cox 1970): far from them the information may vanish.
    logits = np.log((lost + 0.5) / (total - lost + 0.5)) - known
    coefficients = np.linalg.lstsq(x * np.sqrt(total)[:, None], logits * np.sqrt(total), rcond=None)[0]
    deviance = _deviance(lost, total, known + x @ coefficients)
    information: NDArray[np.float64] = np.eye(x.shape[1])
    for _ in range(_STEPS):
        p = expit(known + x @ coefficients)
        information = (x * (total * p * (1 - p))[:, None]).T @ x
        step = np.linalg.lstsq(information, x.T @ (lost - total * p), rcond=None)[0]
        new = _deviance(lost, total, known + x @ (coefficients + step))
        while new > deviance + _CONVERGED and np.abs(step).max() > _CONVERGED:
            step = step / 2
            new = _deviance(lost, total, known + x @ (coefficients + step))
        coefficients = coefficients + step
        gained, deviance = deviance - new, new
        if abs(gained) < _CONVERGED * (1 + deviance):
            break
    return LogisticFit(
        coefficients=coefficients,
        covariance=np.asarray(np.linalg.pinv(information), dtype=float),
        deviance=deviance,
        separated=bool(np.abs(x @ coefficients).max(initial=0) > _FAR),
    )


def fit_logistic_by_group(
    x: ArrayLike, lost: ArrayLike, total: ArrayLike, group: ArrayLike, *, offset: ArrayLike = 0.0
) -> GroupedFit:
    """Fit logit P = offset + x @ coefficients + b[group], b normal around 0, by maximum marginal likelihood.

    The groups' part is integrated out by Gauss-Hermite quadrature around 0.

    Parameters
    ----------
    x : array_like, shape (n, k)
    lost, total : array_like, shape (n,)
    group : array_like of int, shape (n,)
        0 to g - 1, each with a row.
    offset : array_like, shape (n,) or a number
    """
    x, lost, total = np.asarray(x, dtype=float), np.asarray(lost, dtype=float), np.asarray(total, dtype=float)
    groups = np.asarray(group, dtype=np.intp)
    order = np.argsort(groups, kind="stable")
    x, lost, total = x[order], lost[order], total[order]
    known = np.broadcast_to(np.asarray(offset, dtype=float), groups.shape)[order]
    first = np.unique(groups[order], return_index=True)[1]
    nodes, weights = np.polynomial.hermite_e.hermegauss(_QUADRATURE_NODES)
    log_weights = np.log(weights / weights.sum())
    start = fit_logistic(x, lost, total, offset=known).coefficients

    def by_group(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        logit = (known + x @ parameters[:-1])[:, None] + np.exp(parameters[-1]) * nodes
        rows = lost[:, None] * log_expit(logit) + (total - lost)[:, None] * log_expit(-logit)
        return np.add.reduceat(rows, first, axis=0) + log_weights

    found = minimize(
        lambda parameters: -logsumexp(by_group(parameters), axis=1).sum(), np.append(start, np.log(0.5)), method="BFGS"
    ).x
    likely = by_group(found)
    share = np.exp(likely - logsumexp(likely, axis=1, keepdims=True))
    spread = float(np.exp(found[-1]))
    choices = _log_choose(lost, total).sum()
    return GroupedFit(
        coefficients=found[:-1],
        spread=spread,
        group_mean=share @ (spread * nodes),
        log_likelihood=float(logsumexp(likely, axis=1).sum() + choices),
    )


def trend_in_shares(score: ArrayLike, lost: ArrayLike, total: ArrayLike) -> Trend:
    """Test whether shares rise or fall with a score (Cochran 1954, Armitage 1955).

    Parameters
    ----------
    score, lost, total : array_like, shape (n,)

    Returns
    -------
    Trend
        z is 0 if all were lost, none was, or all have the same score.
    """
    t, y, n = (np.asarray(values, dtype=float) for values in (score, lost, total))
    share = y.sum() / n.sum()
    centred = t - (n @ t) / n.sum()
    variance = share * (1 - share) * (n @ centred**2)
    z = float(centred @ y / np.sqrt(variance)) if variance > 0 else 0.0
    return Trend(z=z, p_value=float(2 * ndtr(-abs(z))))


def _deviance(lost: NDArray[np.float64], total: NDArray[np.float64], logit: NDArray[np.float64]) -> float:
    kept = total - lost
    fitted = lost @ log_expit(logit) + kept @ log_expit(-logit)
    saturated = (xlogy(lost, lost / total) + xlogy(kept, kept / total)).sum()
    return float(2 * (saturated - fitted))


def _log_choose(lost: NDArray[np.float64], total: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(gammaln(total + 1) - gammaln(lost + 1) - gammaln(total - lost + 1))

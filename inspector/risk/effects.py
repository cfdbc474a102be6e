"""What conditions do to the strength that a piece needs: wet cure, material, mix, release agent.

One joint fit of all molds by penalised maximum likelihood (Fisher scoring): three parameters a mold, held near
practice, and one effect a condition, held near none. It gives the effects with their covariance, what was to be
expected of each piece, and by how much pours differ more than chance lets them. The molds are then fitted in `pooling`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_ndtr, ndtr, xlog1py, xlogy

from inspector.risk.evidence import CountedPieces, Evidence, count_pieces
from inspector.risk.fragility import Z_TENTH
from inspector.risk.prior import ParameterPrior, Prior

__all__ = ["Effects", "fit_effects"]

_STEPS = 60
_CONVERGED = 1e-7  # of the penalised log likelihood, absolute
_HALVINGS = 12
# A piece opened within hours of its pour is lost for sure as far as a float tells, and its log odds would be infinite.
_SHORT_OF_CERTAIN = (1e-9, 1 - 1e-9)
_SQRT_2_PI = np.sqrt(2 * np.pi)


@dataclass(frozen=True, slots=True, eq=False)
class Effects:
    """Conditions, and what is left beside them."""

    names: tuple[str, ...]
    centre: NDArray[np.float64]
    """(k,) the conditions that effects are counted from: those of the average piece."""
    log_change: NDArray[np.float64]
    """(k,) change of ln theta with the condition: above 0, a piece must be stronger to come out whole."""
    covariance: NDArray[np.float64]
    """(k, k)"""
    expected_loss: NDArray[np.float64]
    """(n,) probability that each piece was to be lost."""
    overdispersion: float
    """Variance of what pours lose over that of chance, 1 or more."""


def fit_effects(evidence: Evidence, prior: Prior) -> Effects:
    """Fit all molds and conditions at once.

    Parameters
    ----------
    evidence : Evidence
    prior : Prior

    Returns
    -------
    Effects
        Finite whatever was lost: the prior holds what separation would send to infinity.
    """
    counted = count_pieces(evidence)
    conditions = evidence.conditions
    centre = conditions.mean(axis=0) if len(conditions) else np.zeros(conditions.shape[1])
    fit = _JointFit(counted, units=evidence.units, centre=centre, prior=prior)
    molds, change = fit.run()
    expected = np.clip(fit.probability(molds, change), *_SHORT_OF_CERTAIN)[counted.row_of_piece]
    return Effects(
        names=evidence.condition_names,
        centre=centre,
        log_change=change,
        covariance=fit.covariance_of_change(molds, change),
        expected_loss=expected,
        overdispersion=_overdispersion(evidence, expected),
    )


def _overdispersion(evidence: Evidence, expected: NDArray[np.float64]) -> float:
    """Pearson's dispersion over pours (McCullagh and Nelder 1989, 4.5), as a ratio of sums.

    Each pour counts by the variance that chance gives it, so that a lost piece where hardly any was expected does not
    decide alone.
    """
    known = evidence.pour >= 0
    if not known.any():
        return 1.0
    _, pour = np.unique(evidence.pour[known], return_inverse=True)
    p = expected[known]
    excess = np.bincount(pour, weights=evidence.lost[known] - p)
    variance = np.bincount(pour, weights=p * (1 - p))
    return float(max(1.0, (excess @ excess) / max(variance.sum(), 1e-12)))


class _JointFit:
    """Penalised likelihood of all molds and conditions, with its slope and Fisher information."""

    def __init__(self, counted: CountedPieces, *, units: int, centre: NDArray[np.float64], prior: Prior) -> None:
        self._counted = counted
        self._units = units
        self._x = counted.conditions - centre
        parameters = (prior.log_tenth, prior.log_beta, prior.logit_floor)
        self._mold_centre = np.array([parameter.centre for parameter in parameters])
        self._mold_precision = 1 / np.array([_total_variance(parameter) for parameter in parameters])
        self._change_precision = 1 / prior.condition_sd**2

    def run(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Climb to the mode: molds (units, 3) and change (k,)."""
        molds = np.tile(self._mold_centre, (self._units, 1))
        change = np.zeros(self._x.shape[1])
        value = self._value(molds, change)
        for _ in range(_STEPS):
            mold_step, change_step = self._step(molds, change)
            for halving in range(_HALVINGS):
                factor = 0.5**halving
                nearer = molds + factor * mold_step, change + factor * change_step
                new_value = self._value(*nearer)
                if new_value > value:
                    break
            else:
                return molds, change
            (molds, change), gain, value = nearer, new_value - value, new_value
            if gain < _CONVERGED:
                break
        return molds, change

    def probability(self, molds: NDArray[np.float64], change: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability of loss of each row."""
        z, floor, _ = self._curve(molds, change)
        return floor + (1 - floor) * ndtr(z)

    def covariance_of_change(self, molds: NDArray[np.float64], change: NDArray[np.float64]) -> NDArray[np.float64]:
        """Covariance of the effects, the molds' own parameters left free."""
        mold, cross, own, _, _ = self._information(molds, change)
        return np.linalg.inv(own - np.einsum("uik,uij,ujl->kl", cross, np.linalg.inv(mold), cross))

    def _curve(
        self, molds: NDArray[np.float64], change: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        log_tenth, log_beta, logit_floor = molds[self._counted.unit].T
        beta = np.exp(log_beta)
        z = (log_tenth + self._x @ change - self._counted.log_strength) / beta + Z_TENTH
        return z, expit(logit_floor), beta

    def _value(self, molds: NDArray[np.float64], change: NDArray[np.float64]) -> float:
        z, floor, _ = self._curve(molds, change)
        lost, kept = self._counted.lost, self._counted.total - self._counted.lost
        likelihood = xlogy(lost, floor + (1 - floor) * ndtr(z)) + xlog1py(kept, -floor) + kept * log_ndtr(-z)
        penalty = ((molds - self._mold_centre) ** 2 @ self._mold_precision).sum()
        return float(likelihood.sum() - 0.5 * (penalty + self._change_precision * change @ change))

    def _information(
        self, molds: NDArray[np.float64], change: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Information of molds (u, 3, 3), of molds with effects (u, 3, k), of effects (k, k), and both slopes."""
        counted = self._counted
        z, floor, beta = self._curve(molds, change)
        phi = ndtr(z)
        p = floor + (1 - floor) * phi
        density = (1 - floor) * np.exp(-0.5 * z**2) / _SQRT_2_PI
        slope = np.stack([density / beta, -density * (z - Z_TENTH), floor * (1 - floor) * (1 - phi)], axis=1)
        variance = np.maximum(p * (1 - p), 1e-12)
        residual = (counted.lost - counted.total * p) / variance
        weight = counted.total / variance
        mold = _sum_by_unit((weight[:, None] * slope)[:, :, None] * slope[:, None, :], counted.unit, self._units)
        mold[:, range(3), range(3)] += self._mold_precision
        change_slope = slope[:, :1] * self._x
        cross = _sum_by_unit(
            (weight[:, None] * slope)[:, :, None] * change_slope[:, None, :], counted.unit, self._units
        )
        own = (weight[:, None] * change_slope).T @ change_slope
        own[np.diag_indices_from(own)] += self._change_precision
        mold_score = _sum_by_unit(residual[:, None] * slope, counted.unit, self._units)
        mold_score -= (molds - self._mold_centre) * self._mold_precision
        return mold, cross, own, mold_score, residual @ change_slope - self._change_precision * change

    def _step(
        self, molds: NDArray[np.float64], change: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        mold, cross, own, mold_score, change_score = self._information(molds, change)
        inverse = np.linalg.inv(mold)
        towards = np.einsum("uij,uj->ui", inverse, mold_score)
        if not len(change):
            return towards, change
        through = np.einsum("uij,ujk->uik", inverse, cross)
        schur = own - np.einsum("uik,uil->kl", cross, through)
        change_step = np.linalg.solve(schur, change_score - np.einsum("uik,ui->k", cross, towards))
        return towards - through @ change_step, change_step


def _sum_by_unit(rows: NDArray[np.float64], unit: NDArray[np.intp], units: int) -> NDArray[np.float64]:
    """Sum rows of each unit; `unit` rises."""
    total = np.zeros((units, *rows.shape[1:]))
    present, first = np.unique(unit, return_index=True)
    if len(first):
        total[present] = np.add.reduceat(rows, first, axis=0)
    return total


def _total_variance(parameter: ParameterPrior) -> float:
    return parameter.centre_sd**2 + parameter.spread**2

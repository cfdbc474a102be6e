"""Means and 90 % intervals of what is believed, from weighted points."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

__all__ = ["HIGH", "LOW", "Interval", "exact_interval", "interval", "weighted_quantile"]

LOW, HIGH = 0.05, 0.95
"""Ends of the intervals that are shown: they hold 90 %."""


@dataclass(frozen=True, slots=True)
class Interval:
    """What is expected, and the ends of the 90 % interval around it."""

    mean: float
    low: float
    high: float


def interval(values: NDArray[np.float64], weight: NDArray[np.float64]) -> Interval:
    """Mean and 90 % interval of points (n,) with weights (n,) of sum 1."""
    low, high = weighted_quantile(values, weight, (LOW, HIGH))
    return Interval(mean=float(weight @ values), low=float(low), high=float(high))


def weighted_quantile(
    values: NDArray[np.float64], weight: NDArray[np.float64], share: "tuple[float, ...]"
) -> NDArray[np.float64]:
    """Quantiles of points (n,) with weights (n,) of sum 1; between points, straight lines through their middles."""
    order = np.argsort(values)
    ordered, summed = values[order], np.cumsum(weight[order])
    # Points of one node of a grid share a value: they are one step of the distribution.
    last = np.flatnonzero(np.append(np.diff(ordered) > 0, True))
    ends = summed[last]
    return np.interp(share, (ends + np.append(0.0, ends[:-1])) / 2, ordered[last])


def exact_interval(lost: int, total: int) -> Interval:
    """Share lost of counted pieces with its exact 90 % interval (Clopper and Pearson 1934); total above 0."""
    low = 0.0 if lost == 0 else float(betaincinv(lost, total - lost + 1, LOW))
    high = 1.0 if lost == total else float(betaincinv(lost + 1, total - lost, HIGH))
    return Interval(mean=lost / total, low=low, high=high)

"""Means and 90 % intervals of what is believed, from weighted points."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["HIGH", "LOW", "Interval", "interval", "weighted_quantile"]

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

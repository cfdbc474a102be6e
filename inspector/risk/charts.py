"""Losses over time against what was to be expected: shares with limits, and a running sum that sees small changes.

Both are adjusted for risk: a piece that was opened young was expected to be lost sooner than one that waited.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from scipy.sparse.linalg import spsolve

__all__ = ["FALSE_ALARM_EVERY", "RunningSum", "ShareChart", "average_run_length", "running_sum", "share_chart"]

# Three standard deviations, as Shewhart (1931) has it.
_SIGMAS = 3.0
# The running sum looks for odds of loss that have doubled (Steiner et al. 2000 use the same).
ODDS_RATIO = 2.0
# A sound mold gives a false alarm every so many pieces, on average: two to five years of a mold.
FALSE_ALARM_EVERY = 1000.0
_STATES = 60
_RISK_GROUPS = 6
_FIRST_LIMITS = (2.6, 2.2)
_LIMITS = (0.1, 12.0)
_MOST_SECANTS = 12
_RUN_LENGTH_TOLERANCE = 0.03  # of its logarithm


@dataclass(frozen=True, slots=True, eq=False)
class ShareChart:
    """Share lost in each period, with limits that allow for how many pieces there were."""

    share: NDArray[np.float64]
    expected: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class RunningSum:
    """A risk-adjusted CUSUM: what speaks for doubled odds of loss, added up and never below 0."""

    values: NDArray[np.float64]
    """(n,) after each piece."""
    limit: float
    false_alarm_every: float
    """Pieces of a sound mold between false alarms, on average: the average run length."""
    alarm: int | None
    """First piece that took it over the limit."""
    began: int | None
    """Piece after the last 0 before the alarm: where the change probably began (Page 1954)."""


def share_chart(lost: ArrayLike, total: ArrayLike, *, expected: ArrayLike, variance: ArrayLike) -> ShareChart:
    """Shares lost with three-sigma limits (p-chart with varying numbers, risk-adjusted).

    Parameters
    ----------
    lost, total : array_like, shape (t,)
        Pieces of each period, total above 0.
    expected, variance : array_like, shape (t,)
        Sums over the pieces of a period of their probability p of loss, and of p (1 - p). With one p for all, the
        plain p-chart.
    """
    pieces = np.asarray(total, dtype=float)
    centre = np.asarray(expected, dtype=float) / pieces
    width = _SIGMAS * np.sqrt(np.asarray(variance, dtype=float)) / pieces
    return ShareChart(
        share=np.asarray(lost, dtype=float) / pieces,
        expected=centre,
        lower=np.maximum(centre - width, 0.0),
        upper=np.minimum(centre + width, 1.0),
    )


def running_sum(lost: ArrayLike, expected: ArrayLike, *, false_alarm_every: float = FALSE_ALARM_EVERY) -> RunningSum:
    """Add up what each piece says for doubled odds of loss (Steiner, Cook, Farewell and Treasure 2000).

    Parameters
    ----------
    lost : array_like of bool, shape (n,)
        In the order of demolding.
    expected : array_like, shape (n,)
        Probability of loss of each piece, between 0 and 1.
    false_alarm_every : float
        Average run length that the limit is to give for these risks.
    """
    was_lost = np.asarray(lost, dtype=bool)
    p = np.asarray(expected, dtype=float)
    spared = -np.log1p((ODDS_RATIO - 1) * p)
    steps = np.where(was_lost, np.log(ODDS_RATIO) + spared, spared)
    values = np.zeros(len(steps))
    value = 0.0
    for index, step in enumerate(steps.tolist()):
        value = max(0.0, value + step)
        values[index] = value
    limit, run_length = _limit(p, false_alarm_every)
    over = np.flatnonzero(values > limit)
    alarm = int(over[0]) if len(over) else None
    began = None
    if alarm is not None:
        zeros = np.flatnonzero(values[:alarm] == 0)
        began = int(zeros[-1]) + 1 if len(zeros) else 0
    return RunningSum(values=values, limit=limit, false_alarm_every=run_length, alarm=alarm, began=began)


def average_run_length(steps: ArrayLike, probability: ArrayLike, *, limit: float, states: int = _STATES) -> float:
    """Average number of steps until a sum that starts at 0, and never falls below, passes a limit.

    A Markov chain on evenly spaced values (Brook and Evans 1972); a step that ends between two of them goes to each in
    proportion.

    Parameters
    ----------
    steps, probability : array_like, shape (s,)
        What may be added, and how often; probabilities of sum 1.
    limit : float
    states : int
        How many values.
    """
    nodes = np.linspace(0, limit, states)
    reached = np.maximum(nodes[:, None] + np.asarray(steps, dtype=float), 0.0) / nodes[1]
    below = np.floor(reached).astype(np.intp)
    share = reached - below
    chance = np.broadcast_to(np.asarray(probability, dtype=float), reached.shape)
    row = np.broadcast_to(np.arange(states)[:, None], reached.shape)
    stays = reached <= states - 1
    # Solved as a sparse system: a dense one of this size goes to threads, which wait for each other on a busy machine.
    leaving = sparse.eye_array(states, format="csc")
    for column, part in ((below, 1 - share), (below + 1, share)):
        kept = stays & (column < states)
        leaving = leaving - sparse.csc_array(((chance * part)[kept], (row[kept], column[kept])), shape=(states, states))
    return float(spsolve(leaving, np.ones(states))[0])


def _limit(expected: NDArray[np.float64], false_alarm_every: float) -> tuple[float, float]:
    """Limit that gives the average run length, and the run length that it really gives."""
    if not len(expected):
        return _FIRST_LIMITS[0], false_alarm_every
    groups = np.array_split(np.sort(expected), min(_RISK_GROUPS, max(1, len(expected))))
    p = np.array([group.mean() for group in groups if len(group)])
    share = np.array([len(group) / len(expected) for group in groups if len(group)])
    spared = -np.log1p((ODDS_RATIO - 1) * p)
    steps = np.concatenate([np.log(ODDS_RATIO) + spared, spared])
    probability = np.concatenate([share * p, share * (1 - p)])
    # The logarithm of the run length is nearly straight in the limit: a few secants find it.
    limit, other = _FIRST_LIMITS
    run_length, other_length = (average_run_length(steps, probability, limit=tried) for tried in (limit, other))
    for _ in range(_MOST_SECANTS):
        if abs(np.log(run_length / false_alarm_every)) < _RUN_LENGTH_TOLERANCE:
            break
        slope = np.log(run_length / other_length) / (limit - other)
        if slope <= 0:  # so little, or so much, is to be lost that the limit does not matter
            break
        nearer = float(np.clip(limit + np.log(false_alarm_every / run_length) / slope, *_LIMITS))
        other, other_length = limit, run_length
        limit, run_length = nearer, average_run_length(steps, probability, limit=nearer)
        if limit == other:  # at an end of what is looked at: nearly nothing, or nearly all, is to be lost
            break
    return limit, run_length

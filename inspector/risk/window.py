"""When to demold a mold: from the age at which losses are surely few to the age after which waiting gains nothing.

The window opens at the first age at which the upper end of the 90 % interval of the loss is under the target. It closes
when not even the upper end of what one more hour saves is worth that hour of the mold; the cheapest age per good piece
lies between. No age is recommended at strengths that no piece of the mold has been demolded at.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspector.errors import InputError
from inspector.risk.fragility import loss_probability
from inspector.risk.intervals import HIGH, Interval, interval, weighted_quantile
from inspector.risk.pooling import MoldRisk

__all__ = [
    "FEWEST_PIECES",
    "Costs",
    "DemoldWindow",
    "MorePieces",
    "StrengthByAge",
    "Verdict",
    "cost_per_good_piece",
    "earliest_age",
    "find_window",
    "first_age_under",
    "loss_at",
    "loss_by_age",
    "mean_loss",
    "strength_needed",
]

# Fewer pieces than this of a mold itself settle nothing, whatever the other molds say (our own choice: with 20
# pieces and none lost, the loss may still be 14 % by the exact binomial).
FEWEST_PIECES = 20
# How far below the weakest, and above the strongest, piece demolded so far the curve is trusted.
_BEYOND_RECORDED = 0.08
# What the log must hold, to settle a window: looked for up to so many pieces more...
_MOST_MORE_PIECES = 200
# ... of which a workshop can try so many in some weeks, ...
_PIECES_IN_SOME_WEEKS = 40
# ... and to settle it with this probability.
_SETTLED_PROBABILITY = 0.8
_TRIAL_AGES_EVERY_H = 6.0
_TRIAL_POINTS = 400
# A curve that is nearly a step loses all on its weak side as far as a float tells, and its odds would be infinite.
_SHORT_OF_CERTAIN = 1 - 1e-9
_LATEST_STEPS_H = 2.0
# Strengths among which the one that a mold needs is looked for, finer than ages by the hour. [-]
_STRENGTHS = np.linspace(0.02, 1.2, 1181)

# The narrowest spread that occurs is 0.25, so that over three units of ln r lines are off by 0.00003 at most.
_MOST_STRENGTHS = 400

Verdict = Literal["settled", "too few pieces", "beyond what was tried", "never under the target"]


@dataclass(frozen=True, slots=True, eq=False)
class StrengthByAge:
    """Strength of a piece in the mold, under the temperature and cure expected."""

    age_h: NDArray[np.float64]
    """(a,), rising."""
    strength_fraction: NDArray[np.float64]
    """(a,), never falling. [-]"""

    def at(self, age_h: ArrayLike) -> NDArray[np.float64]:
        """Strength fraction at ages, straight between those that are known. [-]"""
        return np.interp(np.asarray(age_h, dtype=float), self.age_h, self.strength_fraction)

    def age_at(self, strength_fraction: float) -> float | None:
        """First age at which a strength is reached, or None if it never is. [h]"""
        reached = np.flatnonzero(self.strength_fraction >= strength_fraction)
        if not len(reached):
            return None
        after = reached[0]
        if after == 0:
            return float(self.age_h[0])
        return float(
            np.interp(
                strength_fraction,
                self.strength_fraction[after - 1 : after + 1],
                self.age_h[after - 1 : after + 1],
            )
        )


@dataclass(frozen=True, slots=True)
class Costs:
    """What a piece and the mold's time cost, in the workshop's own money."""

    piece: float
    """Material and work of one piece, lost with it."""
    mold_hour: float
    """One hour of the mold."""
    turnaround_h: float
    """From demolding to the next pour."""

    def __post_init__(self) -> None:
        if min(self.piece, self.mold_hour, self.turnaround_h) < 0:
            raise InputError("Costs and the turnaround cannot be below 0. Set them anew.")


@dataclass(frozen=True, slots=True)
class MorePieces:
    """What would settle a window."""

    pieces: int
    age_h: float
    probability: float
    """That so many pieces, demolded at that age, bring the upper end of the loss there under the target."""


@dataclass(frozen=True, slots=True)
class DemoldWindow:
    """When to demold a mold, and how sure that is."""

    earliest_h: float | None
    """None if the loss is at no age surely under the target."""
    latest_h: float | None
    cheapest_h: float | None
    target_loss: float
    loss_at_earliest: Interval | None
    verdict: Verdict
    more: MorePieces | None
    """None if the window is settled, or no number of pieces is likely to settle it."""
    theta: Interval
    beta: Interval
    floor: Interval
    pieces: int
    lost: int


def loss_by_age(risk: MoldRisk, strength_fraction: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Probability of loss at strengths (a,) for each point of the risk: (a, n), and the points' weights (n,)."""
    strengths = np.atleast_1d(np.asarray(strength_fraction, dtype=float))
    return loss_probability(strengths[:, None], theta=risk.theta, beta=risk.beta, floor=risk.floor), risk.weight


def mean_loss(risk: MoldRisk, strength_fraction: ArrayLike) -> NDArray[np.float64]:
    """Expected loss at strengths (a,); of many, at `_MOST_STRENGTHS` of them, and along straight lines in between."""
    strengths = np.atleast_1d(np.asarray(strength_fraction, dtype=float))
    if len(strengths) <= _MOST_STRENGTHS or strengths.min() <= 0:
        losses, weight = loss_by_age(risk, strengths)
        return losses @ weight
    log_strength = np.log(strengths)
    nodes = np.linspace(log_strength.min(), log_strength.max(), _MOST_STRENGTHS)
    losses, weight = loss_by_age(risk, np.exp(nodes))
    return np.interp(log_strength, nodes, losses @ weight)


def loss_at(risk: MoldRisk, strength_fraction: float) -> Interval:
    """Loss at one strength, with its 90 % interval."""
    losses, weight = loss_by_age(risk, strength_fraction)
    return interval(losses[0], weight)


def cost_per_good_piece(loss: ArrayLike, age_h: ArrayLike, costs: Costs) -> NDArray[np.float64]:
    """Piece and mold time, spread over the pieces that come out whole.

    Parameters
    ----------
    loss : array_like, shape (...)
        Probability of loss, below 1.
    age_h : array_like, shape that broadcasts with it
        Demold age. [h]
    costs : Costs
    """
    used = costs.piece + costs.mold_hour * (np.asarray(age_h, dtype=float) + costs.turnaround_h)
    return np.asarray(used / np.maximum(1 - np.asarray(loss, dtype=float), 1e-9))


def find_window(risk: MoldRisk, strength: StrengthByAge, *, target_loss: float, costs: Costs) -> DemoldWindow:
    """Find the window of a mold.

    Parameters
    ----------
    risk : MoldRisk
    strength : StrengthByAge
        Over the ages that come into question.
    target_loss : float
        Share of pieces that may be lost, between 0 and 1.
    costs : Costs

    Raises
    ------
    InputError
        If the target is not between 0 and 1.
    """
    if not 0 < target_loss < 1:
        raise InputError(f"The target loss is {target_loss:g}. Give a share between 0 and 1, such as 0.05.")
    age_h = strength.age_h
    _, last_tried_h = _tried_ages(risk, strength)
    earliest_h = earliest_age(risk, strength, target_loss)
    latest_h = cheapest_h = None
    at_earliest = None
    if earliest_h is not None:
        at_earliest = loss_at(risk, float(strength.at(earliest_h)))
        latest_h = _latest_age(risk, strength, costs, from_h=earliest_h)
        inside = np.unique(np.append(age_h[(age_h >= earliest_h) & (age_h <= latest_h)], [earliest_h, latest_h]))
        cost = cost_per_good_piece(mean_loss(risk, strength.at(inside)), inside, costs)
        cheapest_h = float(inside[np.argmin(cost)])
    verdict = _verdict(risk, earliest_h, last_tried_h)
    return DemoldWindow(
        earliest_h=earliest_h,
        latest_h=latest_h,
        cheapest_h=cheapest_h,
        target_loss=target_loss,
        loss_at_earliest=at_earliest,
        verdict=verdict,
        more=None if verdict == "settled" else _more_pieces(risk, strength, target_loss),
        theta=interval(risk.theta, risk.weight),
        beta=interval(risk.beta, risk.weight),
        floor=interval(risk.floor, risk.weight),
        pieces=risk.pieces,
        lost=risk.lost,
    )


def earliest_age(risk: MoldRisk, strength: StrengthByAge, target_loss: float) -> float | None:
    """Give the age at which the window opens: surely under the target, and not far below what was tried. [h]"""
    under = first_age_under(risk, strength, target_loss)
    first_tried_h, _ = _tried_ages(risk, strength)
    return under if under is None or first_tried_h is None else max(under, first_tried_h)


def strength_needed(risk: MoldRisk, target_loss: float) -> float | None:
    """Give the strength fraction at which the window opens, whatever the age at which it is reached, or None. [-]"""
    return earliest_age(risk, StrengthByAge(age_h=_STRENGTHS, strength_fraction=_STRENGTHS), target_loss)


def first_age_under(risk: MoldRisk, strength: StrengthByAge, target_loss: float) -> float | None:
    """Give the first age with the upper end of the loss under a target, or None; by halving, as losses fall. [h]"""

    def is_under(index: int) -> bool:
        return _upper_loss(risk, strength.strength_fraction[index]) < target_loss

    low, high = 0, len(strength.age_h) - 1
    if not is_under(high):
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if is_under(middle) else (middle + 1, high)
    return float(strength.age_h[low])


def _tried_ages(risk: MoldRisk, strength: StrengthByAge) -> tuple[float | None, float | None]:
    """Ages between which the curve is trusted, or None where it is not bounded. [h]"""
    if not risk.pieces:
        return None, None
    return (
        strength.age_at(risk.weakest * (1 - _BEYOND_RECORDED)),
        strength.age_at(risk.strongest * (1 + _BEYOND_RECORDED)),
    )


def _verdict(risk: MoldRisk, earliest_h: float | None, last_tried_h: float | None) -> Verdict:
    if risk.pieces < FEWEST_PIECES:
        return "too few pieces"
    if earliest_h is None:
        return "never under the target"
    if last_tried_h is not None and earliest_h > last_tried_h:
        return "beyond what was tried"
    return "settled"


def _upper_loss(risk: MoldRisk, strength_fraction: float) -> float:
    losses, weight = loss_by_age(risk, strength_fraction)
    return float(weighted_quantile(losses[0], weight, (HIGH,))[0])


def _latest_age(risk: MoldRisk, strength: StrengthByAge, costs: Costs, *, from_h: float) -> float:
    """First age from one on after which no wait has an upper end of its gain above 0. [h]"""
    ages_h = np.arange(from_h, max(strength.age_h[-1], from_h + _LATEST_STEPS_H), _LATEST_STEPS_H)
    losses, weight = loss_by_age(risk, strength.at(ages_h))
    gain = -np.diff(cost_per_good_piece(losses, ages_h[:, None], costs), axis=0)
    order = np.argsort(gain, axis=1)
    summed = np.cumsum(weight[order], axis=1)
    upper = np.take_along_axis(gain, order, axis=1)[np.arange(len(gain)), (summed < HIGH).sum(axis=1)]
    worth = np.flatnonzero(upper > 0)
    return float(ages_h[worth[-1] + 1]) if len(worth) else float(ages_h[0])


def _more_pieces(risk: MoldRisk, strength: StrengthByAge, target_loss: float) -> MorePieces | None:
    """Find how many pieces, at which age, would probably settle the window.

    Each number is judged by what the pieces would probably show, as it is believed now: for each count of lost ones
    the risk is weighed anew and its upper end looked at (preposterior analysis, Raiffa and Schlaifer 1961). The first
    age at which some weeks of pieces are enough is taken, else the age that needs the fewest.
    """
    first, last = strength.age_h[[0, -1]]
    fewest: MorePieces | None = None
    for age_h in np.arange(np.ceil(first / _TRIAL_AGES_EVERY_H) * _TRIAL_AGES_EVERY_H, last + 1, _TRIAL_AGES_EVERY_H):
        found = _pieces_at(risk, float(age_h), float(strength.at(age_h)), target_loss)
        if found is not None and (fewest is None or found.pieces < fewest.pieces):
            fewest = found
            if found.pieces <= _PIECES_IN_SOME_WEEKS:
                break
    return fewest


def _pieces_at(risk: MoldRisk, age_h: float, strength_fraction: float, target_loss: float) -> MorePieces | None:
    losses, weight = loss_by_age(risk, strength_fraction)
    if losses[0] @ weight > target_loss:
        return None  # the loss itself is expected above the target: the more pieces, the surer that is
    loss, share = _fewer_points(losses[0], weight)
    missing = max(1, FEWEST_PIECES - risk.pieces)

    def probability(pieces: int) -> float:
        return _settling_probability(loss, share, pieces, target_loss)

    low, high = missing, _MOST_MORE_PIECES
    if probability(high) < _SETTLED_PROBABILITY:
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if probability(middle) >= _SETTLED_PROBABILITY else (middle + 1, high)
    return MorePieces(pieces=low, age_h=age_h, probability=probability(low))


def _fewer_points(
    loss: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lay points together that hardly differ in their loss."""
    edges = np.quantile(loss, np.linspace(0, 1, _TRIAL_POINTS + 1)[1:-1])
    box = np.searchsorted(edges, loss)
    share = np.bincount(box, weights=weight, minlength=_TRIAL_POINTS).astype(float)
    held = share > 0
    return np.bincount(box, weights=weight * loss, minlength=_TRIAL_POINTS)[held] / share[held], share[held]


def _settling_probability(
    loss: NDArray[np.float64], weight: NDArray[np.float64], pieces: int, target_loss: float
) -> float:
    """Probability that so many more pieces leave the upper end of the loss under the target."""
    total = 0.0
    loss = np.minimum(loss, _SHORT_OF_CERTAIN)
    chance = weight * (1 - loss) ** pieces  # that none is lost
    for lost in range(pieces + 1):
        probability = chance.sum()
        if probability <= 0:
            break
        if weighted_quantile(loss, chance / probability, (HIGH,))[0] >= target_loss:
            break  # and with more lost pieces all the more so
        total += probability
        chance = chance * (loss / (1 - loss)) * ((pieces - lost) / (lost + 1))
    return float(total)

"""Do two groups of pieces lose different shares, or can it be chance? Differences with 90 % intervals.

Pieces of one pour share its fate, so that they tell less than as many pieces of different pours: counts are divided by
how much more pours differ than chance lets them (Rao and Scott 1992). The difference of two shares has the interval of
Newcombe's hybrid of two Wilson scores (1998, method 10), which holds for few pieces and for none lost. Where one group
was opened stronger than the other, like is held against like: the difference within groups of about the same strength,
weighted by Mantel and Haenszel, with the variance of Sato (1989).

References
----------
Newcombe, R. G. (1998). Interval estimation for the difference between independent proportions: comparison of eleven
methods. Statistics in Medicine 17, 873-890.
Rao, J. N. K., and Scott, A. J. (1992). A simple method for the analysis of clustered binary data. Biometrics 48,
577-585.
Sato, T. (1989). On the variance estimator for the Mantel-Haenszel risk difference. Biometrics 45, 1323-1324.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from inspector.risk.intervals import HIGH, Interval

__all__ = ["LossGroup", "LossesCompared", "compare_losses", "difference_of_shares"]

# Groups of about the same strength: four cuts remove most of what strength does (Cochran 1968, for five groups).
_STRENGTH_GROUPS = 5
# Fewer lost pieces than this in groups that both have tell nothing that the variance above holds for.
_FEWEST_LOST = 5
# Like is held against like only if so much of both groups can take part.
_LEAST_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class LossGroup:
    """Pieces of one kind, (n,) each."""

    lost: NDArray[np.bool_]
    pour: NDArray[np.intp]
    strength_fraction: NDArray[np.float64]
    """At demolding. [-]"""


@dataclass(frozen=True, slots=True)
class LossesCompared:
    """What the second group loses beside the first, as a difference of shares lost: above 0, it loses more."""

    difference: Interval
    at_like_strength: Interval | None
    """The same between pieces of about the same strength; None where too few can be held against each other."""
    clumping: float
    """How many times more pours differ than chance lets them, 1 or more. [-]"""

    @property
    def can_be_chance(self) -> bool:
        """Whether the 90 % interval holds no difference at all."""
        return _holds_zero(self.difference)

    @property
    def can_be_chance_at_like_strength(self) -> bool | None:
        """The same between pieces of about the same strength."""
        return None if self.at_like_strength is None else _holds_zero(self.at_like_strength)


def compare_losses(first: LossGroup, second: LossGroup) -> LossesCompared:
    """Compare what two groups of pieces lose; both must have pieces."""
    clumping = _clumping((first, second))
    return LossesCompared(
        difference=difference_of_shares(
            (int(first.lost.sum()), len(first.lost)), (int(second.lost.sum()), len(second.lost)), clumping=clumping
        ),
        at_like_strength=_difference_at_like_strength(first, second, clumping=clumping),
        clumping=clumping,
    )


def difference_of_shares(
    first: tuple[int, int], second: tuple[int, int], *, clumping: float = 1.0, upper: float = HIGH
) -> Interval:
    """Difference of two shares, the second less the first, each given as lost and total.

    Parameters
    ----------
    first, second : tuple of int
        Lost, and total, which is above 0.
    clumping : float
        Variance of what pours lose over that of chance, 1 or more. [-]
    upper : float
        Probability below the upper end of the interval; 0.95 gives an interval that holds 90 %.
    """
    z = float(ndtri(upper))
    (low_1, share_1, high_1), (low_2, share_2, high_2) = (
        _wilson(lost / clumping, total / clumping, z) for lost, total in (first, second)
    )
    middle = share_2 - share_1
    return Interval(
        mean=float(middle),
        low=middle - math.hypot(share_2 - low_2, high_1 - share_1),
        high=middle + math.hypot(high_2 - share_2, share_1 - low_1),
    )


def _holds_zero(difference: Interval) -> bool:
    return difference.low <= 0 <= difference.high


def _wilson(lost: float, total: float, z: float) -> tuple[float, float, float]:
    """Lower end, share and upper end of Wilson's score interval (1927)."""
    share = lost / total
    middle = (share + z**2 / (2 * total)) / (1 + z**2 / total)
    half = z / (1 + z**2 / total) * math.sqrt(share * (1 - share) / total + z**2 / (4 * total**2))
    return max(0.0, middle - half), share, min(1.0, middle + half)


def _clumping(groups: Sequence[LossGroup]) -> float:
    """Variance of what pours lose over that of chance: of both groups, so that one without losses has it as well."""
    spread = chance = 0.0
    for group in groups:
        share = float(group.lost.mean())
        _, pour = np.unique(group.pour, return_inverse=True)
        pours = pour.max() + 1
        if pours < 2:
            continue
        apart = np.bincount(pour, weights=group.lost - share)
        spread += pours / (pours - 1) * float(apart @ apart)
        chance += len(group.lost) * float(share * (1 - share))
    return max(1.0, float(spread / chance)) if chance else 1.0


def _difference_at_like_strength(first: LossGroup, second: LossGroup, *, clumping: float) -> Interval | None:
    strengths = np.concatenate([first.strength_fraction, second.strength_fraction])
    cuts = np.quantile(strengths, np.arange(1, _STRENGTH_GROUPS) / _STRENGTH_GROUPS)
    (lost_1, total_1), (lost_2, total_2) = (_counted(group, cuts) for group in (first, second))
    both = (total_1 > 0) & (total_2 > 0)
    if min(total_1[both].sum() / total_1.sum(), total_2[both].sum() / total_2.sum()) < _LEAST_SHARE:
        return None
    x1, n1, x2, n2 = lost_1[both], total_1[both], lost_2[both], total_2[both]
    if x1.sum() + x2.sum() < _FEWEST_LOST:
        return None
    total = n1 + n2
    weight = (n1 * n2 / total).sum()
    difference = ((x2 * n1 - x1 * n2) / total).sum() / weight
    p = ((n2**2 * x1 - n1**2 * x2 + n1 * n2 * (n1 - n2) / 2) / total**2).sum()
    q = ((x2 * (n1 - x1) + x1 * (n2 - x2)) / (2 * total)).sum()
    sd = np.sqrt(clumping * max(difference * p + q, 0.0)) / weight
    half = float(ndtri(HIGH) * sd)
    return Interval(mean=float(difference), low=float(difference) - half, high=float(difference) + half)


def _counted(group: LossGroup, cuts: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lost and total of each group of strengths."""
    place = np.searchsorted(cuts, group.strength_fraction, side="right")
    total = np.bincount(place, minlength=len(cuts) + 1).astype(float)
    lost = np.bincount(place, weights=group.lost.astype(float), minlength=len(cuts) + 1)
    return np.asarray(lost, dtype=np.float64), total

"""Why a mold loses pieces: opened too young, worn or torn, one bad pour, or cold.

Told apart by where and when pieces are lost beyond expectation: losses to age grow less with strength, those to wear
come at every age, mostly in one place and from some day on, those to a pour come together, and those to cold are what
the lower strength explains.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import xlogy

from inspector.risk.charts import RunningSum, running_sum
from inspector.risk.designs import DesignEvidence
from inspector.risk.evidence import gather_evidence
from inspector.risk.learning import BadPour
from inspector.risk.pooling import MoldRisk, Population, mold_risk
from inspector.risk.regression import trend_in_shares
from inspector.risk.window import mean_loss

__all__ = ["Cause", "ColdLoss", "MoldHistory", "MoldTrend", "PourLoss", "Wear", "YoungLoss", "find_trend"]

# A change is looked for among so many latest pieces or more, and the time before it is taken as sound if the
# excess is so many standard deviations.
_FEWEST_IN_CHANGE = 12
_CHANGE_Z = 3.0
# Among the stronger half of pieces since a change, so many standard deviations of excess mean wear and not age: fewer
# where most losses lie in one place, as where a mold is torn.
_EVERY_AGE_Z_IN_ONE_PLACE = 2.0
_EVERY_AGE_Z = 3.5
# A piece counts as cold if it had less than this of the strength that the usual temperature gives at its age.
_COLD_STRENGTH_SHARE = 0.87
_FEWEST_COLD = 5
_COLD_Z = 2.0
_TREND_P = 0.02
# What is opened too early is told of so many latest pieces: what was mended long ago is no news.
_LATEST_PIECES = 150
_FEWEST_LOST = 3
# Where the window opens splits the pieces if so many lie on either side.
_FEWEST_EITHER_SIDE = 5


@dataclass(frozen=True, slots=True, eq=False)
class MoldHistory:
    """Pieces of one mold in the order of demolding."""

    age_h: NDArray[np.float64]
    """(n,)"""
    strength_fraction: NDArray[np.float64]
    """(n,) at demolding. [-]"""
    usual_strength_fraction: NDArray[np.float64]
    """(n,) what that age gives at the temperature usual in this workshop. [-]"""
    ageing: NDArray[np.float64]
    """(n,) how fast each aged beside that: 0.5 where an hour counted for half a usual one. [-]"""
    needs: NDArray[np.float64]
    """(n,) by how much more strength each needs than the mold's average piece, for its mix and cure. [-]"""
    lost: NDArray[np.bool_]
    """(n,)"""
    pour: NDArray[np.intp]
    """(n,); -1 where nobody knows."""
    feature_lost: NDArray[np.bool_]
    """(n, f) which feature was lost."""
    features: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class YoungLoss:
    """More is lost of what is opened young."""

    split_strength_fraction: float
    """Young ones had less strength... [-]"""
    split_by_window: bool
    """... where the window opens; else the median, so that as many pieces were weaker as were stronger."""
    young_pieces: int
    young_lost: int
    older_pieces: int
    older_lost: int
    p_value: float
    """Of the trend over strength (Cochran-Armitage), two-sided."""
    feature: str | None
    """Which one most often, if one does."""
    excess: float
    """Pieces that age is held to have cost."""


@dataclass(frozen=True, slots=True)
class Wear:
    """From some piece on, pieces are lost at every age."""

    since: int
    """First piece (row of the history)."""
    pieces: int
    lost: int
    expected: float
    stronger_pieces: int
    """Those of them that were opened at more than their median strength..."""
    stronger_lost: int
    stronger_expected: float
    feature: str | None
    feature_lost: int
    excess: float


@dataclass(frozen=True, slots=True)
class PourLoss:
    """One pour lost far more than its ages explain."""

    pour: int
    pieces: int
    """Of this mold, as are the lost and expected ones."""
    lost: int
    expected: float
    excess: float
    of_all: BadPour
    """The same pour in all molds."""


@dataclass(frozen=True, slots=True)
class ColdLoss:
    """In the cold the usual hours gave less strength, and more was lost."""

    pieces: int
    lost: int
    expected_if_usual: float
    """What these hours would have lost at the usual temperature."""
    expected: float
    """What the strength that they had explains."""
    age_h: float
    """Median age of the cold pieces."""
    strength_fraction: float
    """Their median strength. [-]"""
    usual_strength_fraction: float
    wait_until_h: float
    """Age at which the cold ones would have had the strength usual at theirs."""
    excess: float


Cause = YoungLoss | Wear | PourLoss | ColdLoss


@dataclass(frozen=True, slots=True, eq=False)
class MoldTrend:
    """Losses of a mold over time, and why."""

    expected: NDArray[np.float64]
    """(n,) probability of loss of each piece, by what the mold was like before any change."""
    running: RunningSum
    """Over the pieces of no bad pour."""
    alarm: int | None
    """Piece at which losses were seen to be more than expected."""
    causes: tuple[Cause, ...]
    """What cost most first; empty if nothing stands out."""


def find_trend(
    history: MoldHistory,
    risk: MoldRisk,
    population: Population,
    bad_pours: "tuple[BadPour, ...]",
    *,
    opens_at: float | None = None,
    design: DesignEvidence | None = None,
) -> MoldTrend:
    """Look at a mold's losses over time.

    Parameters
    ----------
    history : MoldHistory
    risk : MoldRisk
        Of this mold.
    population : Population
        Of all molds, to learn the mold anew from the time before a change.
    bad_pours : tuple of BadPour
        Of the workshop.
    opens_at : float, optional
        Strength fraction of the mold's average piece at which its window opens. [-]
    design : DesignEvidence, optional
        What other molds of its design tell, as `risk` was learnt with.
    """
    sound = ~np.isin(history.pour, [bad.pour for bad in bad_pours])
    rows = np.flatnonzero(sound)
    before = _sound_before(history, risk, population, design, rows)
    expected = mean_loss(before, history.strength_fraction / history.needs)
    running = running_sum(history.lost[rows], expected[rows])
    causes: list[Cause] = [*_pours(history, expected, bad_pours)]
    worn = _wear(history, expected, running, rows)
    causes += [] if worn is None else [worn]
    unworn = rows if worn is None else rows[rows < worn.since]
    cold = _cold(history, before, unworn)
    causes += [] if cold is None else [cold]
    young = _young(history, before, unworn[-_LATEST_PIECES:], opens_at)
    causes += [] if young is None else [young]
    return MoldTrend(
        expected=expected,
        running=running,
        alarm=None if running.alarm is None else int(rows[running.alarm]),
        causes=tuple(sorted(causes, key=lambda cause: -cause.excess)),
    )


def _sound_before(
    history: MoldHistory,
    risk: MoldRisk,
    population: Population,
    design: DesignEvidence | None,
    rows: NDArray[np.intp],
) -> MoldRisk:
    """Learn the mold from before its losses rose, if they did: what came since must not be expected of it."""
    if len(rows) < 2 * _FEWEST_IN_CHANGE:
        return risk
    z = _excess_since(history.lost[rows], mean_loss(risk, history.strength_fraction[rows] / history.needs[rows]))
    change = int(np.argmax(z))
    if z[change] < _CHANGE_Z:
        return risk
    sound = rows[:change]
    names = population.effects.names
    return mold_risk(
        population,
        gather_evidence(
            units=1,
            unit=np.zeros(len(sound), dtype=np.intp),
            strength_fraction=history.strength_fraction[sound] / history.needs[sound],
            lost=history.lost[sound],
            conditions=np.tile(risk.conditions, (len(sound), 1)),
            condition_names=names,
        ),
        design,
    )


def _pours(history: MoldHistory, expected: NDArray[np.float64], bad_pours: "tuple[BadPour, ...]") -> "list[PourLoss]":
    losses = []
    for bad in bad_pours:
        of_pour = history.pour == bad.pour
        lost = int(history.lost[of_pour].sum())
        if lost:
            usual = float(expected[of_pour].sum())
            losses.append(
                PourLoss(
                    pour=bad.pour,
                    pieces=int(of_pour.sum()),
                    lost=lost,
                    expected=usual,
                    excess=lost - usual,
                    of_all=bad,
                )
            )
    return losses


def _wear(
    history: MoldHistory, expected: NDArray[np.float64], running: RunningSum, rows: NDArray[np.intp]
) -> Wear | None:
    if running.alarm is None:
        return None
    since = rows[_likeliest_change(history.lost[rows], expected[rows], before=running.alarm) :]
    strength = history.strength_fraction[since]
    stronger = since[strength >= np.median(strength)]
    p = expected[stronger]
    stronger_lost = int(history.lost[stronger].sum())
    feature, feature_lost = _most_lost(history, since)
    least_z = _EVERY_AGE_Z if feature is None else _EVERY_AGE_Z_IN_ONE_PLACE
    if stronger_lost - p.sum() < least_z * np.sqrt((p * (1 - p)).sum()) or stronger_lost < _FEWEST_LOST:
        return None
    lost, usual = int(history.lost[since].sum()), float(expected[since].sum())
    return Wear(
        since=int(since[0]),
        pieces=len(since),
        lost=lost,
        expected=usual,
        stronger_pieces=len(stronger),
        stronger_lost=stronger_lost,
        stronger_expected=float(p.sum()),
        feature=feature,
        feature_lost=feature_lost,
        excess=lost - usual,
    )


def _excess_since(lost: NDArray[np.bool_], expected: NDArray[np.float64]) -> NDArray[np.float64]:
    """Excess of losses from each piece to the last, in standard deviations; not for the very last pieces."""
    excess = np.cumsum((lost - expected)[::-1])[::-1]
    variance = np.cumsum((expected * (1 - expected))[::-1])[::-1]
    return (excess / np.sqrt(np.maximum(variance, 1e-9)))[: -_FEWEST_IN_CHANGE + 1]


def _likeliest_change(lost: NDArray[np.bool_], expected: NDArray[np.float64], *, before: int) -> int:
    """Give the piece from which on losses are most likely to be a multiple of those expected, none after the alarm.

    By the likelihood ratio of Poisson counts against their expectation, O ln(O / E) - (O - E).
    """
    observed = np.cumsum(lost[::-1])[::-1][: before + 1]
    likely = np.cumsum(expected[::-1])[::-1][: before + 1]
    ratio = xlogy(observed, observed / likely) - (observed - likely)
    return int(np.argmax(np.where(observed > likely, ratio, -np.inf)))


def _cold(history: MoldHistory, before: MoldRisk, rows: NDArray[np.intp]) -> ColdLoss | None:
    share = history.strength_fraction[rows] / history.usual_strength_fraction[rows]
    cold = rows[share < _COLD_STRENGTH_SHARE]
    if len(cold) < _FEWEST_COLD:
        return None
    usual = mean_loss(before, history.usual_strength_fraction[cold] / history.needs[cold])
    expected = float(mean_loss(before, history.strength_fraction[cold] / history.needs[cold]).sum())
    lost = int(history.lost[cold].sum())
    excess = min(lost, expected) - usual.sum()
    if lost < _FEWEST_LOST or lost - usual.sum() < _COLD_Z * np.sqrt((usual * (1 - usual)).sum()) or excess < 1:
        return None
    return ColdLoss(
        pieces=len(cold),
        lost=lost,
        expected_if_usual=float(usual.sum()),
        expected=expected,
        age_h=float(np.median(history.age_h[cold])),
        strength_fraction=float(np.median(history.strength_fraction[cold])),
        usual_strength_fraction=float(np.median(history.usual_strength_fraction[cold])),
        wait_until_h=float(np.median(history.age_h[cold] / history.ageing[cold])),
        excess=float(excess),
    )


def _young(history: MoldHistory, before: MoldRisk, rows: NDArray[np.intp], opens_at: float | None) -> YoungLoss | None:
    lost = history.lost[rows]
    if lost.sum() < _FEWEST_LOST:
        return None
    strength = history.strength_fraction[rows] / history.needs[rows]
    trend = trend_in_shares(np.log(strength), lost, np.ones(len(rows)))
    if trend.z > 0 or trend.p_value > _TREND_P:
        return None
    split, by_window = float(np.median(strength)), False
    if opens_at is not None:
        weaker = int((strength < opens_at).sum())
        by_window = min(weaker, len(rows) - weaker) >= _FEWEST_EITHER_SIDE
        split = opens_at if by_window else split
    young = strength < split
    at_any_age = float(before.weight @ before.floor)
    feature, _ = _most_lost(history, rows)
    return YoungLoss(
        split_strength_fraction=split,
        split_by_window=by_window,
        young_pieces=int(young.sum()),
        young_lost=int(lost[young].sum()),
        older_pieces=int((~young).sum()),
        older_lost=int(lost[~young].sum()),
        p_value=trend.p_value,
        feature=feature,
        excess=float(max(0.0, (mean_loss(before, strength) - at_any_age).sum())),
    )


def _most_lost(history: MoldHistory, rows: NDArray[np.intp]) -> tuple[str | None, int]:
    """Give the feature in which more than half of the losses lie, and how many do."""
    if not history.features:
        return None, 0
    counts = history.feature_lost[rows].sum(axis=0)
    most = int(np.argmax(counts))
    if counts[most] * 2 <= history.lost[rows].sum():
        return None, 0
    return history.features[most], int(counts[most])

"""The trends of a mold as the workshop shows them: causes in sentences, months with limits, features."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from inspector.curing import BreakTestFit
from inspector.risk import Interval, MoldHistory, Population, PourLoss, find_trend, share_chart
from inspector.workshop.advice import cause_sentence, day_words
from inspector.workshop.curing import PieceAge
from inspector.workshop.known_losses import KnownMold, feature_table
from inspector.workshop.loss_results import ConditionEffect, FeatureShare, MoldTrends, MonthOfLosses
from inspector.workshop.shop_evidence import KnownPiece, usual_strength

__all__ = ["condition_effects", "mold_trends"]

_Z_90 = 1.6449


def mold_trends(
    known: KnownMold,
    strengths: Mapping[str, BreakTestFit],
    *,
    earliest_h: float | None,
    temperature_degc: float,
    opens_at: float | None,
) -> MoldTrends:
    """Tell how the losses of a mold went, and why.

    The sentences send to the age from which its window opens, that of the mix poured of late at the temperature
    expected; `opens_at` is the strength fraction that its average piece needs then.
    """
    history = _mold_history(known, strengths)
    trend = find_trend(
        history,
        known.risk,
        known.population,
        known.shared.bad_pours,
        opens_at=opens_at,
        design=None if known.design is None else known.design.evidence,
    )
    demolded_at = [piece.age.demolded_at for piece in known.pieces]
    poured = {piece.age.pour_id: piece.age for piece in known.pieces}
    sentences = tuple(
        cause_sentence(
            cause,
            earliest_h=earliest_h,
            temperature_degc=temperature_degc,
            demolded_on=demolded_at.__getitem__,
            pour=_pour_words(cause, poured) if isinstance(cause, PourLoss) else "",
        )
        for cause in trend.causes
    )
    lost, expected = int(history.lost.sum()), float(trend.expected.sum())
    if not sentences:
        sentences = (f"Nothing stands out: {lost} of {len(known.pieces)} lost, {expected:.1f} expected.",)
    counts = history.feature_lost.sum(axis=0)
    return MoldTrends(
        mold=known.mold.name,
        title=known.mold.title,
        pieces=len(known.pieces),
        lost=lost,
        expected=expected,
        learnt_also="" if known.design is None else known.design.sentence,
        sentences=sentences,
        causes=trend.causes,
        months=_months(known.pieces, trend.expected),
        features=tuple(
            FeatureShare(name=name, lost=int(count), share=float(count) / max(1, len(known.pieces)))
            for name, count in zip(known.features, counts, strict=True)
        ),
        running=trend.running.values,
        running_limit=trend.running.limit,
        false_alarm_every=trend.running.false_alarm_every,
        alarm_at=None if trend.alarm is None else demolded_at[trend.alarm],
    )


def condition_effects(population: Population) -> tuple[ConditionEffect, ...]:
    """Tell what conditions do to the strength that pieces need."""
    effects = population.effects
    found = []
    for column, name in enumerate(effects.names):
        mean, sd = effects.log_change[column], np.sqrt(effects.covariance[column, column])
        low, middle, high = np.expm1([mean - _Z_90 * sd, mean, mean + _Z_90 * sd])
        found.append(
            ConditionEffect(name=name, strength_change=Interval(mean=float(middle), low=float(low), high=float(high)))
        )
    return tuple(found)


def _mold_history(known: KnownMold, strengths: Mapping[str, BreakTestFit]) -> MoldHistory:
    usual, ageing = usual_strength(known.pieces, strengths)
    ages = [piece.age for piece in known.pieces]
    return MoldHistory(
        age_h=np.array([age.demold_age_h for age in ages]),
        strength_fraction=np.maximum([age.strength_fraction for age in ages], 1e-3),
        usual_strength_fraction=usual,
        ageing=ageing,
        needs=known.needs,
        lost=np.array([piece.loss.lost for piece in known.pieces], dtype=bool),
        pour=np.array([age.pour_id for age in ages], dtype=np.intp),
        feature_lost=feature_table(known.pieces, known.features),
        features=known.features,
    )


def _months(pieces: Sequence[KnownPiece], expected: NDArray[np.float64]) -> tuple[MonthOfLosses, ...]:
    rows: dict[str, list[int]] = defaultdict(list)
    for row, piece in enumerate(pieces):
        rows[f"{piece.age.demolded_at:%Y-%m}"].append(row)
    if not rows:
        return ()
    lost = [sum(pieces[row].loss.lost for row in of_month) for of_month in rows.values()]
    total = [len(of_month) for of_month in rows.values()]
    chart = share_chart(
        lost,
        total,
        expected=[expected[of_month].sum() for of_month in rows.values()],
        variance=[(expected[of_month] * (1 - expected[of_month])).sum() for of_month in rows.values()],
    )
    return tuple(
        MonthOfLosses(
            month=month,
            pieces=len(of_month),
            lost=lost[number],
            expected=float(expected[of_month].sum()),
            lower=float(chart.lower[number] * len(of_month)),
            upper=float(chart.upper[number] * len(of_month)),
            median_age_h=float(np.median([pieces[row].age.demold_age_h for row in of_month])),
        )
        for number, (month, of_month) in enumerate(rows.items())
    )


def _pour_words(cause: PourLoss, poured: Mapping[int, PieceAge]) -> str:
    age = poured[cause.pour]
    at = age.demolded_at - timedelta(hours=age.demold_age_h)
    return f"pour {cause.pour} of {day_words(at)}"

"""Use cases of losses: when to demold each mold, why pieces are lost, and what another way would change."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from inspector import log
from inspector.curing import (
    BreakTestFit,
    constant_temperature,
    equivalent_age_h,
    strength_fraction,
)
from inspector.errors import InputError
from inspector.log import Mold, MoldSetting, Window, WindowChange
from inspector.risk import (
    PRACTICE_PRIOR,
    Costs,
    DemoldWindow,
    Interval,
    Learnt,
    MoldHistory,
    MoldRisk,
    Population,
    PourLoss,
    StrengthByAge,
    cost_per_good_piece,
    exact_interval,
    find_trend,
    find_window,
    first_age_under,
    fit_features,
    interval,
    learn,
    loss_at,
    loss_by_age,
    mean_loss,
    mold_risk,
    pour_spread,
    share_chart,
    with_change,
)
from inspector.workshop.advice import cause_sentence, share_words, window_advice
from inspector.workshop.curing import ASSUMED_DEGC, Curing, PieceAge, mix_curve
from inspector.workshop.loss_results import (
    AgeGroup,
    ConditionEffect,
    ExpectedCure,
    FeatureRisk,
    FeatureShare,
    KeptWindow,
    LossPoints,
    MoldTrends,
    MoldWindow,
    MonthOfLosses,
    Scenario,
    ShopTrends,
    WhatIf,
    interval_json,
)
from inspector.workshop.planning import Planning
from inspector.workshop.shop_evidence import KnownPiece, ShopEvidence, gather_shop_evidence, usual_strength

__all__ = ["Losses"]

# Ages that come into question: from a quarter of a day to two weeks.
_AGES_H = np.arange(6.0, 337.0)
# Where nobody said what time and pieces cost, in pieces: a mold hour is a four hundredth of a piece, two hours lie
# between demolding and the next pour (common practice, no source).
_MOLD_HOURS_A_PIECE = 400.0
_TURNAROUND_H = 2.0
# What the molds tell about each other is learnt anew once there are so many more pieces.
_LEARN_ANEW_SHARE = 0.02
# A window is written down as changed if its strengths moved by this or more. [-]
_CHANGED_FRACTION = 0.015
_AGE_GROUPS = 6
_LATEST_PIECES = 30
_BEYOND_TRIED = 0.08
_Z_90 = 1.6449


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """What was learnt from all molds."""

    mark: tuple[int, ...]
    """Of the log that it was learnt from."""
    now: datetime
    """Pieces demolded later were left out."""
    shop: ShopEvidence
    learnt: Learnt
    feature_population: Population
    features: tuple[tuple[MoldRisk, ...], ...]


@dataclass(frozen=True, slots=True, eq=False)
class _KnownMold:
    """What is known about one mold."""

    mold: Mold
    pieces: tuple[KnownPiece, ...]
    needs: NDArray[np.float64]
    """(n,) by how much more strength each piece needs than the average one, for its mix and cure. [-]"""
    risk: MoldRisk
    features: tuple[str, ...]
    feature_risks: tuple[MoldRisk, ...]


class Losses:
    """What the log tells about losses.

    Parameters
    ----------
    opened : Log
        An open log, which stays open.
    curing : Curing
    planning : Planning
        What the same log knows about curing and windows.
    """

    def __init__(self, opened: log.Log, curing: Curing, planning: Planning) -> None:
        self._log = opened
        self._curing = curing
        self._planning = planning
        # What all molds tell about any of them moves slowly: a mold's own pieces are read each time, this is not.
        self._latest: _Known | None = None

    # Windows

    def windows(self, *, now: datetime, cure: ExpectedCure | None = None) -> tuple[MoldWindow, ...]:
        """Work out the windows of all molds, for the cure that is expected or another one."""
        known = self._learn_all(now)
        return self._windows([_of_mold(known, number) for number in range(len(known.shop.molds))], now, cure)

    def window(self, mold: str, *, now: datetime, cure: ExpectedCure | None = None) -> MoldWindow:
        """Work out the window of one mold from its pieces of today and what is known of the others."""
        return self._windows([self._known_mold(mold, now)], now, cure)[0]

    def keep_windows(self, windows: Sequence[MoldWindow], *, now: datetime) -> tuple[WindowChange, ...]:
        """Write down those windows that changed, each with the evidence that caused it."""
        before = log.latest_windows(self._log)
        changed = [
            window
            for window in map(_to_keep, windows)
            if window.evidence["pieces"] and _differs(before.get(window.mold), window)
        ]
        return self._planning.change_windows(changed, at=now) if changed else ()

    # Trends

    def trends(self, *, now: datetime, mold: str | None = None) -> ShopTrends:
        """Tell how losses went over time and why, of all molds or of one."""
        if mold is not None:
            log.find_mold(self._log, mold)
        known = self._learn_all(now)
        settings, strengths = log.list_mold_settings(self._log), self._curing.mix_strengths()
        molds = []
        for number, item in enumerate(known.shop.molds):
            if mold in (None, item.name):
                of_mold = _of_mold(known, number)
                with_mix = _with_latest_mix(of_mold)
                costs, _ = _costs(settings[item.name])
                strength = _strength_by_age(
                    _latest_mix(of_mold), strengths, self._expected_degc(now, ExpectedCure()), None
                )
                window = find_window(with_mix.risk, strength, target_loss=settings[item.name].target_loss, costs=costs)
                molds.append(self._trend(of_mold, known.learnt, window.earliest_h))
        return ShopTrends(molds=tuple(molds), effects=_effects(known.learnt), pour_spread=_pour_spread(known))

    # What if

    def what_if(
        self,
        mold: str,
        *,
        now: datetime,
        age_h: float | None = None,
        instead_of_h: float | None = None,
        cure: ExpectedCure | None = None,
        colder_by_degc: float = 0.0,
    ) -> WhatIf:
        """Compare how pieces of a mold are demolded with another way.

        Parameters
        ----------
        mold : str
        now : datetime
        age_h : float, optional
            Demold age to look at; by default that of today.
        instead_of_h : float, optional
            That of today; by default the median of the latest pieces, else when the window opens. [h]
        cure : ExpectedCure, optional
            To look at; by default the same as today.
        colder_by_degc : float
            How much colder than expected.
        """
        known = _with_latest_mix(self._known_mold(mold, now))
        cure = cure or ExpectedCure()
        for age in (age_h, instead_of_h):
            if age is not None and not _AGES_H[0] <= age <= _AGES_H[-1]:
                raise InputError(
                    f"An age of {age:g} h is none that can be judged. Give {_AGES_H[0]:g} to {_AGES_H[-1]:g} h."
                )
        expected_degc = self._expected_degc(now, ExpectedCure())
        costs, assumed = _costs(self._planning.mold_setting(mold))
        mix, strengths = _latest_mix(known), self._curing.mix_strengths()
        usual_h = _usual_age_h(known) if instead_of_h is None else instead_of_h
        if usual_h is None:
            usual_h = self._windows([known], now, None)[0].window.earliest_h
        if usual_h is None:
            raise InputError(f"Nothing is known about when {mold} is opened. Say what to compare with: --instead-of-h.")
        degc = (expected_degc if cure.temperature_degc is None else cure.temperature_degc) - colder_by_degc
        new_age_h = usual_h if age_h is None else age_h
        risks = self._with_wet_cure(known, cure, new_age_h)
        ways = ((usual_h, expected_degc, None), (new_age_h, degc, cure.wet_until_h))
        scenarios, losses, spent = [], [], []
        for risk, (age, temperature_degc, wet_until_h) in zip(risks, ways, strict=True):
            strength = float(_strength_by_age(mix, strengths, temperature_degc, wet_until_h).at(age))
            loss = loss_by_age(risk, strength)[0][0]
            losses.append(loss)
            spent.append(cost_per_good_piece(loss, age, costs))
            scenarios.append(
                Scenario(
                    age_h=age,
                    temperature_degc=temperature_degc,
                    wet_until_h=wet_until_h,
                    strength_fraction=strength,
                    loss=interval(loss, risk.weight),
                    cost_per_good_piece=interval(spent[-1], risk.weight),
                )
            )
        risk = risks[0]
        loss_change = interval(losses[1] - losses[0], risk.weight)
        tried = (risk.weakest * (1 - _BEYOND_TRIED), risk.strongest * (1 + _BEYOND_TRIED))
        beyond = not all(tried[0] <= scenario.strength_fraction <= tried[1] for scenario in scenarios)
        return WhatIf(
            mold=mold,
            now=scenarios[0],
            instead=scenarios[1],
            loss_change=loss_change,
            cost_change=interval(spent[1] - spent[0], risk.weight),
            costs_assumed=assumed,
            beyond_tried=beyond,
            sentence=_what_if_sentence(scenarios[0], scenarios[1], loss_change, beyond=beyond),
        )

    # What several use cases need

    def _learn_all(self, now: datetime) -> _Known:
        mark = log.evidence_mark(self._log)
        latest = self._latest
        if latest is not None and latest.mark == mark and latest.now <= now:
            return latest
        shop = gather_shop_evidence(self._log, self._curing, until=now)
        learnt = learn(shop.evidence, PRACTICE_PRIOR)
        sound = np.flatnonzero(learnt.sound)
        units = shop.evidence.unit[sound]
        tables = [
            _feature_table([shop.pieces[row] for row in sound[units == number]], shop.features[mold.name])
            for number, mold in enumerate(shop.molds)
        ]
        population, features = fit_features(
            mold=units,
            strength_fraction=shop.evidence.strength_fraction[sound],
            lost=tables,
            molds=learnt.molds,
        )
        self._latest = _Known(
            mark=mark, now=now, shop=shop, learnt=learnt, feature_population=population, features=features
        )
        return self._latest

    def _known_mold(self, name: str, now: datetime) -> _KnownMold:
        """Learn one mold anew, and all of them where the log has grown much since that was done last."""
        mold = log.find_mold(self._log, name)
        latest = self._latest
        molds = log.list_molds(self._log)
        counted = sum(item.pieces for item in molds)
        if (
            latest is None
            or latest.now > now
            or counted > (1 + _LEARN_ANEW_SHARE) * sum(item.pieces for item in latest.shop.molds)
        ):
            latest = self._learn_all(now)
            return _of_mold(latest, [item.name for item in latest.shop.molds].index(name))
        shop = gather_shop_evidence(self._log, self._curing, until=now, mold=name, conditions=latest.shop.conditions)
        sound = ~np.isin(shop.evidence.pour, [bad.pour for bad in latest.learnt.bad_pours])
        evidence = shop.evidence.of(sound)
        risk = mold_risk(latest.learnt.population, evidence)
        table = _feature_table(
            [piece for piece, is_sound in zip(shop.pieces, sound, strict=True) if is_sound], shop.features[name]
        )
        _, (features,) = fit_features(
            mold=np.zeros(len(table), dtype=np.intp),
            strength_fraction=evidence.strength_fraction,
            lost=[table],
            molds=(risk,),
            population=latest.feature_population,
        )
        return _KnownMold(
            mold=mold,
            pieces=shop.pieces,
            needs=_needs(shop.evidence.conditions, risk, latest.learnt.population),
            risk=risk,
            features=shop.features[name],
            feature_risks=features,
        )

    def _windows(self, molds: Sequence[_KnownMold], now: datetime, cure: ExpectedCure | None) -> tuple[MoldWindow, ...]:
        cure = cure or ExpectedCure()
        settings, strengths = log.list_mold_settings(self._log), self._curing.mix_strengths()
        degc = self._expected_degc(now, cure)
        return tuple(
            _mold_window(
                known,
                settings[known.mold.name],
                strength=_strength_by_age(_latest_mix(known), strengths, degc, cure.wet_until_h),
                temperature_degc=degc,
                wet_until_h=cure.wet_until_h,
                history=_history(log.list_window_changes(self._log, known.mold.name), known.pieces),
            )
            for known in map(_with_latest_mix, molds)
        )

    def _expected_degc(self, now: datetime, cure: ExpectedCure) -> float:
        if cure.temperature_degc is not None:
            return cure.temperature_degc
        expected = self._curing.forecast().degc_at(now)
        return ASSUMED_DEGC if expected is None else expected

    def _trend(self, known: _KnownMold, learnt: Learnt, earliest_h: float | None) -> MoldTrends:
        history = _mold_history(known, self._curing)
        trend = find_trend(history, known.risk, learnt.population, learnt.bad_pours)
        demolded_at = [piece.age.demolded_at for piece in known.pieces]
        poured = {piece.age.pour_id: piece.age for piece in known.pieces}
        sentences = tuple(
            cause_sentence(
                cause,
                earliest_h=earliest_h,
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

    def _with_wet_cure(self, known: _KnownMold, cure: ExpectedCure, age_h: float) -> tuple[MoldRisk, MoldRisk]:
        """Give the mold as it is, and with what the log has taught about pieces kept wet for another share of time."""
        latest = self._latest
        effects = None if latest is None else latest.learnt.population.effects
        change = sd = 0.0
        if effects is not None and latest is not None and cure.wet_until_h is not None:
            for column, condition in enumerate(latest.shop.conditions):
                if condition.kind == "wet":
                    more = min(1.0, cure.wet_until_h / age_h) - known.risk.conditions[column]
                    change = more * effects.log_change[column]
                    sd = abs(more) * np.sqrt(effects.covariance[column, column])
        return with_change(known.risk, log_change=float(change), sd=float(sd))


def _of_mold(known: _Known, number: int) -> _KnownMold:
    mold = known.shop.molds[number]
    rows = np.flatnonzero(known.shop.evidence.unit == number)
    risk = known.learnt.molds[number]
    return _KnownMold(
        mold=mold,
        pieces=tuple(known.shop.pieces[row] for row in rows),
        needs=_needs(known.shop.evidence.conditions[rows], risk, known.learnt.population),
        risk=risk,
        features=known.shop.features[mold.name],
        feature_risks=known.features[number],
    )


def _needs(conditions: NDArray[np.float64], risk: MoldRisk, population: Population) -> NDArray[np.float64]:
    """By how much more strength pieces need than the mold's average one, for their conditions (n, k)."""
    return np.exp((conditions - risk.conditions) @ population.effects.log_change)


def _with_latest_mix(known: _KnownMold) -> _KnownMold:
    """Give a mold as it is with the mix that is poured of late: its strengths are those of that mix's pieces."""
    mix = _latest_mix(known)
    of_mix = [row for row, piece in enumerate(known.pieces) if piece.age.mix == mix][-_LATEST_PIECES:]
    if not of_mix:
        return known
    need = float(np.exp(np.log(known.needs[of_mix]).mean()))
    return replace(
        known,
        needs=known.needs / need,
        risk=_needing(known.risk, need),
        feature_risks=tuple(_needing(risk, need) for risk in known.feature_risks),
    )


def _needing(risk: MoldRisk, need: float) -> MoldRisk:
    return replace(risk, theta=risk.theta * need, weakest=risk.weakest * need, strongest=risk.strongest * need)


def _feature_table(pieces: Sequence[KnownPiece], features: Sequence[str]) -> NDArray[np.bool_]:
    """Which feature each piece lost, shape (pieces, features)."""
    return np.array([[name in piece.loss.features for name in features] for piece in pieces], dtype=bool).reshape(
        len(pieces), len(features)
    )


def _mold_window(
    known: _KnownMold,
    setting: MoldSetting,
    *,
    strength: StrengthByAge,
    temperature_degc: float,
    wet_until_h: float | None,
    history: tuple[KeptWindow, ...],
) -> MoldWindow:
    costs, assumed = _costs(setting)
    window = find_window(known.risk, strength, target_loss=setting.target_loss, costs=costs)
    window = _with_all_pieces(window, known.pieces)
    fractions = np.array([piece.age.strength_fraction for piece in known.pieces]) / known.needs
    points = LossPoints(
        age_h=np.interp(fractions, strength.strength_fraction, strength.age_h),
        strength_fraction=fractions,
        lost=np.array([piece.loss.lost for piece in known.pieces], dtype=bool),
    )
    last_tried_h = None if not known.risk.pieces else strength.age_at(known.risk.strongest)
    return MoldWindow(
        mold=known.mold.name,
        title=known.mold.title,
        mix=_latest_mix(known),
        temperature_degc=temperature_degc,
        wet_until_h=wet_until_h,
        window=window,
        costs=costs,
        costs_assumed=assumed,
        advice=window_advice(
            window, mold=known.mold.name, temperature_degc=temperature_degc, last_tried_h=last_tried_h
        ),
        features=_feature_risks(known, strength, window),
        history=history,
        risk=known.risk,
        strength=strength,
        points=points,
        groups=_age_groups(points, known.risk),
    )


def _with_all_pieces(window: DemoldWindow, pieces: Sequence[KnownPiece]) -> DemoldWindow:
    """Count the pieces of bad pours as well: they were left out of the window, not of the log."""
    return replace(window, pieces=len(pieces), lost=sum(piece.loss.lost for piece in pieces))


def _feature_risks(known: _KnownMold, strength: StrengthByAge, window: DemoldWindow) -> tuple[FeatureRisk, ...]:
    earliest_h = window.earliest_h
    found = [
        FeatureRisk(
            name=name,
            lost=risk.lost,
            loss_at_earliest=None if earliest_h is None else loss_at(risk, float(strength.at(earliest_h))),
            earliest_h=first_age_under(risk, strength, window.target_loss),
            theta=interval(risk.theta, risk.weight),
        )
        for name, risk in zip(known.features, known.feature_risks, strict=True)
    ]
    return tuple(sorted(found, key=lambda feature: (-feature.lost, feature.name)))


def _costs(setting: MoldSetting) -> tuple[Costs, bool]:
    """What a piece and the mold's time cost, and whether any of it had to be assumed."""
    piece, mold_hour = setting.piece_cost, setting.mold_hour_cost
    assumed = piece is None or mold_hour is None or setting.turnaround_h is None
    if piece is None:
        piece = 1.0 if mold_hour is None else mold_hour * _MOLD_HOURS_A_PIECE
    if mold_hour is None:
        mold_hour = piece / _MOLD_HOURS_A_PIECE
    turnaround_h = _TURNAROUND_H if setting.turnaround_h is None else setting.turnaround_h
    return Costs(piece=piece, mold_hour=mold_hour, turnaround_h=turnaround_h), assumed


def _latest_mix(known: _KnownMold) -> str | None:
    """Give the mix that most of the latest pieces are of."""
    mixes = Counter(piece.age.mix for piece in known.pieces[-_LATEST_PIECES:])
    return max(mixes, key=lambda mix: (mixes[mix], mix or ""), default=None)


def _usual_age_h(known: _KnownMold) -> float | None:
    ages = [piece.age.demold_age_h for piece in known.pieces[-_LATEST_PIECES:]]
    return float(np.median(ages)) if ages else None


def _strength_by_age(
    mix: str | None, strengths: Mapping[str, BreakTestFit], temperature_degc: float, wet_until_h: float | None
) -> StrengthByAge:
    history = constant_temperature(temperature_degc)
    wet = np.inf if wet_until_h is None else float(equivalent_age_h(history, wet_until_h))
    fractions = strength_fraction(
        mix_curve(mix, strengths), equivalent_age_h(history, _AGES_H), wet_until_equivalent_h=wet
    )
    return StrengthByAge(age_h=_AGES_H, strength_fraction=fractions)


def _age_groups(points: LossPoints, risk: MoldRisk) -> tuple[AgeGroup, ...]:
    """Put pieces of about the same age together, as many in each group as can be."""
    order = np.argsort(points.age_h, kind="stable")
    expected = mean_loss(risk, points.strength_fraction) if len(order) else np.zeros(0)
    groups = []
    for rows in np.array_split(order, min(_AGE_GROUPS, max(1, len(order) // 5))):
        if len(rows):
            lost = int(points.lost[rows].sum())
            share = exact_interval(lost, len(rows))
            groups.append(
                AgeGroup(
                    from_h=float(points.age_h[rows[0]]),
                    to_h=float(points.age_h[rows[-1]]),
                    pieces=len(rows),
                    lost=lost,
                    expected=float(expected[rows].sum()),
                    low=share.low,
                    high=share.high,
                )
            )
    return tuple(groups)


def _history(changes: Sequence[WindowChange], pieces: Sequence[KnownPiece]) -> tuple[KeptWindow, ...]:
    """Tell what happened under each window that a mold had, oldest first."""
    kept = []
    for number, change in enumerate(changes):
        until = changes[number + 1].at if number + 1 < len(changes) else None
        window = change.window
        after = [
            piece
            for piece in pieces
            if change.at <= piece.age.demolded_at and (until is None or piece.age.demolded_at < until)
        ]
        earliest = window.earliest_fraction
        kept.append(
            KeptWindow(
                at=change.at,
                earliest_h=window.earliest_h,
                latest_h=window.latest_h,
                temperature_degc=window.temperature_degc,
                enough_evidence=window.enough_evidence,
                pieces_before=int(window.evidence.get("pieces", 0)),
                lost_before=int(window.evidence.get("lost", 0)),
                pieces_after=len(after),
                lost_after=sum(piece.loss.lost for piece in after),
                too_early_after=0
                if earliest is None
                else sum(piece.age.strength_fraction < earliest for piece in after),
            )
        )
    return tuple(kept)


def _to_keep(window: MoldWindow) -> Window:
    found = window.window

    def fraction(age_h: float | None) -> float | None:
        return None if age_h is None else float(window.strength.at(age_h))

    return Window(
        mold=window.mold,
        mix=window.mix,
        temperature_degc=window.temperature_degc,
        earliest_h=found.earliest_h,
        latest_h=found.latest_h,
        cheapest_h=found.cheapest_h,
        earliest_fraction=fraction(found.earliest_h),
        latest_fraction=fraction(found.latest_h),
        cheapest_fraction=fraction(found.cheapest_h),
        enough_evidence=found.verdict == "settled",
        evidence={
            "pieces": found.pieces,
            "lost": found.lost,
            "target_loss": found.target_loss,
            "loss_at_earliest": None if found.loss_at_earliest is None else interval_json(found.loss_at_earliest),
            "theta": interval_json(found.theta),
            "beta": interval_json(found.beta),
            "floor": interval_json(found.floor),
            "verdict": found.verdict,
        },
    )


def _differs(before: WindowChange | None, window: Window) -> bool:
    if before is None or before.window.enough_evidence != window.enough_evidence:
        return True
    pairs = (
        (before.window.earliest_fraction, window.earliest_fraction),
        (before.window.latest_fraction, window.latest_fraction),
    )
    return any((old is None) != (new is None) for old, new in pairs) or any(
        abs(old - new) >= _CHANGED_FRACTION for old, new in pairs if old is not None and new is not None
    )


def _mold_history(known: _KnownMold, curing: Curing) -> MoldHistory:
    usual, ageing = usual_strength(known.pieces, curing)
    ages = [piece.age for piece in known.pieces]
    return MoldHistory(
        age_h=np.array([age.demold_age_h for age in ages]),
        strength_fraction=np.maximum([age.strength_fraction for age in ages], 1e-3),
        usual_strength_fraction=usual,
        ageing=ageing,
        needs=known.needs,
        lost=np.array([piece.loss.lost for piece in known.pieces], dtype=bool),
        pour=np.array([age.pour_id for age in ages], dtype=np.intp),
        feature_lost=_feature_table(known.pieces, known.features),
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
    return f"pour {cause.pour} of {at:%d %B %Y}"


def _effects(learnt: Learnt) -> tuple[ConditionEffect, ...]:
    effects = learnt.population.effects
    found = []
    for column, name in enumerate(effects.names):
        mean, sd = effects.log_change[column], np.sqrt(effects.covariance[column, column])
        low, middle, high = np.expm1([mean - _Z_90 * sd, mean, mean + _Z_90 * sd])
        found.append(
            ConditionEffect(name=name, strength_change=Interval(mean=float(middle), low=float(low), high=float(high)))
        )
    return tuple(found)


def _pour_spread(known: _Known) -> float:
    sound = known.learnt.sound
    evidence = known.shop.evidence.of(sound)
    return pour_spread(evidence, known.learnt.population.effects.expected_loss)


def _what_if_sentence(now: Scenario, instead: Scenario, change: Interval, *, beyond: bool) -> str:
    sentence = (
        f"Instead of {share_words(now.loss)}, {share_words(instead.loss)} would be lost; a good piece would cost "
        f"{instead.cost_per_good_piece.mean:.3g} instead of {now.cost_per_good_piece.mean:.3g}."
    )
    if change.low < 0 < change.high:
        sentence += " The log does not settle which of the two loses less."
    if beyond:
        sentence += " No piece of this mold has been opened at one of these strengths: take it as a guess."
    return sentence

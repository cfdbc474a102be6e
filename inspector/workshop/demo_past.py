"""Two years of the demo workshop before its photos: invented by a seeded simulation whose truth is stated here.

In its first year the workshop opens its molds by habit: mostly after work on the day after the pour, else the morning
before or after that. From then on it goes by the windows that the log gave it, which are worked out every half year as
`inspector window` does, and lets each piece out when it is as strong as its window asks for, as `inspector due` tells.

Truth, in strength fractions by the curve that the break tests give each mix, at the temperature of the pour:
P(lost | r) = floor + (1 - floor) * Phi((ln theta - ln r) / beta), with theta, beta and floor of each mold below, theta
6 % lower for the mix with fibres.
What went wrong besides:

- the latex mold tore at one feature on 1 October 2025: from then on 25 % of its pieces break there, at any age;
- the pour of 15 September 2025 had far too much water: all of its pieces are lost;
- the heating failed from 7 to 31 January 2025: 6 degC, while everybody went by the clock.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from math import cos, pi

import numpy as np

from inspector.curing import (
    StrengthCurve,
    age_at_equivalent_age_h,
    constant_temperature,
    en_curve,
    equivalent_age_at_strength_h,
    equivalent_age_h,
    strength_fraction,
)
from inspector.log import BreakWord, Mix, Mold, NotedDefect, PastPiece, PastPour
from inspector.risk import loss_probability
from inspector.workshop.demo import add_demo_mixes
from inspector.workshop.workshop import Workshop

__all__ = ["DEMO_HALF_YEARS", "add_demo_past"]


@dataclass(frozen=True, slots=True)
class _Truth:
    """How a mold loses pieces, and where."""

    theta: float
    beta: float
    floor: float
    first_feature_share: float
    """Of its losses, those at the feature that breaks most."""


# In turn for the molds by name: the oak leaf, the finial, the tile, the bird.
_TRUTHS = (
    _Truth(theta=0.25, beta=0.22, floor=0.004, first_feature_share=0.5),
    _Truth(theta=0.27, beta=0.20, floor=0.006, first_feature_share=0.4),
    _Truth(theta=0.17, beta=0.22, floor=0.004, first_feature_share=0.3),
    _Truth(theta=0.29, beta=0.20, floor=0.005, first_feature_share=0.7),
)
_FIBRES_FACTOR = 0.94
_TORN_MATERIAL = "latex"
_TORN_FROM = datetime(2025, 10, 1, tzinfo=timezone(timedelta(hours=1)))
_TORN_LOSS = 0.25
_WATERED_POUR_ON = datetime(2025, 9, 15, tzinfo=timezone(timedelta(hours=1))).date()
_NO_HEATING = (
    datetime(2025, 1, 7, tzinfo=timezone(timedelta(hours=1))),
    datetime(2025, 2, 1, tzinfo=timezone(timedelta(hours=1))),
)
_NO_HEATING_DEGC = 6.0

_FIRST_POUR = datetime(2024, 3, 4, 15, 30, tzinfo=timezone(timedelta(hours=1)))
_LAST_POUR = datetime(2026, 2, 26, 23, 0, tzinfo=timezone(timedelta(hours=1)))
# Mondays to Thursdays, except between Christmas and New Year.
_POUR_WEEKDAYS = 4
# Windows are worked out on these days, before the pours that follow.
_WINDOW_DAYS = (
    datetime(2024, 9, 1, 9, 0, tzinfo=timezone(timedelta(hours=1))),
    datetime(2025, 3, 1, 9, 0, tzinfo=timezone(timedelta(hours=1))),
    datetime(2025, 9, 1, 9, 0, tzinfo=timezone(timedelta(hours=1))),
    datetime(2026, 2, 27, 9, 0, tzinfo=timezone(timedelta(hours=1))),
)
DEMO_HALF_YEARS = len(_WINDOW_DAYS)
# From the second of them on the workshop goes by them.
_FOLLOWED_FROM = _WINDOW_DAYS[1]
# Hours from a pour at half past three to the next morning, the next evening, and the morning after.
_HABITS_H = ((15.5, 18.5), (22.0, 27.0), (39.5, 43.0))
_HABIT_SHARES = (0.15, 0.55, 0.30)
# One piece in so many is opened by habit all the same, which is also how the log learns about younger ones.
_HABIT_ALL_THE_SAME = 0.08
_WARM_DEGC, _COLD_DEGC = 21.0, 14.0
_SEED = 2024
_KINDS = ("missing feature", "chip", "hairline crack")
_KIND_SHARES = (0.45, 0.35, 0.20)
_SOURCE = "demo, invented"
# What a piece costs, a mold hour, and the hours to the next pour; in the invented workshop's money.
_COSTS = (18.0, 0.04, 3.0)
# Which mix is poured, in turn: the one with fibres every third time. By name, so buff comes first.
_MIX_TURNS = (1, 1, 0)
# Press tests of each mix in its first spring: age, and how much more than the formula says; then hand tests, at
# the ages at which it has these strengths.
_PRESS_TESTS = ((24.0, 1.06), (72.0, 0.97), (672.0, 1.01))
_STRENGTH_28_DAYS_MPA = 34.0
_HAND_TESTS: tuple[tuple[float, BreakWord], ...] = (
    (0.15, "crumbles"),
    (0.33, "snaps with a sandy face"),
    (0.55, "snaps clean"),
)


def add_demo_past(workshop: Workshop) -> Iterator[int]:
    """Add two years of pours into the molds that are there; adding them again adds nothing.

    Yields
    ------
    pieces : int
        How many were added, half a year at a time.
    """
    molds = workshop.molds()
    mixes = add_demo_mixes(workshop)
    features = {mold.name: _features(workshop, mold.name) for mold in molds}
    _tell_costs_and_tests(workshop, molds, mixes)
    starts = (_FIRST_POUR, *_WINDOW_DAYS[:-1])
    for half_year, (start, end) in enumerate(zip(starts, _WINDOW_DAYS, strict=True)):
        source = f"{_SOURCE}, {start:%Y-%m}"
        if workshop.has_past(source=source):
            yield 0
            continue
        rng = np.random.default_rng([_SEED, half_year])
        strong_enough = _strong_enough(workshop, molds) if start >= _FOLLOWED_FROM else {}
        curves = {name: fit.curve for name, fit in workshop.curing.mix_strengths().items()}
        pours = [
            _pour(at, molds, mixes[_MIX_TURNS[number % len(_MIX_TURNS)]], features, strong_enough, curves, rng)
            for number, at in enumerate(_pour_times(start, end))
        ]
        added = workshop.add_past(pours, source=source)
        workshop.losses.keep_windows(workshop.losses.windows(now=end), now=end)
        yield added


def _tell_costs_and_tests(workshop: Workshop, molds: tuple[Mold, ...], mixes: tuple[Mix, ...]) -> None:
    for mold in molds:
        if workshop.planning.mold_setting(mold.name).set_at is None:
            piece, mold_hour, turnaround_h = _COSTS
            workshop.planning.set_mold(mold.name, piece_cost=piece, mold_hour_cost=mold_hour, turnaround_h=turnaround_h)
    for mix in mixes:
        if workshop.curing.break_tests(mix=mix.name):
            continue
        made_at = _FIRST_POUR
        for age_h, factor in _PRESS_TESTS:
            tested_at = made_at + timedelta(hours=age_h)
            fraction = float(strength_fraction(en_curve(mix.cement_class), age_h))
            strength_mpa = round(_STRENGTH_28_DAYS_MPA * fraction * factor, 1)
            workshop.curing.add_mix_break_test(mix.name, age_h=age_h, tested_at=tested_at, strength_mpa=strength_mpa)
        for fraction, word in _HAND_TESTS:
            age_h = round(float(equivalent_age_at_strength_h(en_curve(mix.cement_class), fraction)), 1)
            tested_at = made_at + timedelta(hours=age_h)
            workshop.curing.add_mix_break_test(mix.name, age_h=age_h, tested_at=tested_at, word=word)


def _features(workshop: Workshop, mold: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(feature.name for feature in workshop.mold(mold).features))


def _pour_times(start: datetime, end: datetime) -> Iterator[datetime]:
    """Give the times of the pours from a day on, until another or the last."""
    for day in range((min(end, _LAST_POUR) - start).days + 1):
        at = start.replace(hour=_FIRST_POUR.hour, minute=_FIRST_POUR.minute) + timedelta(days=day)
        holidays = (at.month, at.day) >= (12, 22) or (at.month, at.day) <= (1, 2)
        if at.weekday() < _POUR_WEEKDAYS and not holidays and at < min(end, _LAST_POUR):
            yield at


def _strong_enough(workshop: Workshop, molds: tuple[Mold, ...]) -> dict[str, float]:
    """Give the strength fraction from which each mold's window lets pieces out, where there is one."""
    windows = {mold.name: workshop.planning.window(mold.name) for mold in molds}
    return {
        name: window.earliest_fraction
        for name, window in windows.items()
        if window is not None and window.earliest_fraction is not None
    }


def _pour(
    at: datetime,
    molds: tuple[Mold, ...],
    mix: Mix,
    features: Mapping[str, tuple[str, ...]],
    strong_enough: Mapping[str, float],
    curves: Mapping[str, StrengthCurve],
    rng: np.random.Generator,
) -> PastPour:
    degc = _temperature_degc(at, rng)
    history = constant_temperature(degc)
    curve = curves[mix.name]
    pieces = []
    for number, mold in enumerate(molds):
        open_from_h = None
        if mold.name in strong_enough:
            aged_h = equivalent_age_at_strength_h(curve, strong_enough[mold.name])
            open_from_h = float(age_at_equivalent_age_h(history, aged_h))
        age_h = _age_h(open_from_h, rng)
        strength = float(strength_fraction(curve, equivalent_age_h(history, age_h)))
        truth = _TRUTHS[number % len(_TRUTHS)]
        theta = truth.theta * (_FIBRES_FACTOR if mix.fibres else 1.0)
        loss = float(loss_probability(strength, theta=theta, beta=truth.beta, floor=truth.floor))
        watered = at.date() == _WATERED_POUR_ON
        torn = mold.material == _TORN_MATERIAL and at >= _TORN_FROM and rng.random() < _TORN_LOSS
        defects: tuple[NotedDefect, ...] = ()
        if rng.random() < loss or watered or torn:
            where = 1 if torn else _feature(len(features[mold.name]), truth, rng)
            defects = (_defect(features[mold.name], where, rng),)
        pieces.append(PastPiece(mold=mold.name, demolded_at=at + timedelta(hours=age_h), defects=defects))
    return PastPour(
        mix=mix.name,
        poured_at=at,
        temperature_degc=degc,
        wet_until_h=None,
        cure_notes="covered with foil",
        pieces=tuple(pieces),
    )


def _temperature_degc(at: datetime, rng: np.random.Generator) -> float:
    if _NO_HEATING[0] <= at < _NO_HEATING[1]:
        return round(_NO_HEATING_DEGC + float(rng.normal(0, 0.7)), 1)
    summer = (1 - cos(2 * pi * (at.timetuple().tm_yday - 15) / 365)) / 2
    return round(_COLD_DEGC + (_WARM_DEGC - _COLD_DEGC) * summer + float(rng.normal(0, 1.0)), 1)


def _age_h(open_from_h: float | None, rng: np.random.Generator) -> float:
    """Hours in the mold: by habit or by the window."""
    from_h, to_h = _HABITS_H[int(rng.choice(len(_HABITS_H), p=_HABIT_SHARES))]
    habit_h = float(rng.uniform(from_h, to_h))
    if open_from_h is None or rng.random() < _HABIT_ALL_THE_SAME:
        return round(habit_h, 1)
    return round(open_from_h + float(rng.uniform(0, 5)), 1)


def _feature(count: int, truth: _Truth, rng: np.random.Generator) -> int:
    """Which feature breaks: the first one most often, the rest alike."""
    if count <= 1 or rng.random() < truth.first_feature_share:
        return 0
    return int(rng.integers(1, count))


def _defect(features: tuple[str, ...], where: int, rng: np.random.Generator) -> NotedDefect:
    kind = _KINDS[int(rng.choice(len(_KINDS), p=_KIND_SHARES))]
    return NotedDefect(kind=kind, feature=features[where] if where < len(features) else None)

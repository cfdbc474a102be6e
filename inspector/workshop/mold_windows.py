"""The window of a mold as the workshop shows and keeps it: costs, features, ages, what came of earlier ones."""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from inspector.curing import BreakTestFit, constant_temperature, equivalent_age_h, strength_fraction
from inspector.log import MoldSetting, Window, WindowChange
from inspector.risk import (
    Costs,
    DemoldWindow,
    MoldRisk,
    StrengthByAge,
    exact_interval,
    find_window,
    first_age_under,
    interval,
    loss_at,
    mean_loss,
)
from inspector.workshop.advice import window_advice
from inspector.workshop.curing import mix_curve
from inspector.workshop.known_losses import KnownMold, latest_mix
from inspector.workshop.loss_results import (
    AgeGroup,
    FeatureRisk,
    KeptWindow,
    LossPoints,
    MoldWindow,
    interval_json,
)
from inspector.workshop.shop_evidence import KnownPiece

__all__ = ["AGES_H", "costs_of", "differs", "mold_window", "strength_by_age", "to_keep", "window_history"]

# Ages that come into question: from a quarter of a day to two weeks.
AGES_H = np.arange(6.0, 337.0)
# Where nobody said what time and pieces cost, in pieces: a mold hour is a four hundredth of a piece, two hours lie
# between demolding and the next pour (common practice, no source).
_MOLD_HOURS_A_PIECE = 400.0
_TURNAROUND_H = 2.0
# A window is written down as changed if its strengths moved by this or more. [-]
_CHANGED_FRACTION = 0.015
_AGE_GROUPS = 6


def mold_window(
    known: KnownMold,
    setting: MoldSetting,
    *,
    strength: StrengthByAge,
    temperature_degc: float,
    wet_until_h: float | None,
    history: tuple[KeptWindow, ...],
) -> MoldWindow:
    """Work out the window of a mold for the strength that its pieces are to have by age."""
    costs, assumed = costs_of(setting)
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
        mix=latest_mix(known),
        temperature_degc=temperature_degc,
        wet_until_h=wet_until_h,
        window=window,
        costs=costs,
        costs_assumed=assumed,
        advice=window_advice(
            window,
            temperature_degc=temperature_degc,
            last_tried_h=last_tried_h,
            mix_known=latest_mix(known) is not None,
            before_setting=known.before_setting,
        ),
        learnt_also="" if known.design is None else known.design.sentence,
        features=_feature_risks(known, strength, window),
        history=history,
        risk=known.risk,
        strength=strength,
        points=points,
        groups=_age_groups(points, known.risk),
    )


def costs_of(setting: MoldSetting) -> tuple[Costs, bool]:
    """What a piece and the mold's time cost, and whether any of it had to be assumed."""
    piece, mold_hour = setting.piece_cost, setting.mold_hour_cost
    assumed = piece is None or mold_hour is None or setting.turnaround_h is None
    if piece is None:
        piece = 1.0 if mold_hour is None else mold_hour * _MOLD_HOURS_A_PIECE
    if mold_hour is None:
        mold_hour = piece / _MOLD_HOURS_A_PIECE
    turnaround_h = _TURNAROUND_H if setting.turnaround_h is None else setting.turnaround_h
    return Costs(piece=piece, mold_hour=mold_hour, turnaround_h=turnaround_h), assumed


def strength_by_age(
    mix: str | None, strengths: Mapping[str, BreakTestFit], temperature_degc: float, wet_until_h: float | None
) -> StrengthByAge:
    """Give the strength of a mix by age, at one temperature, kept wet until an age or until demolding."""
    history = constant_temperature(temperature_degc)
    wet = np.inf if wet_until_h is None else float(equivalent_age_h(history, wet_until_h))
    fractions = strength_fraction(
        mix_curve(mix, strengths), equivalent_age_h(history, AGES_H), wet_until_equivalent_h=wet
    )
    return StrengthByAge(age_h=AGES_H, strength_fraction=fractions)


def window_history(changes: Sequence[WindowChange], pieces: Sequence[KnownPiece]) -> tuple[KeptWindow, ...]:
    """Tell what happened under each window that a mold had, oldest first; `pieces` are in the order of demolding."""
    kept = []
    demolded_at = [piece.age.demolded_at for piece in pieces]
    edges = [*(bisect_left(demolded_at, change.at) for change in changes), len(pieces)]
    for number, change in enumerate(changes):
        window, after = change.window, pieces[edges[number] : edges[number + 1]]
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


def to_keep(window: MoldWindow) -> Window:
    """Give what is written down of a window: hours, strengths, and the evidence that they come from."""
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


def differs(before: WindowChange | None, window: Window) -> bool:
    """Tell whether a window differs enough from the last one written down to be written down anew."""
    if before is None or before.window.enough_evidence != window.enough_evidence:
        return True
    pairs = (
        (before.window.earliest_fraction, window.earliest_fraction),
        (before.window.latest_fraction, window.latest_fraction),
    )
    return any((old is None) != (new is None) for old, new in pairs) or any(
        abs(old - new) >= _CHANGED_FRACTION for old, new in pairs if old is not None and new is not None
    )


def _with_all_pieces(window: DemoldWindow, pieces: Sequence[KnownPiece]) -> DemoldWindow:
    """Count the pieces of bad pours as well: they were left out of the window, not of the log."""
    return replace(window, pieces=len(pieces), lost=sum(piece.loss.lost for piece in pieces))


def _feature_risks(known: KnownMold, strength: StrengthByAge, window: DemoldWindow) -> tuple[FeatureRisk, ...]:
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

"""What the workshop answers about losses: windows, trends, and what would be otherwise. Frozen, with units."""

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from inspector.risk import Cause, Costs, DemoldWindow, Interval, MoldRisk, StrengthByAge

__all__ = [
    "MONTH_COLUMNS",
    "AgeGroup",
    "ConditionEffect",
    "ExpectedCure",
    "FeatureRisk",
    "FeatureShare",
    "KeptWindow",
    "LossPoints",
    "MoldTrends",
    "MoldWindow",
    "MonthOfLosses",
    "Scenario",
    "ShopTrends",
    "WhatIf",
]


@dataclass(frozen=True, slots=True)
class ExpectedCure:
    """How pieces are to cure."""

    temperature_degc: float | None = None
    """None: what the workshop is expected to have, else 20 degC."""
    wet_until_h: float | None = None
    """Age until which they are kept wet, then dry; None: until demolding, as a closed mold keeps them."""


@dataclass(frozen=True, slots=True)
class FeatureRisk:
    """One feature of a mold."""

    name: str
    lost: int
    loss_at_earliest: Interval | None
    earliest_h: float | None
    """From which age this feature alone is surely under the target."""
    theta: Interval


@dataclass(frozen=True, slots=True)
class KeptWindow:
    """A window that the mold had, and what happened under it."""

    at: datetime
    earliest_h: float | None
    latest_h: float | None
    temperature_degc: float
    enough_evidence: bool
    pieces_before: int
    lost_before: int
    """What it was worked out from."""
    pieces_after: int
    """Demolded until the next change..."""
    lost_after: int
    too_early_after: int
    """... and how many of them before the window opened, by strength."""


@dataclass(frozen=True, slots=True, eq=False)
class LossPoints:
    """The pieces of a mold, for a picture."""

    age_h: NDArray[np.float64]
    """At which each would have had its strength with the mix and cure that the window is for."""
    strength_fraction: NDArray[np.float64]
    """Corrected for what its own mix and cure need beside those. [-]"""
    lost: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class AgeGroup:
    """Pieces of about the same age, and what the curve says of them."""

    from_h: float
    to_h: float
    """Ages as in `LossPoints`."""
    pieces: int
    lost: int
    expected: float
    low: float
    high: float
    """Exact 90 % interval of the share lost (Clopper-Pearson)."""


@dataclass(frozen=True, slots=True, eq=False)
class MoldWindow:
    """When to demold a mold."""

    mold: str
    title: str
    mix: str | None
    temperature_degc: float
    wet_until_h: float | None
    window: DemoldWindow
    costs: Costs
    costs_assumed: bool
    """Nobody said what a piece or the mold's time costs: common practice is taken."""
    advice: str
    learnt_also: str
    """From how many pieces of other molds of its design it was learnt as well; empty where it is of none."""
    features: tuple[FeatureRisk, ...]
    history: tuple[KeptWindow, ...]
    risk: MoldRisk
    strength: StrengthByAge
    points: LossPoints
    groups: tuple[AgeGroup, ...]

    def as_json(self) -> dict[str, Any]:
        """Give what `inspector window --json` prints."""
        window = self.window
        return {
            "mold": self.mold,
            "earliest_h": _rounded(window.earliest_h),
            "latest_h": _rounded(window.latest_h),
            "cheapest_h": _rounded(window.cheapest_h),
            "target_loss": window.target_loss,
            "loss_at_earliest": None if window.loss_at_earliest is None else interval_json(window.loss_at_earliest),
            "theta": interval_json(window.theta),
            "beta": interval_json(window.beta),
            "floor": interval_json(window.floor),
            "pieces": window.pieces,
            "lost": window.lost,
            "enough_evidence": window.verdict == "settled",
            "verdict": window.verdict,
            "advice": self.advice,
            **({"learnt_also": self.learnt_also} if self.learnt_also else {}),
            "more": None
            if window.more is None
            else {
                "pieces": window.more.pieces,
                "age_h": window.more.age_h,
                "probability": round(window.more.probability, 3),
            },
            "temperature_c": self.temperature_degc,
            "wet_until_h": self.wet_until_h,
            "mix": self.mix,
            "piece_cost": self.costs.piece,
            "mold_hour_cost": self.costs.mold_hour,
            "turnaround_h": self.costs.turnaround_h,
            "costs_assumed": self.costs_assumed,
            "features": [
                {
                    "feature": feature.name,
                    "lost": feature.lost,
                    "earliest_h": _rounded(feature.earliest_h),
                    "loss_at_earliest": None
                    if feature.loss_at_earliest is None
                    else interval_json(feature.loss_at_earliest),
                    "theta": interval_json(feature.theta),
                }
                for feature in self.features
            ],
            "history": [
                {
                    "at": kept.at.isoformat(timespec="seconds"),
                    "earliest_h": _rounded(kept.earliest_h),
                    "latest_h": _rounded(kept.latest_h),
                    "temperature_c": kept.temperature_degc,
                    "enough_evidence": kept.enough_evidence,
                    "pieces_before": kept.pieces_before,
                    "lost_before": kept.lost_before,
                    "pieces_after": kept.pieces_after,
                    "lost_after": kept.lost_after,
                    "too_early_after": kept.too_early_after,
                }
                for kept in self.history
            ],
        }


MONTH_COLUMNS = ("month", "pieces", "lost", "expected", "limits", "median age", "")


@dataclass(frozen=True, slots=True)
class MonthOfLosses:
    """Losses of one month against what was to be expected."""

    month: str
    """As in `2026-03`."""
    pieces: int
    lost: int
    expected: float
    lower: float
    upper: float
    """Limits of the number lost."""
    median_age_h: float

    @property
    def outside(self) -> bool:
        """Whether more or fewer were lost than the limits allow."""
        return not self.lower <= self.lost <= self.upper

    @property
    def cells(self) -> tuple[str, ...]:
        """What a table says of the month, under ``MONTH_COLUMNS``."""
        return (
            self.month,
            str(self.pieces),
            str(self.lost),
            f"{self.expected:.1f}",
            f"{self.lower:.1f} to {self.upper:.1f}",
            f"{self.median_age_h:.0f} h",
            "outside the limits" if self.outside else "",
        )


@dataclass(frozen=True, slots=True)
class FeatureShare:
    """How often a feature is lost."""

    name: str
    lost: int
    share: float
    """Of all pieces."""


@dataclass(frozen=True, slots=True, eq=False)
class MoldTrends:
    """Losses of a mold over time, and why."""

    mold: str
    title: str
    pieces: int
    lost: int
    expected: float
    learnt_also: str
    """As in `MoldWindow`."""
    sentences: tuple[str, ...]
    """One a cause, what cost most first; one that nothing stands out otherwise."""
    causes: tuple[Cause, ...]
    months: tuple[MonthOfLosses, ...]
    features: tuple[FeatureShare, ...]
    running: NDArray[np.float64]
    running_limit: float
    false_alarm_every: float
    alarm_at: datetime | None

    def as_json(self) -> dict[str, Any]:
        """Give what `inspector trends --json` prints."""
        return {
            "mold": self.mold,
            "pieces": self.pieces,
            "lost": self.lost,
            "expected": round(self.expected, 2),
            **({"learnt_also": self.learnt_also} if self.learnt_also else {}),
            "sentences": list(self.sentences),
            "causes": [_cause_json(cause) for cause in self.causes],
            "months": [
                {
                    "month": month.month,
                    "pieces": month.pieces,
                    "lost": month.lost,
                    "expected": round(month.expected, 2),
                    "lower": round(month.lower, 2),
                    "upper": round(month.upper, 2),
                    "outside": month.outside,
                    "median_age_h": round(month.median_age_h, 1),
                }
                for month in self.months
            ],
            "features": [
                {"feature": feature.name, "lost": feature.lost, "share": round(feature.share, 4)}
                for feature in self.features
            ],
            "running_sum": {
                "last": round(float(self.running[-1]), 3) if len(self.running) else 0.0,
                "limit": round(self.running_limit, 3),
                "false_alarm_every_pieces": round(self.false_alarm_every),
                "alarm_at": None if self.alarm_at is None else self.alarm_at.isoformat(timespec="seconds"),
            },
        }


@dataclass(frozen=True, slots=True)
class ConditionEffect:
    """What a condition does to the strength that pieces need."""

    name: str
    strength_change: Interval
    """Share by which a piece must be stronger (above 0) or may be weaker (below 0) to come out as whole."""


@dataclass(frozen=True, slots=True)
class ShopTrends:
    """Losses of a workshop."""

    molds: tuple[MoldTrends, ...]
    effects: tuple[ConditionEffect, ...]
    pour_spread: float
    """By how much pours differ: standard deviation of their log odds of loss. [-]"""

    @property
    def pour_factor(self) -> float:
        """By which factor the odds of loss of one pour in three are above or below the usual ones, or more. [-]"""
        return float(np.exp(self.pour_spread))


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is expected of pieces demolded in one way."""

    age_h: float
    temperature_degc: float
    wet_until_h: float | None
    strength_fraction: float
    loss: Interval
    cost_per_good_piece: Interval


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What another way would change."""

    mold: str
    now: Scenario
    instead: Scenario
    loss_change: Interval
    cost_change: Interval
    costs_assumed: bool
    sentence: str
    beyond_tried: bool
    """One of the two lies at a strength that no piece of the mold was demolded at."""

    def as_json(self) -> dict[str, Any]:
        """Give what `inspector what-if --json` prints."""
        return {
            "mold": self.mold,
            "now": _scenario_json(self.now),
            "instead": _scenario_json(self.instead),
            "loss_change": interval_json(self.loss_change),
            "cost_change": interval_json(self.cost_change),
            "costs_assumed": self.costs_assumed,
            "beyond_tried": self.beyond_tried,
            "sentence": self.sentence,
        }


def interval_json(interval: Interval) -> dict[str, float]:
    """Give an interval as JSON has it."""
    return {"mean": round(interval.mean, 5), "low": round(interval.low, 5), "high": round(interval.high, 5)}


def _scenario_json(scenario: Scenario) -> dict[str, Any]:
    return {
        "age_h": round(scenario.age_h, 1),
        "temperature_c": scenario.temperature_degc,
        "wet_until_h": scenario.wet_until_h,
        "strength_fraction": round(scenario.strength_fraction, 4),
        "loss": interval_json(scenario.loss),
        "cost_per_good_piece": interval_json(scenario.cost_per_good_piece),
    }


def _cause_json(cause: Cause) -> dict[str, Any]:
    rounded = {name: round(value, 4) if isinstance(value, float) else value for name, value in asdict(cause).items()}
    return {"cause": _CAUSE_NAMES[type(cause).__name__], **rounded}


_CAUSE_NAMES = {"YoungLoss": "opened early", "Wear": "every age", "PourLoss": "pour", "ColdLoss": "cold"}


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)

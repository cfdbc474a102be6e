"""What is learnt about losses from all molds at once, as it is kept in the log between one refit and the next.

In a large log that takes minutes, which no page can wait for. Each mold is learnt anew from its own pieces then.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import numpy as np

from inspector.risk import (
    PRACTICE_PRIOR,
    BadPour,
    Effects,
    ParameterPrior,
    Population,
    Prior,
    fit_features,
    gather_evidence,
    learn,
)
from inspector.workshop.loss_results import MoldTrends, MoldWindow, MonthOfLosses
from inspector.workshop.shop_evidence import Condition

__all__ = ["MoldOutlook", "SharedLosses", "mold_outlook", "months_text", "nothing_shared", "read_months"]


@dataclass(frozen=True, slots=True, eq=False)
class SharedLosses:
    """What all molds tell about any of them."""

    as_of: datetime | None
    """When it was learnt; None where it is practice alone."""
    conditions: tuple[Condition, ...]
    population: Population
    feature_population: Population
    bad_pours: tuple[BadPour, ...]
    pour_spread: float
    """By how much sound pours differ: standard deviation of their log odds of loss. [-]"""

    def as_text(self) -> str:
        """Give it as JSON, without what was to be expected of each piece."""
        return json.dumps(
            {
                "as_of": None if self.as_of is None else self.as_of.isoformat(),
                "conditions": [asdict(condition) for condition in self.conditions],
                "population": _population_json(self.population),
                "feature_population": _population_json(self.feature_population),
                "bad_pours": [asdict(pour) for pour in self.bad_pours],
                "pour_spread": self.pour_spread,
            }
        )

    @classmethod
    def read(cls, text: str) -> "SharedLosses":
        """Read what `as_text` gave."""
        said = json.loads(text)
        return cls(
            as_of=None if said["as_of"] is None else datetime.fromisoformat(said["as_of"]),
            conditions=tuple(Condition(**condition) for condition in said["conditions"]),
            population=_population(said["population"]),
            feature_population=_population(said["feature_population"]),
            bad_pours=tuple(BadPour(**pour) for pour in said["bad_pours"]),
            pour_spread=said["pour_spread"],
        )


@dataclass(frozen=True, slots=True)
class MoldOutlook:
    """A mold in lists of all molds: its window, and whether it loses more than it did."""

    mold: str
    title: str
    pieces: int
    lost: int
    verdict: str
    earliest_h: float | None
    temperature_degc: float
    advice: str
    alarm_at: datetime | None
    sentences: tuple[str, ...]
    needed_by_mix: Mapping[str, float | None]
    """Strength fraction from which the loss is under the target, by mix; `` where the mix is not known. [-]"""

    def as_text(self) -> str:
        """Give it as JSON."""
        return json.dumps({**asdict(self), "alarm_at": None if self.alarm_at is None else self.alarm_at.isoformat()})

    @classmethod
    def read(cls, text: str) -> "MoldOutlook":
        """Read what `as_text` gave."""
        said: dict[str, Any] = json.loads(text)
        at = said["alarm_at"]
        said |= {"sentences": tuple(said["sentences"]), "alarm_at": None if at is None else datetime.fromisoformat(at)}
        return cls(**said)


def mold_outlook(
    window: MoldWindow, trends: MoldTrends | None, needed_by_mix: Mapping[str, float | None] | None = None
) -> MoldOutlook:
    """Sum up what was worked out of a mold, with its trends or without."""
    return MoldOutlook(
        mold=window.mold,
        title=window.title,
        pieces=window.window.pieces,
        lost=window.window.lost,
        verdict=window.window.verdict,
        earliest_h=window.window.earliest_h,
        temperature_degc=window.temperature_degc,
        advice=window.advice,
        alarm_at=None if trends is None else trends.alarm_at,
        sentences=() if trends is None else trends.sentences,
        needed_by_mix=needed_by_mix or {},
    )


def months_text(months: Sequence[MonthOfLosses]) -> str:
    """Give a mold's months as JSON."""
    return json.dumps([asdict(month) for month in months])


def read_months(text: str | None) -> tuple[MonthOfLosses, ...]:
    """Read what `months_text` gave; none where nothing was kept."""
    return () if text is None else tuple(MonthOfLosses(**said) for said in json.loads(text))


def nothing_shared() -> SharedLosses:
    """Give what practice knows, before anything was learnt from molds."""
    nothing = gather_evidence(units=0, unit=[], strength_fraction=[], lost=[])
    features, _ = fit_features(mold=[], strength_fraction=[], lost=[], molds=())
    return SharedLosses(
        as_of=None,
        conditions=(),
        population=learn(nothing, PRACTICE_PRIOR).population,
        feature_population=features,
        bad_pours=(),
        pour_spread=0.0,
    )


def _population_json(population: Population) -> dict[str, Any]:
    effects = population.effects
    return {
        "prior": asdict(population.prior),
        "effects": {
            "names": list(effects.names),
            "centre": effects.centre.tolist(),
            "log_change": effects.log_change.tolist(),
            "covariance": effects.covariance.tolist(),
            "overdispersion": effects.overdispersion,
        },
        "draws": population.draws.tolist(),
        "weights": population.weights.tolist(),
        "changes": population.changes.tolist(),
    }


def _population(said: Mapping[str, Any]) -> Population:
    prior, effects, draws = said["prior"], said["effects"], np.array(said["draws"])
    size = len(effects["names"])
    parameters = {name: ParameterPrior(**prior[name]) for name in ("log_tenth", "log_beta", "logit_floor")}
    return Population(
        prior=Prior(**parameters, condition_sd=prior["condition_sd"]),
        effects=Effects(
            names=tuple(effects["names"]),
            centre=np.array(effects["centre"], dtype=float),
            log_change=np.array(effects["log_change"], dtype=float),
            covariance=np.array(effects["covariance"], dtype=float).reshape(size, size),
            expected_loss=np.zeros(0),
            overdispersion=effects["overdispersion"],
        ),
        draws=draws,
        weights=np.array(said["weights"]),
        changes=np.array(said["changes"], dtype=float).reshape(len(draws), size),
    )

"""How likely a candidate is damage, and of which kind.

One logistic model for each source of candidates, fitted to scored photos of the tuning split by
``tests/benchmarks/fit_confidence.py``; its weights lie in ``confidence.json`` beside this file.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspector.inspection.candidates import Candidate
from inspector.inspection.results import Kind

__all__ = ["JUDGED_ALONE", "Weights", "bent", "confidence_of", "is_shown", "kind_of"]

# From which probability a candidate is shown, by source: chosen on the tuning split, molds left out in turn, for a
# fifth of a false finding on a good piece, all sources together, against three references. Dark lines beside the crack
# map found nothing there that it had missed; the surest are shown, for cracks unlike those that it learnt from.
SHOWN_FROM = {"outline": 0.5, "excess": 0.5, "damage": 0.25, "crack": 0.4, "line": 0.7, "relief": 0.3, "bare line": 0.4}
# Sources that are judged a second time without what the networks say, and the numbers that these are.
JUDGED_ALONE = {"outline": ("lost_odds", "damage_odds")}

# Common practice, no source: a piece of more than this is missed at a glance, less is a chip. A hollow inside the
# outline is a chip for longer: on the tuning split the two part best there.
FEATURE_MM2 = {"outline": 25.0, "damage": 45.0, "relief": 45.0}
FEATURE_THICK_MM = 3.5
# A pit is dark and about as wide as long.
PIT_DARKER = 0.25
PIT_LONGER = 1.7


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """A fitted model."""

    names: tuple[str, ...]
    centre: NDArray[np.float64]
    scale: NDArray[np.float64]
    weight: NDArray[np.float64]
    intercept: float

    @classmethod
    def read(cls, content: dict[str, Any]) -> Self:
        """Read a model as `fit_confidence` writes it."""

        def column(key: str) -> NDArray[np.float64]:
            return np.array([part[key] for part in content["numbers"]], dtype=float)

        names = tuple(part["name"] for part in content["numbers"])
        return cls(names, column("centre"), column("scale"), column("weight"), content["intercept"])

    def probability(self, numbers: Mapping[str, float]) -> float:
        """Probability of damage, 0 to 1."""
        values = bent([numbers[name] for name in self.names])
        odds = self.intercept + self.weight @ np.clip((values - self.centre) / self.scale, -4, 4)
        return float(1 / (1 + np.exp(-odds)))


def confidence_of(candidate: Candidate) -> float:
    """Probability that a candidate is damage, 0 to 1."""
    weights = _weights()
    learned = JUDGED_ALONE.get(candidate.source, ())
    ways = [candidate.source] if set(learned) <= candidate.numbers.keys() else []
    if learned:
        # The networks may not know photos like this one: what is clear without them counts too.
        ways.append(f"{candidate.source} alone")
    return max(weights[way].probability(candidate.numbers) for way in ways)


def is_shown(candidate: Candidate, confidence: float) -> bool:
    """Whether a candidate is likely enough to become a finding."""
    return confidence >= SHOWN_FROM[candidate.source]


def kind_of(candidate: Candidate) -> Kind:
    """What to call it."""
    numbers = candidate.numbers
    if candidate.path_xy is not None:
        return "hairline crack"
    if candidate.source == "excess":
        return "excess"
    if numbers["area_mm2"] >= FEATURE_MM2[candidate.source] and numbers["thick_mm"] >= FEATURE_THICK_MM:
        return "missing feature"
    if candidate.source in ("damage", "relief"):
        compact = numbers["length_mm"] < PIT_LONGER * numbers["width_mm"]
        if numbers["darkest"] > PIT_DARKER and compact and numbers["edge"] > 1.0:
            return "surface void"
    return "chip"


def bent(values: ArrayLike) -> NDArray[np.float64]:
    """Sizes over several orders, brought together: the sign times the log of one and three times the value."""
    array = np.asarray(values, dtype=float)
    return np.sign(array) * np.log1p(3 * np.abs(array))


@lru_cache(maxsize=1)
def _weights() -> dict[str, Weights]:
    """The fitted models: a constant of the program, kept as data."""
    text = files("inspector.inspection").joinpath("confidence.json").read_text(encoding="utf-8")
    return {source: Weights.read(content) for source, content in json.loads(text).items()}

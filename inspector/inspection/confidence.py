"""How likely a candidate is damage, and of which kind.

One logistic model for each source of candidates, fitted to scored photos of the tuning split by
``tests/benchmarks/fit_confidence.py``; its weights lie in ``confidence.json`` beside this file.
"""

from __future__ import annotations

import json
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspector.inspection.candidates import Candidate
from inspector.inspection.results import Kind

__all__ = ["REPORTED_FROM", "bent", "confidence_of", "kind_of"]

# From which probability a candidate is shown, by source: chosen on the tuning split for 0.3 false findings on a good
# piece at most, all sources together.
REPORTED_FROM = {"outline": 0.35, "excess": 0.8, "damage": 0.27, "line": 0.42}

# Common practice, no source: a piece of more than this is missed at a glance, less is a chip.
FEATURE_MM2 = 25.0
FEATURE_THICK_MM = 3.5
# A pit is dark and about as wide as long.
PIT_DARKER = 0.25
PIT_LONGER = 1.7


def confidence_of(candidate: Candidate) -> float:
    """Probability that a candidate is damage, 0 to 1."""
    model = _weights()[candidate.source]
    odds = model["intercept"]
    for part in model["numbers"]:
        value = float(bent(candidate.numbers[part["name"]]))
        odds += part["weight"] * np.clip((value - part["centre"]) / part["scale"], -4, 4)
    return float(1 / (1 + np.exp(-odds)))


def kind_of(candidate: Candidate) -> Kind:
    """What to call it."""
    numbers = candidate.numbers
    if candidate.source == "line":
        return "hairline crack"
    if candidate.source == "excess":
        return "excess"
    if numbers["area_mm2"] >= FEATURE_MM2 and numbers["thick_mm"] >= FEATURE_THICK_MM:
        return "missing feature"
    if candidate.source == "damage":
        compact = numbers["length_mm"] < PIT_LONGER * numbers["width_mm"]
        if numbers["darkest"] > PIT_DARKER and compact and numbers["edge"] > 1.0:
            return "surface void"
    return "chip"


def bent(values: ArrayLike) -> NDArray[np.float64]:
    """Sizes over several orders, brought together: the sign times the log of one and three times the value."""
    array = np.asarray(values, dtype=float)
    return np.sign(array) * np.log1p(3 * np.abs(array))


@lru_cache(maxsize=1)
def _weights() -> dict[str, Any]:
    """The fitted models: a constant of the program, kept as data."""
    text = files("inspector.inspection").joinpath("confidence.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded

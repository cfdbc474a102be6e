"""How likely a candidate is damage."""

from __future__ import annotations

import numpy as np

from inspector.inspection.candidates import Candidate
from inspector.inspection.results import Kind

__all__ = ["REPORTED_FROM", "confidence_of", "kind_of"]

REPORTED_FROM = 0.5


def confidence_of(candidate: Candidate) -> float:
    return 0.0


def kind_of(candidate: Candidate) -> Kind:
    return "chip"

"""What one inspection says, and its form in JSON and in rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["KINDS", "Feature", "Finding", "Inspection", "Kind", "SeenAs", "Status"]

Kind = Literal["missing feature", "chip", "hairline crack", "surface void", "excess"]
Status = Literal["inspected", "unusable"]
# What of the photo speaks for a finding, against the references.
SeenAs = Literal["outline lost", "outline grown", "surface changed", "dark line"]

KINDS: tuple[Kind, ...] = ("missing feature", "chip", "hairline crack", "surface void", "excess")


@dataclass(frozen=True, slots=True, eq=False)
class Feature:
    """A named region of a view that can break, in pixels of its reference photo."""

    name: str
    polygon_xy: NDArray[np.float64]  # (n, 2)


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One flagged place on one photo. Sizes are None where the photo has no scale."""

    kind: Kind
    polygon_xy: NDArray[np.float64]  # (n, 2) px of the photo as displayed, origin top left
    confidence: float  # probability that a person would agree, 0 to 1
    area_mm2: float | None
    length_mm: float | None  # largest extent; along the path for a crack
    width_mm: float | None  # extent across the length; mean opening for a crack
    depth_mm: float | None  # how far an outline was pushed in, else None
    feature: str | None
    confidence_alone: float | None = None  # before what reviewers said about the place; None where that changes nothing
    dismissed_on: int = 0  # pieces on which a mark at this place was dismissed
    seen_as: SeenAs | None = None  # None where an older program inspected the photo
    on_references: tuple[tuple[str, NDArray[np.float64]], ...] = ()  # the outline in px of each reference, by its name
    tortuosity: float | None = None  # of a crack: its path over the way between its ends; None where they meet

    def as_json(self) -> dict[str, Any]:
        """The finding as the JSON contract has it."""
        return {
            "kind": self.kind,
            "polygon": [[round(float(x), 1), round(float(y), 1)] for x, y in self.polygon_xy],
            "confidence": round(self.confidence, 3),
            "area_mm2": _rounded(self.area_mm2, 2),
            "length_mm": _rounded(self.length_mm, 2),
            "width_mm": _rounded(self.width_mm, 3),
            "depth_mm": _rounded(self.depth_mm, 2),
            "feature": self.feature,
        }


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """What one photo shows against the references of its mold and view."""

    photo: str
    status: Status
    reason: str | None  # why it is unusable and what to do, else None
    score: float  # probability that the piece has any defect
    px_per_mm: float | None
    reference: str | None  # the nearest reference
    seconds: float
    findings: tuple[Finding, ...] = ()
    warnings: tuple[str, ...] = ()  # what would make the next photo better
    photo_from_reference: NDArray[np.float64] | None = None  # (3, 3) px of that reference to px of the photo
    not_counted: tuple[Finding, ...] = ()  # would be findings, had reviewers not dismissed marks at their places

    def as_json(self) -> dict[str, Any]:
        """The inspection as the JSON contract has it."""
        return {
            "photo": self.photo,
            "status": self.status,
            "reason": self.reason,
            "score": round(self.score, 3),
            "px_per_mm": _rounded(self.px_per_mm, 3),
            "reference": self.reference,
            "seconds": round(self.seconds, 3),
            "findings": [finding.as_json() for finding in self.findings],
        }

    def as_rows(self) -> list[dict[str, Any]]:
        """One flat dict a finding, ready for ``pandas.DataFrame``; none for a clean piece."""
        head = {"photo": self.photo, "status": self.status, "score": self.score, "px_per_mm": self.px_per_mm}
        rows = []
        for finding in self.findings:
            row = finding.as_json()
            polygon = row.pop("polygon")
            more = {"tortuosity": _rounded(finding.tortuosity, 2), "seen_as": finding.seen_as}
            rows.append({**head, **row, **more, "polygon": polygon, "reference": self.reference})
        return rows


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)

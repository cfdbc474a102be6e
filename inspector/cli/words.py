"""Figures in plain words: sizes, ages, findings and what became of a piece."""

from collections import Counter
from collections.abc import Iterable
from typing import Protocol

__all__ = ["age_words", "count_words", "describe_finding", "kinds_words", "percent", "time_words"]

from datetime import datetime


class SizedFinding(Protocol):
    """What findings of the engine and of the log have in common."""

    @property
    def kind(self) -> str: ...
    @property
    def confidence(self) -> float: ...
    @property
    def length_mm(self) -> float | None: ...
    @property
    def width_mm(self) -> float | None: ...
    @property
    def feature(self) -> str | None: ...
    @property
    def seen_as(self) -> str | None: ...


def describe_finding(finding: SizedFinding) -> str:
    """Describe a finding in a line: `chip, 6.1 x 3.0 mm, left wing tip, 93 % sure (outline lost)`."""
    parts = [finding.kind]
    if finding.length_mm is not None and finding.width_mm is not None:
        parts.append(
            f"{finding.length_mm:.0f} mm long, {finding.width_mm:.2f} mm wide"
            if finding.kind == "hairline crack"
            else f"{finding.length_mm:.1f} x {finding.width_mm:.1f} mm"
        )
    if finding.feature is not None:
        parts.append(finding.feature)
    parts.append(f"{finding.confidence:.0%} sure".replace("%", " %"))
    told = "" if finding.seen_as is None else f" ({finding.seen_as})"
    return ", ".join(parts) + told


def age_words(demold_age_h: float | None) -> str:
    """Demold age: `26.5 h`, or that it is not known."""
    return "unknown" if demold_age_h is None else f"{demold_age_h:.1f} h"


def time_words(at: datetime | None) -> str:
    """A time as it was given: `2026-05-04 16:30 +0200`."""
    return "unknown" if at is None else f"{at:%Y-%m-%d %H:%M %z}"


def kinds_words(kinds: Iterable[str]) -> str:
    """Findings by kind: `2 chips, 1 hairline crack`, or `nothing`."""
    counts = Counter(kinds)
    return ", ".join(count_words(number, kind) for kind, number in counts.items()) or "nothing"


def percent(share: float) -> str:
    """A share in whole percent: `62 %`."""
    return f"{100 * share:.0f} %"


def count_words(number: int, what: str) -> str:
    """A number with its noun: `1 photo`, `2 photos`."""
    return f"{number} {what}" if number == 1 or what == "excess" else f"{number} {what}s"

"""Figures in the words of the workshop: ages, sizes, confidence, scores, what was flagged, times."""

from collections import Counter
from collections.abc import Iterable
from datetime import datetime

from inspector.risk import exact_interval
from inspector.workshop import (
    KINDS,
    Disposition,
    LastWord,
    LoggedFinding,
    Mix,
    Month,
    Outcome,
    Piece,
    Review,
    Role,
    UncountedMark,
    Verdict,
)

__all__ = [
    "age",
    "became",
    "clock",
    "confidence",
    "count",
    "day",
    "decided",
    "file_size",
    "flagged",
    "last_said",
    "mix",
    "mold_name",
    "month",
    "place_in_queue",
    "rights",
    "said",
    "score",
    "share",
    "share_of",
    "share_of_told",
    "share_range",
    "size",
    "standing",
    "verdict",
]

_PLURAL = {
    "missing feature": "missing features",
    "chip": "chips",
    "hairline crack": "hairline cracks",
    "surface void": "surface voids",
    "excess": "places with excess",
}
_ONE = {**{kind: kind for kind in KINDS}, "excess": "place with excess"}

# Lower bounds, highest first. The words are common practice for probabilities, no source.
_CONFIDENCE_WORDS = ((0.9, "almost certain"), (0.7, "likely"), (0.5, "perhaps"), (0.0, "not sure"))
_SCORE_WORDS = (
    (0.8, "very likely damaged"),
    (0.5, "probably damaged"),
    (0.2, "perhaps damaged"),
    (0.0, "looks good"),
)

_RIGHTS: dict[Role, str] = {
    "see": "look",
    "record": "look and record",
    "manage": "look, record and manage",
}
_BECAME = {"sell": "good enough to sell", "second": "a second", "repair": "to be repaired", "scrap": "scrap"}
# EN 197-1 strength development, as EN 1992-1-1 3.1.2(6) names the classes.
_CEMENTS = {"S": "slow", "N": "normal", "R": "rapid"}


def age(hours: float | None) -> str:
    """A demold age: `31 h`, or `age unknown`."""
    return "age unknown" if hours is None else f"{_short(hours)} h"


def size(finding: LoggedFinding | UncountedMark) -> str:
    """The size of a finding in mm, as it is said of its kind."""
    if finding.length_mm is None:
        return "size unknown: no photo mat in the photo"
    if finding.kind == "hairline crack":
        wide = "" if finding.width_mm is None else f", {finding.width_mm:.2f} mm wide"
        return f"{_short(finding.length_mm)} mm long{wide}"
    across = "" if finding.width_mm is None else f" × {_short(finding.width_mm)}"
    depth_mm = None if isinstance(finding, UncountedMark) else finding.depth_mm
    deep = "" if depth_mm is None else f", {_short(depth_mm)} mm deep"
    return f"{_short(finding.length_mm)}{across} mm{deep}"


def rights(role: Role) -> str:
    """What a role may do."""
    return _RIGHTS[role]


def confidence(probability: float) -> str:
    """How sure the program is of a finding: `likely (74 %)`."""
    return f"{_worded(probability, _CONFIDENCE_WORDS)} ({_percent(probability)})"


def score(probability: float | None) -> str:
    """How a piece looks as a whole: `probably damaged (74 %)`."""
    if probability is None:
        return "could not be judged"
    return f"{_worded(probability, _SCORE_WORDS)} ({_percent(probability)})"


def flagged(kinds: Iterable[str]) -> str:
    """What was flagged, counted: `1 missing feature, 2 chips`, or `nothing flagged`."""
    counts = Counter(kinds)
    worded = [f"{counts[kind]} {_ONE[kind] if counts[kind] == 1 else _PLURAL[kind]}" for kind in KINDS if counts[kind]]
    return ", ".join(worded) or "nothing flagged"


def verdict(held: Verdict | None) -> str:
    """What is held of a finding: `confirmed`, or `nobody has looked at it yet`."""
    return "nobody has looked at it yet" if held is None else held


def said(review: Review) -> str:
    """What a person said about a finding: `kind changed to excess`, `took that back`."""
    if review.undoes_id is not None:
        return "took that back"
    return f"kind changed to {review.kind}" if review.verdict == "kind changed" else verdict(review.verdict)


def decided(word: Disposition) -> str:
    """What a person said that becomes of a piece: `scrap`, `took that back`."""
    return "took that back" if word.undoes_id is not None else word.outcome or "waiting"


def became(outcome: Outcome) -> str:
    """What became of a piece, to somebody who does not know the words of the workshop: `to be repaired`."""
    return _BECAME[outcome]


def standing(finding: LoggedFinding) -> str:
    """Who says that a finding is there: `confirmed by a person`."""
    if finding.drawn_by:
        return "outlined by a person"
    if finding.verdict is None:
        return f"flagged by the program, {confidence(finding.confidence)}; nobody has looked yet"
    if finding.verdict == "kind changed":
        return f"confirmed by a person, who changed it from {finding.kind_found}"
    return "dismissed by a person" if finding.verdict == "dismissed" else "confirmed by a person"


def mix(recipe: Mix | None) -> str:
    """What a mix is made of, in a line."""
    if recipe is None:
        return "not known"
    parts = [
        f"{_CEMENTS[recipe.cement_class]} cement (class {recipe.cement_class})",
        f"water-cement ratio {recipe.water_cement_ratio:g}",
        *([recipe.aggregate] if recipe.aggregate else []),
        *(f"{item.dose_percent:g} % {item.name}" for item in recipe.admixtures),
        *([recipe.fibres] if recipe.fibres else []),
    ]
    return f"{recipe.name}: {', '.join(parts)}"


def share(fraction: float) -> str:
    """A share in percent: `4.2 %`, `42 %`."""
    return f"{_percent_figure(fraction)} %"


def share_of(lost: int, total: int) -> str:
    """A share of counted pieces with its exact 90 % interval: `2.9 % (1.7 to 4.6 %)`."""
    return _counted_share(lost, total, "")


def share_of_told(lost: int, total: int) -> str:
    """The same, where nothing else says what the interval is: `2.9 % (90 % interval 1.7 to 4.6 %)`."""
    return _counted_share(lost, total, "90 % interval ")


def share_range(low: float, high: float) -> str:
    """A range of shares: `1.6 to 4.9 %`."""
    return f"{_percent_figure(low)} to {_percent_figure(high)} %"


def last_said(word: LastWord) -> str:
    """What can be taken back, short enough for a button: `dismissed`, `scrap`, `note`."""
    if isinstance(word.said, Review):
        return verdict(word.said.verdict)
    return decided(word.said) if isinstance(word.said, Disposition) else "note"


def mold_name(piece: Piece) -> str:
    """The mold of a piece as people call it."""
    return piece.mold_title or piece.mold


def place_in_queue(before: int) -> str:
    """How it stands with a photo that is kept and not inspected yet: `Busy: 3 before yours`."""
    if not before:
        return "It is inspected next"
    return f"Busy: {before} before yours"


def clock(time: datetime) -> str:
    """A time in this machine's time zone: `Tue 24 Nov 2026, 16:10`."""
    local = time.astimezone()
    return f"{local:%a} {local.day} {local:%b %Y, %H:%M}"


def day(time: datetime) -> str:
    """A day in this machine's time zone: `24 Nov 2026`."""
    local = time.astimezone()
    return f"{local.day} {local:%b %Y}"


def month(which: Month) -> str:
    """A month: `March 2026`."""
    return f"{which.start:%B %Y}"


def count(number: int, what: str) -> str:
    """A number with its noun: `1 piece`, `12 pieces`."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def file_size(byte_count: int) -> str:
    """The size of a file: `3.2 MB`, `48 kB`."""
    if byte_count >= 1_000_000:
        return f"{byte_count / 1_000_000:.1f} MB"
    return f"{max(1, round(byte_count / 1000))} kB"


def _short(value: float) -> str:
    """Whole from 10 on, one decimal below."""
    return f"{value:.0f}" if abs(value) >= 9.95 else f"{value:.1f}"


def _counted_share(lost: int, total: int, told: str) -> str:
    if not total:
        return "no piece yet"
    exact = exact_interval(lost, total)
    return f"{share(exact.mean)} ({told}{share_range(exact.low, exact.high)})"


def _percent_figure(fraction: float) -> str:
    """Whole percent from 10 on, one decimal below."""
    return f"{100 * fraction:.1f}" if abs(fraction) < 0.0995 else f"{100 * fraction:.0f}"


def _percent(probability: float) -> str:
    """Whole percent; never 0 or 100, which nobody can promise."""
    return f"{min(99, max(1, round(probability * 100)))}\N{NO-BREAK SPACE}%"


def _worded(probability: float, words: tuple[tuple[float, str], ...]) -> str:
    return next(word for least, word in words if probability >= least)

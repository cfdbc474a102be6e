"""Figures in the words of the workshop: ages, sizes, confidence, scores, what was flagged, times."""

from collections import Counter
from collections.abc import Iterable
from datetime import datetime

from inspector.workshop import KINDS, Disposition, LastWord, LoggedFinding, Piece, Review, UncountedMark, Verdict

__all__ = [
    "age",
    "clock",
    "confidence",
    "decided",
    "file_size",
    "flagged",
    "last_said",
    "mold_name",
    "said",
    "score",
    "size",
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
    depth_mm = finding.depth_mm if isinstance(finding, LoggedFinding) else None
    deep = "" if depth_mm is None else f", {_short(depth_mm)} mm deep"
    return f"{_short(finding.length_mm)}{across} mm{deep}"


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


def last_said(word: LastWord) -> str:
    """What can be taken back, short enough for a button: `dismissed`, `scrap`, `note`."""
    if isinstance(word.said, Review):
        return verdict(word.said.verdict)
    return decided(word.said) if isinstance(word.said, Disposition) else "note"


def mold_name(piece: Piece) -> str:
    """The mold of a piece as people call it."""
    return piece.mold_title or piece.mold


def clock(time: datetime) -> str:
    """A time in this machine's time zone: `Tue 24 Nov 2026, 16:10`."""
    local = time.astimezone()
    return f"{local:%a} {local.day} {local:%b %Y, %H:%M}"


def file_size(byte_count: int) -> str:
    """The size of a file: `3.2 MB`, `48 kB`."""
    if byte_count >= 1_000_000:
        return f"{byte_count / 1_000_000:.1f} MB"
    return f"{max(1, round(byte_count / 1000))} kB"


def _short(value: float) -> str:
    """Whole from 10 on, one decimal below."""
    return f"{value:.0f}" if abs(value) >= 9.95 else f"{value:.1f}"


def _percent(probability: float) -> str:
    """Whole percent; never 0 or 100, which nobody can promise."""
    return f"{min(99, max(1, round(probability * 100)))}\N{NO-BREAK SPACE}%"


def _worded(probability: float, words: tuple[tuple[float, str], ...]) -> str:
    return next(word for least, word in words if probability >= least)

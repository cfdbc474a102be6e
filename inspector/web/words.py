"""Figures in the words of the workshop, in the language of who reads them: ages, sizes, confidence, findings."""

from collections import Counter
from collections.abc import Iterable

from inspector.risk import exact_interval
from inspector.web.language import mark, ntr, tr
from inspector.web.quantities import crack_width, length, lengths, month_name, number, plain, short
from inspector.workshop import (
    KINDS,
    BreakWord,
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
    UnitSystem,
    Verdict,
)

__all__ = [
    "age",
    "became",
    "break_word",
    "confidence",
    "decided",
    "file_size",
    "flagged",
    "kind",
    "last_said",
    "mix",
    "mold_name",
    "month",
    "month_of",
    "outcome",
    "photo_outcome",
    "pieces",
    "place_in_queue",
    "places",
    "rights",
    "said",
    "score",
    "seen_as",
    "sentence_case",
    "share",
    "share_of",
    "share_of_told",
    "share_range",
    "size",
    "standing",
    "unit_system",
    "verdict",
    "whole_percent",
]

# What the log says in one word, as pages say it.
_KINDS = {
    "missing feature": mark("missing feature"),
    "chip": mark("chip"),
    "hairline crack": mark("hairline crack"),
    "surface void": mark("surface void"),
    "excess": mark("excess"),
}
_SEEN_AS = {
    "outline lost": mark("Part of the outline is gone"),
    "outline grown": mark("More concrete than on good pieces"),
    "surface changed": mark("The surface differs from good pieces"),
    "dark line": mark("A dark line that good pieces lack"),
}
_VERDICTS = {
    "confirmed": mark("confirmed"),
    "dismissed": mark("dismissed"),
    "kind changed": mark("kind changed"),
    "outline corrected": mark("outline corrected"),
}
_OUTCOMES: dict[Outcome, str] = {
    "sell": mark("sell"),
    "second": mark("second"),
    "repair": mark("repair"),
    "scrap": mark("scrap"),
}
_BREAKS: dict[BreakWord, str] = {
    "crumbles": mark("crumbles"),
    "snaps with a sandy face": mark("snaps with a sandy face"),
    "snaps clean": mark("snaps clean"),
}

_PHOTO_OUTCOMES = {
    "clear": mark("clear"),
    "flagged": mark("flagged"),
    "could not be used": mark("could not be used"),
    "kept": mark("kept"),
}
_UNIT_SYSTEMS: dict[UnitSystem, str] = {
    "metric": mark("metric units: mm, °C, MPa"),
    "us": mark("US customary units: in, °F, psi"),
}

# Lower bounds, highest first. The words are common practice for probabilities, no source.
_CONFIDENCE_WORDS = (
    (0.9, mark("almost certain")),
    (0.7, mark("likely")),
    (0.5, mark("perhaps")),
    (0.0, mark("not sure")),
)
_SCORE_WORDS = (
    (0.8, mark("very likely damaged")),
    (0.5, mark("probably damaged")),
    (0.2, mark("perhaps damaged")),
    (0.0, mark("looks good")),
)

_RIGHTS: dict[Role, str] = {
    "see": mark("look"),
    "record": mark("look and record"),
    "manage": mark("look, record and manage"),
}
_BECAME: dict[Outcome, str] = {
    "sell": mark("good enough to sell"),
    "second": mark("a second"),
    "repair": mark("to be repaired"),
    "scrap": mark("scrap"),
}
# EN 197-1 strength development, as EN 1992-1-1 3.1.2(6) names the classes.
_CEMENTS = {
    "S": mark("slow cement (class S)"),
    "N": mark("normal cement (class N)"),
    "R": mark("rapid cement (class R)"),
}


def age(hours: float | None) -> str:
    """A demold age: `31 h`, or `age unknown`."""
    return tr("age unknown") if hours is None else f"{short(hours)} h"


def kind(of: str) -> str:
    """A kind of finding: `chip`."""
    return tr(_KINDS[of])


def seen_as(of: str) -> str:
    """What of the photo speaks for a finding: `Part of the outline is gone`."""
    return tr(_SEEN_AS[of])


def break_word(word: BreakWord) -> str:
    """How a scrap broke: `snaps clean`."""
    return tr(_BREAKS[word])


def outcome(of: Outcome | None) -> str:
    """What becomes of a piece: `scrap`, or `waiting`."""
    return tr("waiting") if of is None else tr(_OUTCOMES[of])


def photo_outcome(of: str) -> str:
    """What became of a photo that was sent: `flagged`."""
    return tr(_PHOTO_OUTCOMES[of])


def unit_system(units: UnitSystem) -> str:
    """Units, by those that a caster meets: `millimetres, °C, MPa`."""
    return tr(_UNIT_SYSTEMS[units])


def size(finding: LoggedFinding | UncountedMark) -> str:
    """The size of a finding, as it is said of its kind: `24 × 10 mm, 2.2 mm deep`."""
    if finding.length_mm is None:
        return tr("size unknown: no photo mat in the photo")
    if finding.kind == "hairline crack":
        if finding.width_mm is None:
            return tr("%(length)s long", length=length(finding.length_mm))
        wide = crack_width(finding.width_mm)
        return tr("%(length)s long, %(width)s wide", length=length(finding.length_mm), width=wide)
    across = lengths(finding.length_mm, *([] if finding.width_mm is None else [finding.width_mm]))
    depth_mm = None if isinstance(finding, UncountedMark) else finding.depth_mm
    if depth_mm is None:
        return across
    return tr("%(size)s, %(depth)s deep", size=across, depth=length(depth_mm))


def rights(role: Role) -> str:
    """What a role may do."""
    return tr(_RIGHTS[role])


def confidence(probability: float) -> str:
    """How sure the program is of a finding: `likely (74 %)`."""
    return f"{_worded(probability, _CONFIDENCE_WORDS)} ({_percent(probability)})"


def score(probability: float | None) -> str:
    """How a piece looks as a whole: `probably damaged (74 %)`."""
    if probability is None:
        return tr("could not be judged")
    return f"{_worded(probability, _SCORE_WORDS)} ({_percent(probability)})"


def flagged(kinds: Iterable[str]) -> str:
    """What was flagged, counted: `1 missing feature, 2 chips`, or `nothing flagged`."""
    counts = Counter(kinds)
    worded = [_counted(kind, counts[kind]) for kind in KINDS if counts[kind]]
    return ", ".join(worded) or tr("nothing flagged")


def _counted(kind: str, count: int) -> str:
    match kind:
        case "missing feature":
            return ntr("%(count)s missing feature", "%(count)s missing features", count)
        case "chip":
            return ntr("%(count)s chip", "%(count)s chips", count)
        case "hairline crack":
            return ntr("%(count)s hairline crack", "%(count)s hairline cracks", count)
        case "surface void":
            return ntr("%(count)s surface void", "%(count)s surface voids", count)
        case _:
            return ntr("%(count)s place with excess", "%(count)s places with excess", count)


def verdict(held: Verdict | None) -> str:
    """What is held of a finding: `confirmed`, or `nobody has looked at it yet`."""
    return tr("nobody has looked at it yet") if held is None else tr(_VERDICTS[held])


def said(review: Review) -> str:
    """What a person said about a finding: `kind changed to excess`, `took that back`."""
    if review.undoes_id is not None:
        return tr("took that back")
    if review.verdict == "kind changed" and review.kind is not None:
        return tr("kind changed to %(kind)s", kind=kind(review.kind))
    return verdict(review.verdict)


def decided(word: Disposition) -> str:
    """What a person said that becomes of a piece: `scrap`, `took that back`."""
    return tr("took that back") if word.undoes_id is not None else outcome(word.outcome)


def became(outcome: Outcome) -> str:
    """What became of a piece, to somebody who does not know the words of the workshop: `to be repaired`."""
    return tr(_BECAME[outcome])


def standing(finding: LoggedFinding) -> str:
    """Who says that a finding is there: `confirmed by a person`."""
    if finding.drawn_by:
        return tr("outlined by a person")
    if finding.verdict is None:
        return tr("flagged by the program, %(sure)s; nobody has looked yet", sure=confidence(finding.confidence))
    if finding.verdict == "kind changed":
        return tr("confirmed by a person, who changed it from %(kind)s", kind=kind(finding.kind_found))
    return tr("dismissed by a person") if finding.verdict == "dismissed" else tr("confirmed by a person")


def mix(recipe: Mix | None) -> str:
    """What a mix is made of, in a line."""
    if recipe is None:
        return tr("not known")
    parts = [
        tr(_CEMENTS[recipe.cement_class]),
        tr("water-cement ratio %(ratio)s", ratio=plain(recipe.water_cement_ratio)),
        *([recipe.aggregate] if recipe.aggregate else []),
        *(f"{plain(item.dose_percent)} % {item.name}" for item in recipe.admixtures),
        *([recipe.fibres] if recipe.fibres else []),
    ]
    return f"{recipe.name}: {', '.join(parts)}"


def share(fraction: float) -> str:
    """A share in percent: `4.2 %`, `42 %`."""
    return f"{_percent_figure(fraction)} %"


def whole_percent(fraction: float) -> str:
    """A share in whole percent: `42 %`."""
    return f"{number(100 * fraction, 0)} %"


def share_of(lost: int, total: int) -> str:
    """A share of counted pieces with its exact 90 % interval: `2.9 % (1.7 to 4.6 %)`."""
    if not total:
        return tr("no piece yet")
    exact = exact_interval(lost, total)
    return f"{share(exact.mean)} ({share_range(exact.low, exact.high)})"


def share_of_told(lost: int, total: int) -> str:
    """The same, where nothing else says what the interval is: `2.9 % (90 % interval 1.7 to 4.6 %)`."""
    if not total:
        return tr("no piece yet")
    exact = exact_interval(lost, total)
    return tr("%(share)s (90 %% interval %(range)s)", share=share(exact.mean), range=share_range(exact.low, exact.high))


def share_range(low: float, high: float) -> str:
    """A range of shares: `1.6 to 4.9 %`."""
    return tr("%(low)s to %(high)s %%", low=_percent_figure(low), high=_percent_figure(high))


def last_said(word: LastWord) -> str:
    """What can be taken back, short enough for a button: `dismissed`, `scrap`, `note`."""
    if isinstance(word.said, Review):
        return verdict(word.said.verdict)
    return decided(word.said) if isinstance(word.said, Disposition) else tr("note")


def mold_name(piece: Piece) -> str:
    """The mold of a piece as people call it."""
    return piece.mold_title or piece.mold


def place_in_queue(before: int) -> str:
    """How it stands with a photo that is kept and not inspected yet: `Busy: 3 before yours`."""
    if not before:
        return tr("It is inspected next")
    return ntr("Busy: %(count)s before yours", "Busy: %(count)s before yours", before)


def month_of(text: str) -> str:
    """A month by how addresses name it: `2026-03`."""
    return month(Month.read(text))


def month(which: Month) -> str:
    """A month: `March 2026`."""
    return month_name(which.start)


def pieces(count: int) -> str:
    """A number of pieces: `1 piece`, `12 pieces`."""
    return ntr("%(count)s piece", "%(count)s pieces", count)


def places(count: int) -> str:
    """A number of places on photos: `1 place`."""
    return ntr("%(count)s place", "%(count)s places", count)


def file_size(byte_count: int) -> str:
    """The size of a file: `3.2 MB`, `48 kB`."""
    if byte_count >= 1_000_000:
        return f"{number(byte_count / 1_000_000, 1)} MB"
    return f"{number(max(1, round(byte_count / 1000)), 0)} kB"


def sentence_case(text: str) -> str:
    """A text with a capital at its beginning, and as it is otherwise."""
    return text[:1].upper() + text[1:]


def _percent_figure(fraction: float) -> str:
    """Whole percent from 10 on, one decimal below."""
    return number(100 * fraction, 1 if abs(fraction) < 0.0995 else 0)


def _percent(probability: float) -> str:
    """Whole percent; never 0 or 100, which nobody can promise."""
    return f"{min(99, max(1, round(probability * 100)))}\N{NO-BREAK SPACE}%"


def _worded(probability: float, words: tuple[tuple[float, str], ...]) -> str:
    return tr(next(word for least, word in words if probability >= least))

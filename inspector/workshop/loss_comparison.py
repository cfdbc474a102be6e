"""Two groups of pieces held against each other: two molds, or one mold before and after a change.

It says when a difference can be chance, and never what made it: between two dates more changes than one thing.
"""

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from inspector.log import MoldPour, ReleaseAgents, WindowChange
from inspector.risk import Interval, LossesCompared, LossGroup, compare_losses, exact_interval
from inspector.workshop.shop_evidence import KnownPiece

__all__ = ["ComparedPieces", "Comparison", "MoldChange", "compare_pieces", "find_changes"]

# A mix, say, counts as changed where most of so many pours before it were of another one, and most of those after of
# the new one: a workshop that takes turns between two changes nothing.
_POURS_LOOKED_AT = 5
_MOST = 0.8
_FEWEST_POURS = 3
# Hours are told whole: a window that moved by less is not seen to move.
_TOLD_FROM_H = 0.5


@dataclass(frozen=True, slots=True)
class MoldChange:
    """Something that changed for good about how a mold is used."""

    at: datetime
    what: str
    """In a few words: `mix buff instead of grey`."""


@dataclass(frozen=True, slots=True)
class ComparedPieces:
    """One of two groups of pieces."""

    name: str
    """As it begins a sentence."""
    pieces: int
    lost: int
    share: Interval | None
    """Share lost with its exact 90 % interval; None without pieces."""
    median_age_h: float | None
    median_strength_fraction: float | None
    mixes: tuple[str | None, ...]
    """Those that were poured, the most used first."""
    features: tuple[tuple[str, int], ...]
    """Features with how many pieces lost them, the most first."""
    first_at: datetime | None
    last_at: datetime | None
    """When its first and last piece left their mold."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two groups of pieces, and what can be said about their difference."""

    first: ComparedPieces
    second: ComparedPieces
    compared: LossesCompared | None
    """None where one of them has no pieces."""
    sentences: tuple[str, ...]
    of_nearest_pours: int | None
    """Of a mold that was filled more often, only pieces of so many pours are in a group; None: all are there."""


def compare_pieces(
    names: tuple[str, str],
    groups: tuple[Sequence[KnownPiece], Sequence[KnownPiece]],
    *,
    than: str,
    of_nearest_pours: int | None = None,
) -> Comparison:
    """Compare two groups of pieces whose ages and outcomes are known.

    Parameters
    ----------
    names : tuple of str
        As they begin a sentence.
    groups : tuple of sequences of KnownPiece
    than : str
        What the first group is called after `than`: `before`, `in March 2026`, `of Oak leaf`.
    of_nearest_pours : int, optional
        Where a group is not all of its pieces: of so many pours it is.
    """
    first, second = (_figures(name, pieces) for name, pieces in zip(names, groups, strict=True))
    if not first.pieces or not second.pieces:
        empty = " and ".join(group.name for group in (first, second) if not group.pieces)
        sentence = f"{empty}: no piece with a known age yet, so there is nothing to compare."
        return Comparison(first, second, None, (sentence,), of_nearest_pours)
    compared = compare_losses(_arrays(groups[0]), _arrays(groups[1]))
    return Comparison(first, second, compared, _sentences(second.name, compared, than=than), of_nearest_pours)


def find_changes(
    pours: Sequence[MoldPour], windows: Sequence[WindowChange], agents: ReleaseAgents
) -> tuple[MoldChange, ...]:
    """Find when something about a mold changed for good, the latest first.

    Parameters
    ----------
    pours : sequence of MoldPour
        Those into the mold, in their order.
    windows : sequence of WindowChange
        The windows that it had, oldest first.
    agents : ReleaseAgents
        What was put on before a pour.
    """
    found = []
    before = agents.first
    for at, agent in agents.changes:
        if agent != before:
            what = f"release agent {_agent_words(agent)} instead of {_agent_words(before)}"
            found.append(MoldChange(at, what))
        before = agent
    mixes = [pour.mix for pour in pours]
    for row in _lasting(mixes):
        new, old = mixes[row] or "an unknown mix", mixes[row - 1] or "an unknown mix"
        found.append(MoldChange(pours[row].poured_at, f"mix {new} instead of {old}"))
    wet = [None if pour.wet_until_h is None else f"until {pour.wet_until_h:g} h" for pour in pours]
    for row in _lasting(wet):
        now, before = (hours or "not noted" for hours in (wet[row], wet[row - 1]))
        found.append(MoldChange(pours[row].poured_at, f"wet cure {now} instead of {before}"))
    for earlier, later in itertools.pairwise(windows):
        opened, opens = earlier.window.earliest_h, later.window.earliest_h
        if opened is not None and opens is not None and abs(opens - opened) >= _TOLD_FROM_H:
            found.append(MoldChange(later.at, f"window from {opens:.0f} h instead of {opened:.0f} h"))
    return tuple(sorted(found, key=lambda change: change.at, reverse=True))


def _agent_words(agent: str) -> str:
    return "none at all" if agent in ("", "none") else agent


def _lasting(values: Sequence[str | None]) -> list[int]:
    """Where a value changed for good: most before are the old one, most from there on the new one."""
    found = []
    for row in range(_FEWEST_POURS, len(values) - _FEWEST_POURS + 1):
        old, new = values[row - 1], values[row]
        before, after = values[max(0, row - _POURS_LOOKED_AT) : row], values[row : row + _POURS_LOOKED_AT]
        if old != new and before.count(old) >= _MOST * len(before) and after.count(new) >= _MOST * len(after):
            found.append(row)
    return found


def _figures(name: str, pieces: Sequence[KnownPiece]) -> ComparedPieces:
    lost = sum(piece.loss.lost for piece in pieces)
    mixes = Counter(piece.age.mix for piece in pieces)
    features = Counter(feature for piece in pieces for feature in piece.loss.features)
    return ComparedPieces(
        name=name,
        pieces=len(pieces),
        lost=lost,
        share=exact_interval(lost, len(pieces)) if pieces else None,
        median_age_h=float(np.median([piece.age.demold_age_h for piece in pieces])) if pieces else None,
        median_strength_fraction=(
            float(np.median([piece.age.strength_fraction for piece in pieces])) if pieces else None
        ),
        mixes=tuple(mix for mix, _ in mixes.most_common()),
        features=tuple(sorted(features.items(), key=lambda item: (-item[1], item[0]))),
        first_at=min((piece.age.demolded_at for piece in pieces), default=None),
        last_at=max((piece.age.demolded_at for piece in pieces), default=None),
    )


def _arrays(pieces: Sequence[KnownPiece]) -> LossGroup:
    return LossGroup(
        lost=np.array([piece.loss.lost for piece in pieces], dtype=bool),
        pour=np.array([piece.age.pour_id for piece in pieces], dtype=np.intp),
        strength_fraction=np.array([piece.age.strength_fraction for piece in pieces]),
    )


def _sentences(name: str, compared: LossesCompared, *, than: str) -> tuple[str, ...]:
    told = _more_or_fewer_than(compared.difference, name=name, than=than)
    by_chance = compared.can_be_chance
    sentences = [
        f"{told} That can be chance: with so many pieces, shares differ as much by themselves."
        if by_chance
        else f"{told} That is hardly chance."
    ]
    like = compared.at_like_strength
    if like is None:
        sentences.append(
            "Too few of both were opened at the same strength, or lost then, to hold like against like: how strong "
            "they were may be all of it."
        )
        return tuple(sentences)
    held = f"Between pieces opened at about the same strength: {_more_or_fewer(like)}"
    like_by_chance = compared.can_be_chance_at_like_strength
    if by_chance and like_by_chance:
        sentences.append(f"{held} That can be chance as well.")
    elif by_chance:
        sentences.append(f"{held} That is hardly chance: how strong they were when opened has hidden it.")
    elif like_by_chance:
        sentences.append(f"{held} That can be chance, so how strong they were when opened may be all of it.")
    elif like.mean * compared.difference.mean < 0:
        sentences.append(f"{held} That is hardly chance: strength for strength it is the other way round.")
    else:
        sentences.append(f"{held} So it is not the strength alone.")
    return tuple(sentences)


def _more_or_fewer(difference: Interval) -> str:
    """As in `7.5 fewer of 100 pieces are lost (90 % interval 2.1 to 13 fewer).`."""
    by, span = _of_100(abs(difference.mean)), _span(difference)
    if _is_even(difference):
        return f"as many of 100 pieces are lost (90 % interval {span})."
    if difference.mean < 0:
        return f"{by} fewer of 100 pieces are lost (90 % interval {span})."
    return f"{by} more of 100 pieces are lost (90 % interval {span})."


def _more_or_fewer_than(difference: Interval, *, name: str, than: str) -> str:
    """As in `In April: 7.5 fewer of 100 pieces are lost than in March (90 % interval 2.1 to 13 fewer).`."""
    by, span = _of_100(abs(difference.mean)), _span(difference)
    if _is_even(difference):
        return f"{name}: as many of 100 pieces are lost as {than} (90 % interval {span})."
    if difference.mean < 0:
        return f"{name}: {by} fewer of 100 pieces are lost than {than} (90 % interval {span})."
    return f"{name}: {by} more of 100 pieces are lost than {than} (90 % interval {span})."


def _is_even(difference: Interval) -> bool:
    return round(100 * difference.mean, 1) == 0


def _span(difference: Interval) -> str:
    low, high = difference.low, difference.high
    if high <= 0:
        return f"{_of_100(-high)} to {_of_100(-low)} fewer"
    if low >= 0:
        return f"{_of_100(low)} to {_of_100(high)} more"
    return f"from {_of_100(-low)} fewer to {_of_100(high)} more"


def _of_100(share: float) -> str:
    return f"{100 * share:.1f}" if abs(share) < 0.0995 else f"{100 * share:.0f}"

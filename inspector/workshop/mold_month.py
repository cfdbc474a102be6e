"""One month of a mold: what came out of it, what was lost and where, and whether that differs from the month before."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from inspector.log import Mold, Outcome, Piece, WindowChange
from inspector.workshop.curing import DemoldStrength
from inspector.workshop.loss_comparison import ComparedPieces, Comparison, compare_pieces
from inspector.workshop.loss_results import FeatureShare, MonthOfLosses
from inspector.workshop.lost import Loss
from inspector.workshop.months import Month
from inspector.workshop.shop_evidence import KnownPiece

__all__ = ["MoldMonth", "PourOfMonth", "mold_month"]


@dataclass(frozen=True, slots=True)
class PourOfMonth:
    """A pour of which pieces came out in the month."""

    pour_id: int
    mix: str | None
    poured_at: datetime
    pieces: int
    lost: int


@dataclass(frozen=True, slots=True, eq=False)
class MoldMonth:
    """What the log tells of one month of a mold."""

    mold: Mold
    month: Month
    pieces: tuple[Piece, ...]
    """All that left the mold in it, the first one first; where that time is unknown, that were logged in it."""
    strengths: Mapping[int, DemoldStrength]
    losses: Mapping[int, Loss | None]
    """By piece; None where nobody knows how it came out."""
    known: ComparedPieces
    """Those whose age and outcome are both known: what is counted as lost is counted among them."""
    expected: MonthOfLosses | None
    """What was to be expected of them at their ages; None without such a piece."""
    expected_as_of: datetime | None
    """When that was worked out, from the pieces known then; None: just now."""
    before: Comparison | None
    """The month before against this one; None where one of the two has no such piece."""
    kinds: tuple[tuple[str, int], ...]
    """Findings that nobody has dismissed and defects noted, by kind."""
    unreviewed: int
    """Findings among them that nobody has looked at."""
    outcomes: tuple[tuple[Outcome | None, int], ...]
    """What became of its pieces; None: nothing yet."""
    features: tuple[FeatureShare, ...]
    """Features that were lost, the most first."""
    pours: tuple[PourOfMonth, ...]
    windows: tuple[WindowChange, ...]
    """Windows that were set in the month, before them the one that it began with."""


def mold_month(
    mold: Mold,
    month: Month,
    *,
    pieces: Sequence[Piece],
    strengths: Mapping[int, DemoldStrength],
    losses: Mapping[int, Loss | None],
    known: Sequence[KnownPiece],
    expected: Sequence[MonthOfLosses],
    expected_as_of: datetime | None,
    windows: Sequence[WindowChange],
) -> MoldMonth:
    """Gather one month of a mold.

    Parameters
    ----------
    mold, month
    pieces, strengths, losses
        Of that month.
    known : sequence of KnownPiece
        All pieces of the mold whose age and outcome are known.
    expected : sequence of MonthOfLosses
        Of all months.
    expected_as_of : datetime or None
        When they were worked out; None: just now.
    windows : sequence of WindowChange
        All windows that the mold had, oldest first.
    """
    in_month = [piece for piece in known if month.holds(piece.age.demolded_at)]
    compared = compare_pieces(
        (f"In {month.before.start:%B %Y}", f"In {month.start:%B %Y}"),
        ([piece for piece in known if month.before.holds(piece.age.demolded_at)], in_month),
        than=f"in {month.before.start:%B %Y}",
    )
    return MoldMonth(
        mold=mold,
        month=month,
        pieces=tuple(pieces),
        strengths=strengths,
        losses=losses,
        known=compared.second,
        expected=next((item for item in expected if item.month == str(month)), None),
        expected_as_of=expected_as_of,
        before=None if compared.compared is None else compared,
        kinds=tuple(Counter(kind for piece in pieces for kind in piece.kinds).most_common()),
        unreviewed=sum(piece.unreviewed for piece in pieces),
        outcomes=tuple(Counter(piece.outcome for piece in pieces).most_common()),
        features=tuple(
            FeatureShare(name=name, lost=lost, share=lost / compared.second.pieces)
            for name, lost in compared.second.features
        ),
        pours=_pours(in_month),
        windows=_windows(windows, month),
    )


def _pours(pieces: Sequence[KnownPiece]) -> tuple[PourOfMonth, ...]:
    by_pour: dict[int, list[KnownPiece]] = {}
    for piece in pieces:
        by_pour.setdefault(piece.age.pour_id, []).append(piece)
    pours = [
        PourOfMonth(
            pour_id=pour_id,
            mix=of_pour[0].age.mix,
            poured_at=of_pour[0].age.poured_at,
            pieces=len(of_pour),
            lost=sum(piece.loss.lost for piece in of_pour),
        )
        for pour_id, of_pour in by_pour.items()
    ]
    return tuple(sorted(pours, key=lambda pour: pour.poured_at))


def _windows(windows: Sequence[WindowChange], month: Month) -> tuple[WindowChange, ...]:
    earlier = [change for change in windows if change.at < month.start]
    within = [change for change in windows if month.start <= change.at < month.after.start]
    return (*earlier[-1:], *within)

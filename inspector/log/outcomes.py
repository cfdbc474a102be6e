"""How pieces came out, all that the log knows of it at once: findings that count, notes, what became of them."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter

from sqlalchemy import select

from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.records import DISPOSITIONS, VERDICTS, Outcome, Verdict
from inspector.log.rollup_tables import PieceStandingRow

__all__ = ["FoundDefect", "NotedDefect", "PieceOutcome", "list_piece_outcomes"]

# Databases bound the number of values in one query.
_PORTION = 2000
_OUTCOMES: dict[str, Outcome] = {outcome: outcome for outcome in DISPOSITIONS}
_VERDICTS: dict[str, Verdict] = {verdict: verdict for verdict in VERDICTS}


@dataclass(frozen=True, slots=True)
class FoundDefect:
    """A finding of the latest inspection of a photo, as it stands after its reviews."""

    kind: str
    confidence: float
    verdict: Verdict | None
    """Latest word on it; None if nobody has looked."""
    feature: str | None


@dataclass(frozen=True, slots=True)
class NotedDefect:
    """A defect that a person wrote down."""

    kind: str
    feature: str | None = None


@dataclass(frozen=True, slots=True)
class PieceOutcome:
    """How one piece came out."""

    piece_id: int
    inspected: bool
    """Whether a photo of it could be judged."""
    found: tuple[FoundDefect, ...]
    """Without those that were dismissed."""
    noted: tuple[NotedDefect, ...] | None
    """What the latest note says; None without one, empty for a good piece."""
    outcome: Outcome | None
    """Latest disposition."""


def list_piece_outcomes(
    log: Log, *, mold: str | None = None, piece_ids: Sequence[int] | None = None
) -> tuple[PieceOutcome, ...]:
    """List how pieces came out, all, those of one mold or some by their numbers, in the order they were logged."""
    with log.reading() as session:
        # Put in order below: told to, SQLite may read all pieces in that order and leave out those of other molds.
        query = select(
            PieceStandingRow.piece_id,
            PieceStandingRow.photos_inspected,
            PieceStandingRow.found,
            PieceStandingRow.noted,
            PieceStandingRow.outcome,
        )
        if mold is not None:
            query = query.where(PieceStandingRow.mold_id == mold_row(session, mold).id)
        if piece_ids is None:
            rows = session.execute(query).all()
        else:
            rows = [
                row
                for start in range(0, len(piece_ids), _PORTION)
                for row in session.execute(
                    query.where(PieceStandingRow.piece_id.in_(piece_ids[start : start + _PORTION]))
                )
            ]
        return tuple(
            PieceOutcome(
                piece_id=piece_id,
                inspected=photos_inspected > 0,
                found=()
                if found == "[]"
                else tuple(
                    FoundDefect(kind, confidence, _VERDICTS.get(verdict or ""), feature)
                    for kind, confidence, verdict, feature in json.loads(found)
                ),
                noted=None if noted is None else tuple(NotedDefect(*entry) for entry in json.loads(noted)),
                outcome=None if outcome is None else _OUTCOMES.get(outcome),
            )
            for piece_id, photos_inspected, found, noted, outcome in sorted(rows, key=itemgetter(0))
        )

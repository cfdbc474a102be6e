"""How it stands with pieces, worked out from the log: what was found and noted, what became of them, who waits."""

import json
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, func, select

from inspector.log.standing import counts_on_its_photo
from inspector.log.tables import (
    DefectNoteRow,
    DispositionRow,
    FindingRow,
    InspectionRow,
    MoldRow,
    NotedDefectRow,
    PhotoRow,
    PieceRow,
    ReviewRow,
    UtcDateTime,
)

__all__ = ["Standing", "finding_of_kind", "read_standings", "sureness"]

# Databases bound the number of values in one query.
_PORTION = 2000
# After every score.
_NO_SCORE_RANK = 2.0
# What speaks for a defect is shown from 0.25 to 0.5 on, by what it is. Of the tuning photos that were called good or
# broken wrongly, more lie in the third nearest to this than in the third nearest to one half.
_LEAST_SURE_SCORE = 0.3


@dataclass(frozen=True, slots=True)
class Standing:
    """How it stands with one piece, as `PieceStandingRow` keeps it."""

    piece_id: int
    mold_id: int
    site_id: int
    seen_at: datetime
    waiting_rank: float | None
    unsure_rank: float | None
    score: float | None
    photos_waiting: int
    photos_inspected: int
    photos_unusable: int
    outcome: str | None
    found: str
    noted: str | None

    def as_row(self) -> dict[str, Any]:
        """Give it as the values of a row."""
        return asdict(self)


def sureness(score: float) -> float:
    """How far a score lies from where it is least sure whether a piece has a defect: 0 there, 1 at 0 and at 1."""
    if score < _LEAST_SURE_SCORE:
        return (_LEAST_SURE_SCORE - score) / _LEAST_SURE_SCORE
    return (score - _LEAST_SURE_SCORE) / (1 - _LEAST_SURE_SCORE)


def finding_of_kind(kind: str) -> str:
    """How an entry of that kind begins in what a standing keeps as found, or noted; no name can be taken for it."""
    return f"[{json.dumps(kind)}, "


def read_standings(connection: Connection, piece_ids: Sequence[int]) -> list[Standing]:
    """Work out how it stands with some pieces, by their numbers; those that are not there are left out."""
    latest: dict[int, tuple[int, str, float | None]] = {}
    of_photos = (
        select(PhotoRow.piece_id, PhotoRow.id, InspectionRow.id, InspectionRow.status, InspectionRow.score)
        .outerjoin(InspectionRow, InspectionRow.photo_id == PhotoRow.id)
        .where(PhotoRow.piece_id.in_(piece_ids))
        .order_by(InspectionRow.id)
    )
    for piece_id, photo_id, inspection_id, status, score in connection.execute(of_photos):
        if piece_id is None:
            continue  # never, as asked for
        latest[photo_id] = (piece_id, "waiting" if inspection_id is None else status, score)
    photos = Counter((piece_id, status) for piece_id, status, _ in latest.values())
    photographed = {piece_id for piece_id, _ in photos}
    scores: dict[int, float] = {}
    for piece_id, status, score in latest.values():
        if status == "inspected" and score is not None:
            scores[piece_id] = max(score, scores.get(piece_id, score))
    found = _found(connection, piece_ids)
    noted = _noted(connection, piece_ids)
    said = select(DispositionRow.piece_id, DispositionRow.outcome).where(DispositionRow.piece_id.in_(piece_ids))
    # The latest word comes last, and stays in the dict.
    outcomes = dict(connection.execute(said.order_by(DispositionRow.id)).all())
    seen_at = func.coalesce(PieceRow.demolded_at, PieceRow.created_at, type_=UtcDateTime)
    pieces = (
        select(PieceRow.id, PieceRow.mold_id, MoldRow.site_id, seen_at)
        .join(MoldRow, MoldRow.id == PieceRow.mold_id)
        .where(PieceRow.id.in_(piece_ids))
        .order_by(PieceRow.id)
    )
    standings = []
    for piece_id, mold_id, site_id, at in connection.execute(pieces):
        # All that is known of some was written down, as in a spreadsheet: there is no photo to decide by.
        waits = outcomes.get(piece_id) is None and (piece_id in photographed or piece_id not in noted)
        score = scores.get(piece_id)
        standings.append(
            Standing(
                piece_id=piece_id,
                mold_id=mold_id,
                site_id=site_id,
                seen_at=at,
                waiting_rank=None if not waits else _NO_SCORE_RANK if score is None else 1 - score,
                unsure_rank=None if not waits else _NO_SCORE_RANK if score is None else sureness(score),
                score=score,
                photos_waiting=photos[piece_id, "waiting"],
                photos_inspected=photos[piece_id, "inspected"],
                photos_unusable=photos[piece_id, "unusable"],
                outcome=outcomes.get(piece_id),
                found=json.dumps(found.get(piece_id, [])),
                noted=json.dumps(noted[piece_id]) if piece_id in noted else None,
            )
        )
    return standings


def _found(
    connection: Connection, piece_ids: Sequence[int]
) -> dict[int, list[tuple[str, float, str | None, str | None]]]:
    """Read the findings that count of some pieces and that nobody dismissed, by piece."""
    # Put in order below: told to, SQLite may read all findings in that order and leave out those of other pieces.
    counting = (
        select(PhotoRow.piece_id, FindingRow.id, FindingRow.kind, FindingRow.confidence, FindingRow.feature_name)
        .join(InspectionRow, InspectionRow.photo_id == PhotoRow.id)
        .join(FindingRow, FindingRow.inspection_id == InspectionRow.id)
        .where(PhotoRow.piece_id.in_(piece_ids), counts_on_its_photo())
    )
    findings = sorted(connection.execute(counting), key=itemgetter(1))
    reviews = _latest_words(connection, [finding_id for _, finding_id, *_ in findings])
    found: dict[int, list[tuple[str, float, str | None, str | None]]] = defaultdict(list)
    for piece_id, finding_id, kind, confidence, feature in findings:
        verdict, new_kind = reviews.get(finding_id, (None, None))
        if piece_id is not None and verdict != "dismissed":
            found[piece_id].append((new_kind or kind, confidence, verdict, feature))
    return found


def _latest_words(connection: Connection, finding_ids: Sequence[int]) -> dict[int, tuple[str | None, str | None]]:
    """Read verdict and new kind of the latest word on findings, where there is one.

    By the numbers of the findings: of pieces joined to reviews SQLite may read all reviews.
    """
    words: dict[int, tuple[str | None, str | None]] = {}
    for start in range(0, len(finding_ids), _PORTION):
        of_findings = ReviewRow.finding_id.in_(finding_ids[start : start + _PORTION])
        said = select(ReviewRow.id, ReviewRow.finding_id, ReviewRow.verdict, ReviewRow.new_kind).where(of_findings)
        # The latest word comes last, and stays in the dict.
        words.update(
            (finding_id, (verdict, new_kind))
            for _, finding_id, verdict, new_kind in sorted(connection.execute(said), key=itemgetter(0))
        )
    return words


def _noted(connection: Connection, piece_ids: Sequence[int]) -> dict[int, list[tuple[str, str | None]]]:
    """Read what the latest note says, by piece."""
    notes = (
        select(DefectNoteRow.piece_id, DefectNoteRow.id, NotedDefectRow.kind, NotedDefectRow.feature_name)
        .outerjoin(NotedDefectRow, NotedDefectRow.note_id == DefectNoteRow.id)
        .where(DefectNoteRow.piece_id.in_(piece_ids))
        .order_by(DefectNoteRow.id, NotedDefectRow.id)
    )
    noted: dict[int, list[tuple[str, str | None]]] = {}
    note_by_piece: dict[int, int] = {}
    for piece_id, note_id, kind, feature in connection.execute(notes):
        if note_by_piece.get(piece_id) != note_id:
            note_by_piece[piece_id] = note_id
            noted[piece_id] = []
        if kind is not None:
            noted[piece_id].append((kind, feature))
    return noted

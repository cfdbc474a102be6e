"""How pieces came out, all that the log knows of it at once: findings that count, notes, what became of them."""

from collections import defaultdict
from dataclasses import dataclass
from typing import Any, TypeVarTuple

from sqlalchemy import Select, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.records import DISPOSITIONS, VERDICTS, Outcome, Verdict
from inspector.log.standing import counts_on_its_photo
from inspector.log.tables import (
    DefectNoteRow,
    DispositionRow,
    FindingRow,
    InspectionRow,
    NotedDefectRow,
    PhotoRow,
    PieceRow,
    ReviewRow,
)

__all__ = ["FoundDefect", "NotedDefect", "PieceOutcome", "list_piece_outcomes"]

_Columns = TypeVarTuple("_Columns")


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
    noted: tuple[NotedDefect, ...] | None
    """What the latest note says; None without one, empty for a good piece."""
    outcome: Outcome | None
    """Latest disposition."""


def list_piece_outcomes(log: Log, *, mold: str | None = None) -> tuple[PieceOutcome, ...]:
    """List how pieces came out, all or those of one mold, in the order they were logged."""
    with log.reading() as session:
        mold_id = None if mold is None else mold_row(session, mold).id
        inspected, found = _found(session, mold_id)
        noted = _noted(session, mold_id)
        # The latest word comes last, and stays in the dict.
        said = select(DispositionRow.piece_id, DispositionRow.outcome).order_by(DispositionRow.id)
        outcomes = dict(session.execute(_of_mold(said, DispositionRow.piece_id, mold_id)).all())
        pieces = select(PieceRow.id).order_by(PieceRow.id)
        if mold_id is not None:
            pieces = pieces.where(PieceRow.mold_id == mold_id)
        return tuple(
            PieceOutcome(
                piece_id=piece_id,
                inspected=piece_id in inspected,
                found=tuple(found.get(piece_id, ())),
                noted=tuple(noted[piece_id]) if piece_id in noted else None,
                outcome=next((known for known in DISPOSITIONS if known == outcomes.get(piece_id)), None),
            )
            for piece_id in session.scalars(pieces)
        )


def _found(session: Session, mold_id: int | None) -> tuple[set[int], dict[int, list[FoundDefect]]]:
    """Read which pieces were inspected, and the findings of the latest inspection of each photo, by piece."""
    inspections = (
        select(PhotoRow.piece_id, PhotoRow.id, InspectionRow.status)
        .join(InspectionRow, InspectionRow.photo_id == PhotoRow.id)
        .where(PhotoRow.piece_id.is_not(None))
        .order_by(InspectionRow.id)
    )
    latest = {
        photo_id: (piece_id, status)
        for piece_id, photo_id, status in session.execute(_of_mold(inspections, PhotoRow.piece_id, mold_id))
        if piece_id is not None
    }
    words = (
        select(ReviewRow.finding_id, ReviewRow.verdict, ReviewRow.new_kind)
        .join(FindingRow, FindingRow.id == ReviewRow.finding_id)
        .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
        .join(PhotoRow, PhotoRow.id == InspectionRow.photo_id)
        .order_by(ReviewRow.id)
    )
    reviews = {
        finding_id: (verdict, new_kind)
        for finding_id, verdict, new_kind in session.execute(_of_mold(words, PhotoRow.piece_id, mold_id))
    }
    findings = (
        select(
            PhotoRow.piece_id,
            FindingRow.id,
            FindingRow.kind,
            FindingRow.confidence,
            FindingRow.feature_name,
        )
        .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
        .join(PhotoRow, PhotoRow.id == InspectionRow.photo_id)
        .where(counts_on_its_photo())
        .order_by(FindingRow.id)
    )
    found: dict[int, list[FoundDefect]] = defaultdict(list)
    for piece_id, finding_id, kind, confidence, feature in session.execute(
        _of_mold(findings, PhotoRow.piece_id, mold_id)
    ):
        if piece_id is None:
            continue
        verdict, new_kind = reviews.get(finding_id, (None, None))
        found[piece_id].append(
            FoundDefect(
                kind=new_kind or kind,
                confidence=confidence,
                verdict=next((known for known in VERDICTS if known == verdict), None),
                feature=feature,
            )
        )
    return {piece_id for piece_id, status in latest.values() if status == "inspected"}, found


def _noted(session: Session, mold_id: int | None) -> dict[int, list[NotedDefect]]:
    """Read what the latest note says, by piece."""
    notes = (
        select(DefectNoteRow.piece_id, DefectNoteRow.id, NotedDefectRow.kind, NotedDefectRow.feature_name)
        .outerjoin(NotedDefectRow, NotedDefectRow.note_id == DefectNoteRow.id)
        .order_by(DefectNoteRow.id, NotedDefectRow.id)
    )
    noted: dict[int, list[NotedDefect]] = {}
    note_by_piece: dict[int, int] = {}
    for piece_id, note_id, kind, feature in session.execute(_of_mold(notes, DefectNoteRow.piece_id, mold_id)):
        if note_by_piece.get(piece_id) != note_id:
            note_by_piece[piece_id] = note_id
            noted[piece_id] = []
        if kind is not None:
            noted[piece_id].append(NotedDefect(kind=kind, feature=feature))
    return noted


def _of_mold(query: Select[*_Columns], piece_id: InstrumentedAttribute[Any], mold_id: int | None) -> Select[*_Columns]:
    """Keep what is of pieces of one mold, if one is asked for."""
    if mold_id is None:
        return query
    return query.join(PieceRow, PieceRow.id == piece_id).where(PieceRow.mold_id == mold_id)

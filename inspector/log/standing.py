"""How it stands with a piece, as expressions over its row: how bad it looks, what became of it, whether it waits."""

from sqlalchemy import ColumnElement, ScalarSelect, and_, exists, func, or_, select
from sqlalchemy.orm import InstrumentedAttribute, aliased

from inspector.log.answered_tables import AnsweredFindingRow
from inspector.log.tables import (
    DefectNoteRow,
    DispositionRow,
    FindingRow,
    InspectionRow,
    PhotoRow,
    PieceRow,
    ReviewRow,
)

__all__ = [
    "counts_on_its_photo",
    "is_latest_inspection",
    "is_spoken_on",
    "is_waiting",
    "latest_outcome",
    "score_of_piece",
]


def is_waiting() -> ColumnElement[bool]:
    """Tell whether a piece waits for a decision: no word yet, or the only one was taken back."""
    return and_(latest_outcome().is_(None), ~is_noted_only())


def is_latest_inspection() -> ColumnElement[bool]:
    """Tell whether an inspection is the latest of its photo."""
    other = aliased(InspectionRow)
    latest = (
        select(func.max(other.id))
        .where(other.photo_id == InspectionRow.photo_id)
        .correlate(InspectionRow)
        .scalar_subquery()
    )
    return InspectionRow.id == latest


def is_spoken_on() -> ColumnElement[bool]:
    """Tell whether a person has said something about a finding."""
    return _first(ReviewRow.id, ReviewRow.finding_id == FindingRow.id).is_not(None)


def counts_on_its_photo() -> ColumnElement[bool]:
    """Tell whether a finding counts, beside its inspection's row: one of the latest inspection, or of a person.

    What somebody drew or spoke on outlasts its inspection. One that was found again where somebody had spoken already
    does not count beside that.
    """
    answered_id = _first(AnsweredFindingRow.id, AnsweredFindingRow.finding_id == FindingRow.id)
    return or_(and_(is_latest_inspection(), answered_id.is_(None)), FindingRow.drawn_by.is_not(None), is_spoken_on())


def _first(number: InstrumentedAttribute[int], of_finding: ColumnElement[bool]) -> ScalarSelect[int]:
    """Give the number of one row that belongs to a finding.

    Looked up for each finding by the index; of an EXISTS beside an OR, PostgreSQL may read the whole table.
    """
    return select(number).where(of_finding).correlate(FindingRow).limit(1).scalar_subquery()


def score_of_piece() -> ColumnElement[float | None]:
    """Give the highest score on the photos of a piece, by their latest inspections."""
    return (
        select(func.max(InspectionRow.score))
        .join(PhotoRow, PhotoRow.id == InspectionRow.photo_id)
        .where(
            PhotoRow.piece_id == PieceRow.id,
            InspectionRow.status == "inspected",
            is_latest_inspection(),
        )
        .correlate(PieceRow)
        .scalar_subquery()
    )


def latest_outcome() -> ColumnElement[str | None]:
    """Give what was last said to become of a piece; None where nothing was, or it was taken back."""
    return (
        select(DispositionRow.outcome)
        .where(DispositionRow.piece_id == PieceRow.id)
        .order_by(DispositionRow.id.desc())
        .limit(1)
        .correlate(PieceRow)
        .scalar_subquery()
    )


def is_noted_only() -> ColumnElement[bool]:
    """Tell whether all that is known was written down, as in a spreadsheet: there is no photo to decide by."""
    noted = exists(select(DefectNoteRow.id).where(DefectNoteRow.piece_id == PieceRow.id).correlate(PieceRow))
    photographed = exists(select(PhotoRow.id).where(PhotoRow.piece_id == PieceRow.id).correlate(PieceRow))
    return and_(noted, ~photographed)

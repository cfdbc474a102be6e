"""What counts of a photo, as expressions over rows: its latest inspection, and which findings."""

from sqlalchemy import ColumnElement, ScalarSelect, and_, func, or_, select
from sqlalchemy.orm import InstrumentedAttribute, aliased

from inspector.log.answered_tables import AnsweredFindingRow
from inspector.log.tables import FindingRow, InspectionRow, ReviewRow

__all__ = ["counts_on_its_photo", "is_latest_inspection", "is_latest_review", "is_spoken_on"]


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


def is_latest_review() -> ColumnElement[bool]:
    """Tell whether a review is the latest word on its finding, beside the finding's row."""
    other = aliased(ReviewRow)
    latest = select(func.max(other.id)).where(other.finding_id == FindingRow.id).correlate(FindingRow)
    return and_(ReviewRow.finding_id == FindingRow.id, ReviewRow.id == latest.scalar_subquery())


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

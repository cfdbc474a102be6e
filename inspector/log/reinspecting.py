"""Inspecting logged photos again: a row beside those that are there, and what people said stays.

Which photos are due is worked out from the log: those whose latest inspection is of another engine, or was compared
with other references. A run that was cut short goes on where it was.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import exists, func, or_, select
from sqlalchemy.orm import Session, selectinload

from inspector.log.answered_tables import AnsweredFindingRow
from inspector.log.awaiting_tables import AwaitingPhotoRow
from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.recording import inspection_row, view_of_reference
from inspector.log.records import NewFinding, NewInspection, Points
from inspector.log.standing import is_latest_inspection, is_spoken_on
from inspector.log.tables import FindingRow, InspectionRow, PhotoRow, PieceRow, ViewRow

__all__ = ["PhotoToReinspect", "SpokenFinding", "add_reinspection", "list_photos_to_reinspect"]


@dataclass(frozen=True, slots=True)
class PhotoToReinspect:
    """A photo of a piece, as another inspection needs it."""

    photo_id: int
    name: str
    sha256: bytes
    media_type: str
    view: str | None
    """None where nobody knows which side it shows."""


@dataclass(frozen=True, slots=True)
class SpokenFinding:
    """A finding that a person has spoken on."""

    kinds: frozenset[str]
    """As found, and as it is held to be."""
    polygon_xy: Points


def list_photos_to_reinspect(
    log: Log,
    mold: str,
    *,
    engine_version: str,
    compared_with: str,
    since: datetime | None = None,
    until: datetime | None = None,
) -> tuple[PhotoToReinspect, ...]:
    """List the photos of a mold's pieces that this engine has not compared with these references, in order.

    Photos that wait for their first inspection are left out.

    Parameters
    ----------
    log : Log
    mold : str
    engine_version, compared_with : str
        As inspections have them.
    since, until : datetime, optional
        Only of pieces demolded then, or added then where that is not known; until is not among them.

    Raises
    ------
    InputError
        If there is no such mold.
    """
    done = exists(
        select(InspectionRow.id)
        .where(
            InspectionRow.photo_id == PhotoRow.id,
            InspectionRow.engine_version == engine_version,
            InspectionRow.compared_with == compared_with,
            is_latest_inspection(),
        )
        .correlate(PhotoRow)
    )
    waits = exists(select(AwaitingPhotoRow.id).where(AwaitingPhotoRow.photo_id == PhotoRow.id).correlate(PhotoRow))
    seen_at = func.coalesce(PieceRow.demolded_at, PieceRow.created_at)
    with log.reading() as session:
        query = (
            select(PhotoRow.id, PhotoRow.name, PhotoRow.sha256, PhotoRow.media_type, ViewRow.name)
            .join(PieceRow, PieceRow.id == PhotoRow.piece_id)
            .outerjoin(ViewRow, ViewRow.id == PhotoRow.view_id)
            .where(PieceRow.mold_id == mold_row(session, mold).id, ~done, ~waits)
            .order_by(PhotoRow.id)
        )
        if since is not None:
            query = query.where(seen_at >= since)
        if until is not None:
            query = query.where(seen_at < until)
        return tuple(PhotoToReinspect(*row) for row in session.execute(query))


def add_reinspection(
    log: Log, photo_id: int, new: NewInspection, *, same_place: Callable[[NewFinding, SpokenFinding], bool]
) -> bool:
    """Log another inspection of a photo, unless somebody else has done just that meanwhile.

    What people said about findings of earlier inspections, and what they outlined, holds on: it counts beside the new
    findings, and a new one at the same place does not count beside it.

    Parameters
    ----------
    log : Log
    photo_id : int
        A photo of a piece.
    new : NewInspection
    same_place : callable
        Whether a new finding is one that a person has spoken on.

    Returns
    -------
    added : bool
    """
    with log.writing() as session:
        latest = session.scalar(
            select(InspectionRow).where(InspectionRow.photo_id == photo_id).order_by(InspectionRow.id.desc()).limit(1)
        )
        if latest is not None and (latest.engine_version, latest.compared_with) == (
            new.engine_version,
            new.compared_with,
        ):
            return False
        photo = session.get_one(PhotoRow, photo_id)
        spoken = _spoken_on(session, photo_id)
        row = inspection_row(photo, new, now=datetime.now(UTC))
        session.add(row)
        if photo.piece is not None:
            photo.view = photo.view or view_of_reference(session, photo.piece, new.reference)
        session.flush()
        for finding_row, finding in zip(row.findings, new.findings, strict=True):
            earlier = next((number for number, said in spoken.items() if same_place(finding, said)), None)
            if earlier is not None:
                session.add(AnsweredFindingRow(finding_id=finding_row.id, answered_by_id=earlier))
        return True


def _spoken_on(session: Session, photo_id: int) -> dict[int, SpokenFinding]:
    """The findings on a photo that a person has spoken on, the latest first, by their number."""
    query = (
        select(FindingRow)
        .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
        .where(InspectionRow.photo_id == photo_id, or_(FindingRow.drawn_by.is_not(None), is_spoken_on()))
        .options(selectinload(FindingRow.reviews))
        .order_by(FindingRow.id.desc())
    )
    found = {}
    for row in session.scalars(query):
        last = row.reviews[-1] if row.reviews else None
        kinds = {row.kind} if last is None or last.new_kind is None else {row.kind, last.new_kind}
        outline = row.polygon_xy if last is None or last.outline_xy is None else last.outline_xy
        found[row.id] = SpokenFinding(frozenset(kinds), tuple((x, y) for x, y in outline))
    return found

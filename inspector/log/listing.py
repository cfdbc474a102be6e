"""Reading pieces back: lists with filters, those that wait, and all that is known about one."""

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, exists, func, or_, select
from sqlalchemy.orm import InstrumentedAttribute, Session, joinedload, selectinload

from inspector.errors import InputError
from inspector.log.opening import Log
from inspector.log.paging import ListPage, PlaceInList, read_page, replace_items
from inspector.log.photo_rows import photo_record
from inspector.log.portions import in_portions
from inspector.log.pours import mix_record
from inspector.log.records import (
    DISPOSITIONS,
    VERDICTS,
    Disposition,
    FirstToReview,
    LoggedFinding,
    LoggedInspection,
    Outline,
    PhotoScore,
    Piece,
    PieceDetail,
    PieceFilter,
    PieceNote,
    PieceVersion,
    Points,
    Review,
    UncountedMark,
    Verdict,
)
from inspector.log.rollup_tables import PieceStandingRow
from inspector.log.standing import counts_on_its_photo, is_latest_inspection
from inspector.log.standings import finding_of_kind
from inspector.log.tables import (
    DefectNoteRow,
    DispositionRow,
    FindingRow,
    InspectionRow,
    MoldRow,
    PhotoRow,
    PieceNoteRow,
    PieceRow,
    PourRow,
    ReviewRow,
    ViewRow,
    with_offset,
)

__all__ = [
    "count_pieces",
    "count_pieces_by_mold",
    "find_next_waiting",
    "find_piece",
    "list_photo_scores",
    "list_piece_details",
    "list_piece_times",
    "list_pieces",
    "list_waiting",
    "piece_details",
    "read_piece_details",
    "read_pieces",
    "review_record",
    "verdict_of",
]

# Pieces are read in portions of this many.
_PORTION = 500


def list_pieces(
    log: Log, which: PieceFilter, *, limit: int, place: PlaceInList | None = None, skip: int = 0
) -> ListPage[Piece]:
    """List pieces, latest demolding first; where that is unknown the time of logging counts.

    Parameters
    ----------
    log : Log
    which : PieceFilter
    limit : int
        How many at most.
    place : PlaceInList, optional
        Where to go on, or to go back from, as another page gave it; from the first one on by default.
    skip : int
        How many to leave out before: for links that count pages.
    """
    with log.reading() as session:
        found = _ids_by_time(session, which, limit=limit, place=place, skip=skip)
        return replace_items(found, _pieces(session, found.items))


def list_waiting(
    log: Log,
    *,
    mold: str | None,
    first: FirstToReview = "worst",
    limit: int,
    place: PlaceInList | None = None,
    skip: int = 0,
) -> ListPage[Piece]:
    """List the pieces that wait for a decision; those with no usable photo come last.

    Parameters
    ----------
    log : Log
    mold : str, optional
        Only pieces of this one.
    first : {"worst", "unsure"}
        Whether those come first whose score is highest, or nearest to where defects begin to be shown.
    limit, place, skip
        As in `list_pieces`; a place holds in the order that it was given for.
    """
    with log.reading() as session:
        found = _waiting(session, first, mold, limit=limit, place=place, skip=skip)
        return replace_items(found, _pieces(session, found.items))


def find_next_waiting(log: Log, piece_id: int, *, first: FirstToReview = "worst") -> int | None:
    """Find the piece after this one in `list_waiting`, from its beginning again after the last; None without any."""
    with log.reading() as session:
        rank = session.scalar(select(_RANKS[first]).where(PieceStandingRow.piece_id == piece_id))
        if rank is not None and (after := _waiting(session, first, limit=1, place=PlaceInList(rank, piece_id)).items):
            return after[0]
        return next((number for number in _waiting(session, first, limit=2).items if number != piece_id), None)


def count_pieces(log: Log, which: PieceFilter) -> int:
    """Count the pieces that a filter lets through."""
    with log.reading() as session:
        return session.scalar(select(func.count()).select_from(_matching(which).subquery())) or 0


def count_pieces_by_mold(log: Log) -> dict[str, int]:
    """Count the pieces of each mold that has any, by its name: all of them are counted."""
    with log.reading() as session:
        query = select(MoldRow.name, func.count()).join(PieceRow, PieceRow.mold_id == MoldRow.id)
        return dict(session.execute(query.group_by(MoldRow.name)).all())


def read_pieces(log: Log, piece_ids: Sequence[int]) -> tuple[Piece, ...]:
    """Read what lists show of some pieces, in the order of their ids as given."""
    with log.reading() as session:
        return _pieces(session, piece_ids)


def list_piece_details(
    log: Log, which: PieceFilter, *, limit: int, place: PlaceInList | None = None
) -> ListPage[PieceDetail]:
    """List pieces as `list_pieces` does, with all that is known about each."""
    with log.reading() as session:
        found = _ids_by_time(session, which, limit=limit, place=place)
        return replace_items(found, piece_details(session, found.items))


def list_photo_scores(log: Log, piece_ids: Sequence[int]) -> tuple[PhotoScore, ...]:
    """Tell how likely some pieces look damaged on each of their photos that could be judged."""
    query = (
        select(PhotoRow.id, PhotoRow.piece_id, ViewRow.name, InspectionRow.score)
        .join(InspectionRow, InspectionRow.photo_id == PhotoRow.id)
        .outerjoin(ViewRow, ViewRow.id == PhotoRow.view_id)
        .where(is_latest_inspection(), InspectionRow.status == "inspected")
    )
    with log.reading() as session:
        return tuple(
            PhotoScore(photo_id, piece_id, view, score or 0.0)
            for portion in in_portions(piece_ids, _PORTION)
            for photo_id, piece_id, view, score in session.execute(query.where(PhotoRow.piece_id.in_(portion)))
            if piece_id is not None
        )


def list_piece_times(
    log: Log, which: PieceFilter, *, limit: int, place: PlaceInList | None = None
) -> ListPage[tuple[int, datetime]]:
    """Tell when pieces were demolded, in the order of `list_pieces`; where that is unknown, when logged."""
    with log.reading() as session:
        found = _ids_by_time(session, which, limit=limit, place=place)
        rows = session.execute(
            select(PieceRow.id, PieceRow.demolded_at, PieceRow.demolded_offset_min, PieceRow.created_at).where(
                PieceRow.id.in_(found.items)
            )
        )
        times = {
            piece_id: created_at.astimezone() if demolded_at is None else with_offset(demolded_at, offset_min)
            for piece_id, demolded_at, offset_min, created_at in rows
        }
        return replace_items(found, tuple((piece_id, times[piece_id]) for piece_id in found.items))


def read_piece_details(log: Log, piece_ids: Sequence[int]) -> tuple[PieceDetail, ...]:
    """Read all that is known about some pieces, in the order of their ids as given."""
    with log.reading() as session:
        return piece_details(session, piece_ids)


def find_piece(log: Log, piece_id: int) -> PieceDetail:
    """Find a piece with all its photos, latest inspections, reviews and dispositions.

    Raises
    ------
    InputError
        If there is none.
    """
    with log.reading() as session:
        if session.get(PieceRow, piece_id) is None:
            raise InputError(f"There is no piece {piece_id} in the log.")
        return piece_details(session, [piece_id])[0]


_PIECE_LOADING = (
    joinedload(PieceRow.mold),
    joinedload(PieceRow.pour).joinedload(PourRow.mix),
    selectinload(PieceRow.photos).joinedload(PhotoRow.view),
)


_RANKS: dict[FirstToReview, InstrumentedAttribute[float | None]] = {
    "worst": PieceStandingRow.waiting_rank,
    "unsure": PieceStandingRow.unsure_rank,
}


@dataclass(frozen=True, slots=True)
class _Standing:
    """What a finding is held to be after its reviews."""

    kind: str
    verdict: Verdict | None


def _has_kind(kind: str) -> ColumnElement[bool]:
    """Tell whether a piece has a finding that is held to be of that kind, or a note of one."""
    entry = finding_of_kind(kind)
    return or_(
        PieceStandingRow.found.contains(entry, autoescape=True), PieceStandingRow.noted.contains(entry, autoescape=True)
    )


def _is_nearest_to(reference: str) -> ColumnElement[bool]:
    """Tell whether a photo was laid against the reference of that name."""
    return exists(
        select(InspectionRow.id)
        .join(PhotoRow, PhotoRow.id == InspectionRow.photo_id)
        .where(PhotoRow.piece_id == PieceStandingRow.piece_id, InspectionRow.reference_name == reference)
        .correlate(PieceStandingRow)
    )


def _matching(which: PieceFilter) -> Select[int]:
    query = select(PieceStandingRow.piece_id)
    if which.mold is not None:
        mold_id = select(MoldRow.id).where(MoldRow.name == which.mold).scalar_subquery()
        query = query.where(PieceStandingRow.mold_id == mold_id)
    if which.since is not None:
        query = query.where(PieceStandingRow.seen_at >= which.since)
    if which.until is not None:
        query = query.where(PieceStandingRow.seen_at < which.until)
    if which.waiting is not None:
        decided = PieceStandingRow.outcome.is_not(None)
        query = query.where(PieceStandingRow.waiting_rank.is_not(None) if which.waiting else decided)
    if which.outcome is not None:
        query = query.where(PieceStandingRow.outcome == which.outcome)
    if which.kind is not None:
        query = query.where(_has_kind(which.kind))
    if which.nearest_reference is not None:
        query = query.where(_is_nearest_to(which.nearest_reference))
    if which.min_score is not None:
        query = query.where(PieceStandingRow.score >= which.min_score)
    return query


def _ids_by_time(
    session: Session, which: PieceFilter, *, limit: int, place: PlaceInList | None, skip: int = 0
) -> ListPage[int]:
    order = (PieceStandingRow.seen_at, PieceStandingRow.piece_id)
    return read_page(session, _matching(which), order, latest_first=True, limit=limit, place=place, skip=skip)


def _waiting(
    session: Session,
    first: FirstToReview,
    mold: str | None = None,
    *,
    limit: int,
    place: PlaceInList | None = None,
    skip: int = 0,
) -> ListPage[int]:
    rank = _RANKS[first]
    waiting = _matching(PieceFilter(mold=mold)).where(rank.is_not(None))
    return read_page(session, waiting, (rank, PieceStandingRow.piece_id), limit=limit, place=place, skip=skip)


def _pieces(session: Session, piece_ids: Sequence[int]) -> tuple[Piece, ...]:
    """Read what lists show of pieces, as it is kept of how it stands with them, without findings and reviews."""
    pieces: dict[int, Piece] = {}
    for portion in in_portions(piece_ids, _PORTION):
        photos: dict[int | None, list[tuple[int, str]]] = defaultdict(list)
        of_pieces = select(PhotoRow.piece_id, PhotoRow.id, PhotoRow.name).where(PhotoRow.piece_id.in_(portion))
        for of_piece, photo_id, name in session.execute(of_pieces):
            photos[of_piece].append((photo_id, name))
        query = (
            select(
                PieceStandingRow.piece_id,
                PieceStandingRow.score,
                PieceStandingRow.photos_unusable,
                PieceStandingRow.found,
                PieceStandingRow.noted,
                PieceStandingRow.outcome,
                PieceRow.pour_id,
                PieceRow.demolded_at,
                PieceRow.demolded_offset_min,
                PourRow.poured_at,
                PourRow.poured_offset_min,
                MoldRow.name,
                MoldRow.title,
            )
            .join(PieceRow, PieceRow.id == PieceStandingRow.piece_id)
            .join(MoldRow, MoldRow.id == PieceRow.mold_id)
            .outerjoin(PourRow, PourRow.id == PieceRow.pour_id)
            .where(PieceStandingRow.piece_id.in_(portion))
        )
        for row in session.execute(query):
            found = json.loads(row.found)
            noted = None if row.noted is None else json.loads(row.noted)
            its_photos = sorted(photos[row.piece_id])
            pieces[row.piece_id] = Piece(
                id=row.piece_id,
                mold=row.name,
                mold_title=row.title,
                pour_id=row.pour_id,
                poured_at=None if row.poured_at is None else with_offset(row.poured_at, row.poured_offset_min),
                demolded_at=None if row.demolded_at is None else with_offset(row.demolded_at, row.demolded_offset_min),
                demold_age_h=_age_h(row.poured_at, row.demolded_at),
                score=row.score,
                photo_ids=tuple(photo_id for photo_id, _ in its_photos),
                photo_names=tuple(name for _, name in its_photos),
                unusable_photos=row.photos_unusable,
                kinds=tuple(kind for kind, *_ in (*found, *(noted or ()))),
                noted=noted is not None,
                unreviewed=sum(verdict is None for _, _, verdict, _ in found),
                outcome=next((outcome for outcome in DISPOSITIONS if outcome == row.outcome), None),
            )
    return tuple(pieces[piece_id] for piece_id in piece_ids)


def piece_details(session: Session, piece_ids: Sequence[int]) -> tuple[PieceDetail, ...]:
    """Read all that is known about some pieces, in the order of their ids as given."""
    details: list[PieceDetail] = []
    for portion in in_portions(piece_ids, _PORTION):
        rows = _piece_rows(session, portion)
        inspections = _latest_inspections(session, portion)
        dispositions = _dispositions(session, portion)
        notes = _notes(session, portion)
        noted = _noted_kinds(session, portion)
        details += [
            _detail(rows[piece_id], inspections, dispositions[piece_id], notes[piece_id], noted.get(piece_id))
            for piece_id in portion
        ]
    return tuple(details)


def _piece_rows(session: Session, piece_ids: Sequence[int]) -> dict[int, PieceRow]:
    rows = session.scalars(select(PieceRow).where(PieceRow.id.in_(piece_ids)).options(*_PIECE_LOADING))
    return {row.id: row for row in rows}


@dataclass(frozen=True, slots=True)
class _Inspected:
    """The latest inspection of a photo, and the findings that count on that photo."""

    row: InspectionRow
    findings: Sequence[FindingRow]


def _latest_inspections(session: Session, piece_ids: Sequence[int]) -> dict[int, _Inspected]:
    """Read the latest inspection of each photo of some pieces, by photo."""
    rows = session.scalars(
        select(InspectionRow)
        .join(PhotoRow, PhotoRow.id == InspectionRow.photo_id)
        .where(PhotoRow.piece_id.in_(piece_ids), is_latest_inspection())
    ).all()
    findings: dict[int, list[FindingRow]] = defaultdict(list)
    for photo_id, finding in session.execute(
        select(InspectionRow.photo_id, FindingRow)
        .join(FindingRow, FindingRow.inspection_id == InspectionRow.id)
        .join(PhotoRow, PhotoRow.id == InspectionRow.photo_id)
        .where(PhotoRow.piece_id.in_(piece_ids), counts_on_its_photo())
        .options(selectinload(FindingRow.reviews))
        .order_by(is_latest_inspection().desc(), FindingRow.id)
    ):
        findings[photo_id].append(finding)
    return {row.photo_id: _Inspected(row, findings[row.photo_id]) for row in rows}


def _dispositions(session: Session, piece_ids: Sequence[int]) -> dict[int, tuple[Disposition, ...]]:
    """Read what became of some pieces, oldest word first, by piece."""
    rows = session.scalars(
        select(DispositionRow).where(DispositionRow.piece_id.in_(piece_ids)).order_by(DispositionRow.id)
    )
    by_piece: dict[int, list[Disposition]] = {piece_id: [] for piece_id in piece_ids}
    for row in rows:
        by_piece[row.piece_id].append(
            Disposition(
                id=row.id,
                piece_id=row.piece_id,
                outcome=next((outcome for outcome in DISPOSITIONS if outcome == row.outcome), None),
                decided_by=row.decided_by,
                note=row.note,
                at=row.created_at,
                undoes_id=row.undoes_id,
            )
        )
    return {piece_id: tuple(words) for piece_id, words in by_piece.items()}


def _notes(session: Session, piece_ids: Sequence[int]) -> dict[int, list[PieceNoteRow]]:
    """Read the notes on some pieces, oldest first, by piece."""
    by_piece: dict[int, list[PieceNoteRow]] = {piece_id: [] for piece_id in piece_ids}
    query = select(PieceNoteRow).where(PieceNoteRow.piece_id.in_(piece_ids)).order_by(PieceNoteRow.id)
    for row in session.scalars(query):
        by_piece[row.piece_id].append(row)
    return by_piece


def _noted_kinds(session: Session, piece_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """Read what the latest note of some pieces says, by piece."""
    notes = session.scalars(
        select(DefectNoteRow)
        .where(DefectNoteRow.piece_id.in_(piece_ids))
        .options(selectinload(DefectNoteRow.defects))
        .order_by(DefectNoteRow.id)
    )
    return {note.piece_id: tuple(defect.kind for defect in note.defects) for note in notes}


def _detail(
    row: PieceRow,
    inspections: Mapping[int, _Inspected],
    dispositions: tuple[Disposition, ...],
    notes: Sequence[PieceNoteRow],
    noted_kinds: tuple[str, ...] | None,
) -> PieceDetail:
    age_h = _demold_age_h(row)
    taken_back = {note.undoes_id for note in notes}
    latest = [inspections.get(photo.id) for photo in row.photos]
    review_ids = [review.id for item in latest if item for finding in item.findings for review in finding.reviews]
    return PieceDetail(
        piece=_piece(row, inspections, dispositions, noted_kinds),
        mix=None if row.pour is None or row.pour.mix is None else mix_record(row.pour.mix),
        photos=tuple(photo_record(photo) for photo in row.photos),
        inspections=tuple(None if item is None else _inspection(item, demold_age_h=age_h) for item in latest),
        dispositions=dispositions,
        notes=tuple(
            PieceNote(
                id=note.id,
                text=note.text,
                written_by=note.written_by,
                at=note.created_at,
                taken_back=note.id in taken_back,
            )
            for note in notes
            if note.undoes_id is None
        ),
        noted_kinds=noted_kinds,
        version=PieceVersion(
            review_id=max(review_ids, default=0),
            disposition_id=max((word.id for word in dispositions), default=0),
            note_id=max((note.id for note in notes), default=0),
        ),
    )


def _piece(
    row: PieceRow,
    inspections: Mapping[int, _Inspected],
    dispositions: tuple[Disposition, ...],
    noted_kinds: tuple[str, ...] | None,
) -> Piece:
    latest = [inspections[photo.id] for photo in row.photos if photo.id in inspections]
    scores = [item.row.score for item in latest if item.row.status == "inspected" and item.row.score is not None]
    standings = [_standing(finding) for item in latest for finding in item.findings]
    pour = row.pour
    return Piece(
        id=row.id,
        mold=row.mold.name,
        mold_title=row.mold.title,
        pour_id=row.pour_id,
        poured_at=None if pour is None else with_offset(pour.poured_at, pour.poured_offset_min),
        demolded_at=None if row.demolded_at is None else with_offset(row.demolded_at, row.demolded_offset_min),
        demold_age_h=_demold_age_h(row),
        score=max(scores, default=None),
        photo_ids=tuple(photo.id for photo in row.photos),
        photo_names=tuple(photo.name for photo in row.photos),
        unusable_photos=sum(item.row.status == "unusable" for item in latest),
        kinds=tuple(standing.kind for standing in standings if standing.verdict != "dismissed") + (noted_kinds or ()),
        noted=noted_kinds is not None,
        unreviewed=sum(standing.verdict is None for standing in standings),
        outcome=dispositions[-1].outcome if dispositions else None,
    )


def _demold_age_h(row: PieceRow) -> float | None:
    return _age_h(None if row.pour is None else row.pour.poured_at, row.demolded_at)


def _age_h(poured_at: datetime | None, demolded_at: datetime | None) -> float | None:
    return None if poured_at is None or demolded_at is None else (demolded_at - poured_at).total_seconds() / 3600


def _standing(finding: FindingRow) -> _Standing:
    if not finding.reviews:
        return _Standing(kind=finding.kind, verdict=None)
    last = finding.reviews[-1]
    return _Standing(kind=last.new_kind or finding.kind, verdict=verdict_of(last))


def verdict_of(row: ReviewRow) -> Verdict | None:
    """Read the verdict of a review; None where it only takes another one back."""
    return next((verdict for verdict in VERDICTS if verdict == row.verdict), None)


def _inspection(item: _Inspected, *, demold_age_h: float | None) -> LoggedInspection:
    row = item.row
    matrix: list[Any] | None = row.photo_from_reference
    return LoggedInspection(
        id=row.id,
        photo_id=row.photo_id,
        engine_version=row.engine_version,
        status="unusable" if row.status == "unusable" else "inspected",
        reason=row.reason,
        score=row.score,
        px_per_mm=row.px_per_mm,
        reference=row.reference_name,
        seconds=row.seconds,
        warnings=tuple(row.warnings),
        photo_from_reference=None if matrix is None else tuple(tuple(line) for line in matrix),
        created_at=row.created_at,
        findings=tuple(_finding(finding, row, demold_age_h=demold_age_h) for finding in item.findings),
        not_counted=tuple(
            UncountedMark(**{**mark, "polygon_xy": _points(mark["polygon_xy"])}) for mark in row.not_counted or ()
        ),
    )


def _finding(row: FindingRow, inspection: InspectionRow, *, demold_age_h: float | None) -> LoggedFinding:
    standing = _standing(row)
    reviews = tuple(
        review_record(review, photo_id=inspection.photo_id, piece_id=inspection.photo.piece_id)
        for review in row.reviews
    )
    drawn = reviews[-1].outline if reviews else None
    as_found = Outline(_points(row.polygon_xy), row.area_mm2, row.length_mm, row.width_mm)
    outline = drawn or as_found
    return LoggedFinding(
        id=row.id,
        kind=standing.kind,
        kind_found=row.kind,
        polygon_xy=outline.polygon_xy,
        confidence=row.confidence,
        area_mm2=outline.area_mm2,
        length_mm=outline.length_mm,
        width_mm=outline.width_mm,
        depth_mm=row.depth_mm if drawn is None else None,
        feature=row.feature_name,
        drawn_by=row.drawn_by,
        verdict=standing.verdict,
        reviews=reviews,
        demold_age_h=demold_age_h,
        confidence_alone=row.confidence_alone,
        dismissed_on=row.dismissed_on or 0,
        seen_as=row.seen_as,
    )


def review_record(row: ReviewRow, *, photo_id: int, piece_id: int | None) -> Review:
    """Turn a row into what the log hands out."""
    return Review(
        id=row.id,
        finding_id=row.finding_id,
        photo_id=photo_id,
        piece_id=piece_id,
        verdict=verdict_of(row),
        kind=row.new_kind,
        outline=None
        if row.outline_xy is None
        else Outline(_points(row.outline_xy), row.area_mm2, row.length_mm, row.width_mm),
        reviewer=row.reviewer,
        at=row.created_at,
        undoes_id=row.undoes_id,
    )


def _points(stored: Sequence[Sequence[float]]) -> Points:
    return tuple((x, y) for x, y in stored)

"""What people say about a piece: findings, their outlines, what becomes of it, notes. Rows are only ever added.

Each row says all that holds from then on, so the latest counts, and a word is taken back by a row that says what held
before it. With each word may come the version of the piece that the person saw; if others have said something since,
nothing is kept.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspector.errors import InputError, StaleError
from inspector.log.listing import piece_details, review_record
from inspector.log.opening import Log
from inspector.log.records import (
    Disposition,
    LoggedFinding,
    Outcome,
    Outline,
    PieceDetail,
    PieceNote,
    PieceVersion,
    Points,
    Review,
    Verdict,
)
from inspector.log.tables import DispositionRow, FindingRow, InspectionRow, PhotoRow, PieceNoteRow, PieceRow, ReviewRow

__all__ = [
    "LastWord",
    "add_disposition",
    "add_drawn_finding",
    "add_note",
    "add_review",
    "find_piece_of_finding",
    "last_word",
    "take_back",
]


class _Word(Protocol):
    @property
    def id(self) -> int: ...

    @property
    def undoes_id(self) -> int | None: ...


_W = TypeVar("_W", bound=_Word)


@dataclass(frozen=True, slots=True)
class LastWord:
    """The latest thing that a person said about a piece and that still holds."""

    said: Review | Disposition | PieceNote

    @property
    def at(self) -> datetime:
        """When it was said."""
        return self.said.at


def add_review(
    log: Log,
    finding_id: int,
    *,
    verdict: Verdict,
    new_kind: str | None,
    reviewer: str,
    outline: Outline | None = None,
    seen: PieceVersion | None = None,
) -> Review:
    """Append a person's word on a finding.

    An outline that was corrected stays corrected, whatever is said next. So does a kind, when an outline is corrected.

    Raises
    ------
    InputError
        If there is no such finding.
    StaleError
        If more was said about the piece than the version that was seen knows.
    """
    with log.writing() as session:
        finding = session.get(FindingRow, finding_id)
        if finding is None:
            raise InputError(f"There is no finding {finding_id} in the log.")
        photo = finding.inspection.photo
        _check_seen(session, photo.piece_id, seen)
        before = finding.reviews[-1] if finding.reviews else None
        if outline is None and before is not None:
            outline = review_record(before, photo_id=photo.id, piece_id=photo.piece_id).outline
        if verdict == "outline corrected" and before is not None:
            new_kind = before.new_kind
        row = _add_review_row(session, finding, verdict, new_kind, outline, reviewer=reviewer)
        return review_record(row, photo_id=photo.id, piece_id=photo.piece_id)


def add_drawn_finding(
    log: Log,
    photo_id: int,
    *,
    kind: str,
    outline: Outline,
    feature: str | None,
    reviewer: str,
    on_reference: tuple[str, Points] | None = None,
    seen: PieceVersion | None = None,
) -> Review:
    """Add a finding that a person outlined on the photo of a piece, confirmed by that person.

    With the reference that was laid over the photo goes where the outline lies on it, in pixels of that reference.

    Raises
    ------
    InputError
        If there is no such photo, or it shows no piece.
    StaleError
        If more was said about the piece than the version that was seen knows.
    """
    with log.writing() as session:
        photo = session.get(PhotoRow, photo_id)
        if photo is None or photo.piece_id is None:
            raise InputError(f"There is no photo {photo_id} of a piece in the log.")
        _check_seen(session, photo.piece_id, seen)
        latest = select(InspectionRow.id).where(InspectionRow.photo_id == photo_id).order_by(InspectionRow.id.desc())
        finding = FindingRow(
            inspection_id=session.scalars(latest.limit(1)).one(),
            kind=kind,
            polygon_xy=[list(point) for point in outline.polygon_xy],
            confidence=1.0,
            area_mm2=outline.area_mm2,
            length_mm=outline.length_mm,
            width_mm=outline.width_mm,
            feature_name=feature,
            drawn_by=reviewer,
            on_references=None if on_reference is None else {on_reference[0]: [list(xy) for xy in on_reference[1]]},
        )
        session.add(finding)
        row = _add_review_row(session, finding, "confirmed", None, None, reviewer=reviewer)
        return review_record(row, photo_id=photo.id, piece_id=photo.piece_id)


def add_disposition(
    log: Log, piece_id: int, outcome: Outcome, *, decided_by: str, note: str, seen: PieceVersion | None = None
) -> None:
    """Append what became of a piece.

    Raises
    ------
    InputError
        If there is no such piece.
    StaleError
        If more was said about the piece than the version that was seen knows.
    """
    with log.writing() as session:
        _check_piece(session, piece_id)
        _check_seen(session, piece_id, seen)
        now = datetime.now(UTC)
        session.add(
            DispositionRow(piece_id=piece_id, outcome=outcome, decided_by=decided_by, note=note, created_at=now)
        )


def add_note(log: Log, piece_id: int, text: str, *, written_by: str) -> None:
    """Append a note on a piece; it overwrites nothing, so it is taken whatever others said meanwhile.

    Raises
    ------
    InputError
        If there is no such piece.
    """
    with log.writing() as session:
        _check_piece(session, piece_id)
        session.add(PieceNoteRow(piece_id=piece_id, text=text, written_by=written_by, created_at=datetime.now(UTC)))


def take_back(log: Log, piece_id: int, *, by: str, seen: PieceVersion | None = None) -> LastWord:
    """Take back the latest thing that a person said about a piece and that still holds, by saying what held before.

    Raises
    ------
    InputError
        If there is no such piece, or nothing of that person's to take back.
    StaleError
        If more was said about the piece than the version that was seen knows.
    """
    with log.writing() as session:
        _check_piece(session, piece_id)
        _check_seen(session, piece_id, seen)
        detail = piece_details(session, [piece_id])[0]
        word = last_word(detail, by=by)
        if word is None:
            raise InputError(f"There is nothing that {by} said about piece {piece_id} and that could be taken back.")
        now = datetime.now(UTC)
        if isinstance(word.said, Review):
            _take_back_review(session, _finding_of(detail, word.said), word.said, by=by)
        elif isinstance(word.said, Disposition):
            before = _standing(detail.dispositions)[:-1]
            session.add(
                DispositionRow(
                    piece_id=piece_id,
                    outcome=before[-1].outcome if before else None,
                    decided_by=by,
                    note="",
                    undoes_id=word.said.id,
                    created_at=now,
                )
            )
        else:
            session.add(PieceNoteRow(piece_id=piece_id, text="", written_by=by, undoes_id=word.said.id, created_at=now))
        return word


def find_piece_of_finding(log: Log, finding_id: int) -> int:
    """Find the piece that a finding is on.

    Raises
    ------
    InputError
        If there is no such finding.
    """
    query = (
        select(PhotoRow.piece_id)
        .join(InspectionRow, InspectionRow.photo_id == PhotoRow.id)
        .join(FindingRow, FindingRow.inspection_id == InspectionRow.id)
        .where(FindingRow.id == finding_id)
    )
    with log.reading() as session:
        piece_id = session.scalar(query)
    if piece_id is None:
        raise InputError(f"There is no finding {finding_id} in the log.")
    return piece_id


def last_word(detail: PieceDetail, *, by: str) -> LastWord | None:
    """Find the latest thing that a person said about a piece and that nobody has said anything else about since."""
    said: list[Review | Disposition | PieceNote] = []
    for inspection in detail.inspections:
        for finding in inspection.findings if inspection is not None else ():
            said += [review for review in _standing(finding.reviews)[-1:] if review.reviewer == by]
    said += [word for word in _standing(detail.dispositions)[-1:] if word.decided_by == by]
    said += [note for note in detail.notes if note.written_by == by and not note.taken_back]
    return max(map(LastWord, said), key=lambda word: word.at, default=None)


def _standing(words: Sequence[_W]) -> list[_W]:
    """Give the words that were not taken back, and that take nothing back; the last one holds."""
    taken_back = {word.undoes_id for word in words}
    return [word for word in words if word.undoes_id is None and word.id not in taken_back]


def _finding_of(detail: PieceDetail, review: Review) -> LoggedFinding:
    return next(
        finding
        for inspection in detail.inspections
        if inspection is not None
        for finding in inspection.findings
        if finding.id == review.finding_id
    )


def _take_back_review(session: Session, finding: LoggedFinding, review: Review, *, by: str) -> None:
    row = session.get_one(FindingRow, finding.id)
    before = _standing(finding.reviews)[:-1]
    if before:
        held = before[-1]
        _add_review_row(session, row, held.verdict, held.kind, held.outline, reviewer=by, undoes_id=review.id)
    else:
        # What a person drew and takes back is no defect; what was found waits to be looked at again.
        verdict: Verdict | None = None if finding.drawn_by is None else "dismissed"
        _add_review_row(session, row, verdict, None, None, reviewer=by, undoes_id=review.id)


def _add_review_row(
    session: Session,
    finding: FindingRow,
    verdict: Verdict | None,
    new_kind: str | None,
    outline: Outline | None,
    *,
    reviewer: str,
    undoes_id: int | None = None,
) -> ReviewRow:
    row = ReviewRow(
        finding=finding,
        verdict=verdict,
        new_kind=new_kind,
        outline_xy=None if outline is None else [list(point) for point in outline.polygon_xy],
        area_mm2=None if outline is None else outline.area_mm2,
        length_mm=None if outline is None else outline.length_mm,
        width_mm=None if outline is None else outline.width_mm,
        undoes_id=undoes_id,
        reviewer=reviewer,
        created_at=datetime.now(UTC),
    )
    session.add(row)
    session.flush()
    return row


def _check_piece(session: Session, piece_id: int) -> None:
    if session.get(PieceRow, piece_id) is None:
        raise InputError(f"There is no piece {piece_id} in the log.")


def _check_seen(session: Session, piece_id: int | None, seen: PieceVersion | None) -> None:
    if seen is None or piece_id is None:
        return
    if piece_details(session, [piece_id])[0].version != seen:
        raise StaleError(
            f"Somebody else has said something about piece {piece_id} since you opened it, so yours was not kept. "
            "Look at the piece as it is now, and say it again if it still holds."
        )

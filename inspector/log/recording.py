"""Writing down a photo of a piece with its inspection: rows are only ever added."""

from dataclasses import asdict, dataclass
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspector.errors import InputError
from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.photo_rows import NewPhoto, photo_row
from inspector.log.pour_tables import PourWithdrawalRow
from inspector.log.pours import pour_row
from inspector.log.records import NewInspection
from inspector.log.sending_tables import SentPhotoRow
from inspector.log.tables import (
    FindingRow,
    InspectionRow,
    PhotoRow,
    PieceRow,
    ReferenceRow,
    ViewRow,
    offset_minutes,
    with_offset,
)

__all__ = [
    "LoggedPiecePhoto",
    "NewPiecePhoto",
    "PhotoSending",
    "add_piece_photo",
    "check_piece",
    "check_pour",
    "find_sent_piece",
    "inspection_row",
    "note_sending",
    "place_photo",
    "sent_photo_row",
    "sent_piece",
    "view_of_reference",
]


@dataclass(frozen=True, slots=True)
class PhotoSending:
    """The keys under which a browser sends a photo, chosen by it and the same at every try."""

    photo_key: str
    piece_key: str
    """Shared by all photos of one piece, so that they belong together before the log has numbered the piece."""


@dataclass(frozen=True, slots=True)
class NewPiecePhoto:
    """A photo of a piece on its way into the log."""

    photo: NewPhoto
    mold: str
    pour_id: int | None
    demolded_at: datetime | None
    piece_id: int | None
    """The piece, where it is in the log already; else the photo shows a new one."""
    view: str | None
    inspection: NewInspection
    sending: PhotoSending | None = None


@dataclass(frozen=True, slots=True)
class LoggedPiecePhoto:
    """Where a photo of a piece is in the log."""

    photo_id: int
    piece_id: int
    added: bool
    """False where the same content was logged before; nothing was written then."""
    sent_before: bool = False
    """Whether it was logged by an earlier try of the same sending, whose answer got lost."""


def find_sent_piece(log: Log, piece_key: str) -> int | None:
    """Find the piece that photos sent under a key are of; None while none of them is in the log."""
    with log.reading() as session:
        return sent_piece(session, piece_key)


def note_sending(log: Log, sending: PhotoSending, *, photo_id: int) -> bool:
    """Keep the keys under which a photo came that is in the log already.

    Returns
    -------
    sent_before : bool
        Whether an earlier try of the same sending brought it there.
    """
    with log.writing() as session:
        photo = session.get_one(PhotoRow, photo_id)
        return _note_sending_row(session, sending, photo, now=datetime.now(UTC))


def check_piece(
    log: Log, *, mold: str, pour_id: int | None, demolded_at: datetime | None, piece_id: int | None, view: str | None
) -> None:
    """Refuse what `add_piece_photo` would refuse, before the work of inspecting is done.

    Raises
    ------
    InputError
        If mold, pour, piece or view do not fit each other, or the demolding lies before the pour.
    """
    with log.reading() as session:
        _existing_piece(session, mold=mold, pour_id=pour_id, demolded_at=demolded_at, piece_id=piece_id, view=view)


def add_piece_photo(log: Log, new: NewPiecePhoto) -> LoggedPiecePhoto:
    """Log a photo of a piece with its inspection, all or nothing.

    Raises
    ------
    InputError
        As `check_piece` does, or if another photo was sent under the same key.
    """
    now = datetime.now(UTC)
    with log.writing() as session:
        photo, sent_before = sent_photo_row(session, new.photo, new.sending, now=now)
        if photo.piece_id is not None:
            return LoggedPiecePhoto(photo_id=photo.id, piece_id=photo.piece_id, added=False, sent_before=sent_before)
        piece = place_photo(
            session,
            photo,
            mold=new.mold,
            pour_id=new.pour_id,
            demolded_at=new.demolded_at,
            piece_id=new.piece_id,
            view=new.view,
            piece_key=None if new.sending is None else new.sending.piece_key,
            now=now,
        )
        photo.view = photo.view or view_of_reference(session, piece, new.inspection.reference)
        session.add(inspection_row(photo, new.inspection, now=now))
        session.flush()
        return LoggedPiecePhoto(photo_id=photo.id, piece_id=piece.id, added=True)


def place_photo(
    session: Session,
    photo: PhotoRow,
    *,
    mold: str,
    pour_id: int | None,
    demolded_at: datetime | None,
    piece_id: int | None,
    view: str | None,
    piece_key: str | None,
    now: datetime,
) -> PieceRow:
    """Give a photo the piece that it is of: one that is in the log, or a new one.

    Raises
    ------
    InputError
        As `check_piece` does.
    """
    sent_piece_id = None if piece_key is None else sent_piece(session, piece_key)
    piece = _existing_piece(
        session,
        mold=mold,
        # One more photo of a piece that has its pour and its time already.
        pour_id=pour_id if sent_piece_id is None else None,
        demolded_at=demolded_at if sent_piece_id is None else None,
        piece_id=piece_id if sent_piece_id is None else sent_piece_id,
        view=view,
    )
    if piece is None:
        piece = PieceRow(
            mold=mold_row(session, mold),
            pour_id=pour_id,
            demolded_at=demolded_at,
            demolded_offset_min=offset_minutes(demolded_at),
            created_at=now,
        )
        session.add(piece)
    photo.piece = piece
    photo.view = _view_row(piece, view)
    return piece


def sent_piece(session: Session, piece_key: str) -> int | None:
    """Find the piece that photos sent under a key are of."""
    query = (
        select(PhotoRow.piece_id)
        .join(SentPhotoRow, SentPhotoRow.photo_id == PhotoRow.id)
        .where(SentPhotoRow.piece_key == piece_key, PhotoRow.piece_id.is_not(None))
        .order_by(SentPhotoRow.id)
    )
    return session.scalars(query).first()


def sent_photo_row(
    session: Session, photo: NewPhoto, sending: PhotoSending | None, *, now: datetime
) -> tuple[PhotoRow, bool]:
    """Find or add a photo and keep the keys of its sending; give whether an earlier try of it got into the log."""
    row = photo_row(session, photo, now=now)
    session.flush()
    return row, _note_sending_row(session, sending, row, now=now)


def _note_sending_row(session: Session, sending: PhotoSending | None, photo: PhotoRow, *, now: datetime) -> bool:
    """Keep the keys of a sending; give whether an earlier try of it got into the log."""
    if sending is None:
        return False
    row = session.scalar(select(SentPhotoRow).where(SentPhotoRow.photo_key == sending.photo_key))
    if row is None:
        session.add(SentPhotoRow(photo_key=sending.photo_key, piece_key=sending.piece_key, photo=photo, created_at=now))
    elif row.photo_id != photo.id:
        raise InputError(
            f"Another photo was sent under the key {sending.photo_key} before. Take the photo again and send that."
        )
    return row is not None


def _existing_piece(
    session: Session,
    *,
    mold: str,
    pour_id: int | None,
    demolded_at: datetime | None,
    piece_id: int | None,
    view: str | None,
) -> PieceRow | None:
    mold_ = mold_row(session, mold)
    if view is not None and all(row.name != view for row in mold_.views):
        views = ", ".join(row.name for row in mold_.views)
        raise InputError(f"Mold {mold} has no view {view}. It has: {views}.")
    if pour_id is not None:
        check_pour(session, mold=mold, pour_id=pour_id, demolded_at=demolded_at)
    if piece_id is None:
        return None
    piece = session.get(PieceRow, piece_id)
    if piece is None:
        raise InputError(f"There is no piece {piece_id} in the log.")
    if piece.mold_id != mold_.id:
        raise InputError(f"Piece {piece_id} came out of mold {piece.mold.name}, not {mold}.")
    if pour_id is not None and piece.pour_id != pour_id:
        was = "without a pour" if piece.pour_id is None else f"with pour {piece.pour_id}"
        raise InputError(f"Piece {piece_id} was logged {was}, not with pour {pour_id}. Leave the pour out.")
    if demolded_at is not None and piece.demolded_at != demolded_at:
        raise InputError(
            f"Piece {piece_id} was logged with another demolding time than {demolded_at:%Y-%m-%d %H:%M %z}. "
            "Leave the time out for one more photo of a piece."
        )
    return piece


def check_pour(session: Session, *, mold: str, pour_id: int, demolded_at: datetime | None) -> None:
    """Refuse a pour that a piece of a mold, demolded then, cannot be of.

    Raises
    ------
    InputError
        If it is unknown, was withdrawn, went into other molds, or came after the demolding.
    """
    pour = pour_row(session, pour_id)
    if session.scalar(select(PourWithdrawalRow.id).where(PourWithdrawalRow.pour_id == pour_id)) is not None:
        raise InputError(f"Pour {pour_id} was withdrawn: it was written down by mistake. Name another pour, or none.")
    molds = [row.name for row in pour.molds]
    if mold not in molds:
        raise InputError(
            f"Pour {pour_id} went into {', '.join(molds)}, not into {mold}. Name the pour that filled this mold."
        )
    if demolded_at is not None and demolded_at < pour.poured_at:
        poured_at = with_offset(pour.poured_at, pour.poured_offset_min)
        if demolded_at.replace(second=0, microsecond=0) == poured_at.replace(second=0, microsecond=0):
            raise InputError(
                f"Demolding is given as {demolded_at:%Y-%m-%d %H:%M %z}, the minute in which pour {pour_id} was made: "
                "nothing is hard then. Choose the pour that the piece is of, or check the demolding time."
            )
        raise InputError(
            f"Demolding at {demolded_at:%Y-%m-%d %H:%M %z} lies before pour {pour_id} at "
            f"{poured_at:%Y-%m-%d %H:%M %z}. Check the demolding time, the clock of the camera and the pour."
        )


def _view_row(piece: PieceRow, view: str | None) -> ViewRow | None:
    views = piece.mold.views
    if view is None:
        return views[0] if len(views) == 1 else None
    return next(row for row in views if row.name == view)


def view_of_reference(session: Session, piece: PieceRow, reference: str | None) -> ViewRow | None:
    """Find the view by the nearest reference: its name is unique among those of a mold."""
    query = (
        select(ViewRow)
        .join(ReferenceRow, ReferenceRow.view_id == ViewRow.id)
        .where(ViewRow.mold_id == piece.mold.id, ReferenceRow.name == reference)
    )
    return None if reference is None else session.scalar(query)


def inspection_row(photo: PhotoRow, new: NewInspection, *, now: datetime) -> InspectionRow:
    """Make the row of an inspection with those of its findings."""
    matrix = new.photo_from_reference
    return InspectionRow(
        photo=photo,
        engine_version=new.engine_version,
        compared_with=new.compared_with,
        status=new.status,
        reason=new.reason,
        score=new.score,
        px_per_mm=new.px_per_mm,
        reference_name=new.reference,
        seconds=new.seconds,
        warnings=list(new.warnings),
        photo_from_reference=None if matrix is None else [list(line) for line in matrix],
        created_at=now,
        findings=[
            FindingRow(
                kind=finding.kind,
                polygon_xy=[list(point) for point in finding.polygon_xy],
                confidence=finding.confidence,
                area_mm2=finding.area_mm2,
                length_mm=finding.length_mm,
                width_mm=finding.width_mm,
                depth_mm=finding.depth_mm,
                feature_name=finding.feature,
                confidence_alone=finding.confidence_alone,
                dismissed_on=finding.dismissed_on or None,
                seen_as=finding.seen_as,
                on_references={name: [list(point) for point in outline] for name, outline in finding.on_references}
                or None,
            )
            for finding in new.findings
        ],
        not_counted=[asdict(mark) for mark in new.not_counted] or None,
    )

"""Photos that are kept and wait for their inspection: kept before they are answered, claimed, then inspected once.

Who inspects claims a photo for a while, and renews the claim as long as it works on it. What a program had claimed that
was killed is free again when the claim runs out; what comes from one that lost its claim meanwhile is not logged.
Those who claim may be at several machines: writers take turns (`Log.writing`), so that no two claim the same photo, and
claims run out by the clock of the database, not by theirs.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import Select, func, or_, select, update
from sqlalchemy.orm import Session

from inspector.errors import InputError
from inspector.log.awaiting_tables import AwaitingPhotoRow
from inspector.log.history import acting_as, acting_name
from inspector.log.opening import Log
from inspector.log.photo_rows import NewPhoto, photo_record
from inspector.log.recording import (
    PhotoSending,
    inspection_row,
    place_photo,
    sent_photo_row,
    sent_piece,
    view_of_reference,
)
from inspector.log.records import LoggedPhoto, NewInspection
from inspector.log.sending_tables import SentPhotoRow
from inspector.log.tables import PhotoRow, PieceRow, offset_minutes, with_offset

__all__ = [
    "AwaitingPhoto",
    "ClaimedPhoto",
    "KeptPhoto",
    "PhotoToInspect",
    "claim_photo",
    "count_awaiting",
    "drop_refused",
    "find_awaiting",
    "finish_claim",
    "keep_for_inspection",
    "list_refused",
    "name_refused",
    "refuse_claim",
    "release_claims",
    "renew_claim",
    "return_claim",
]


@dataclass(frozen=True, slots=True)
class PhotoToInspect:
    """A photo of a piece on its way into the log, its inspection to come."""

    photo: NewPhoto
    mold: str | None
    """None where it is to be found out from the photo."""
    pour_id: int | None
    demolded_at: datetime | None
    piece_id: int | None
    view: str | None
    sending: PhotoSending | None


@dataclass(frozen=True, slots=True)
class KeptPhoto:
    """A photo that is in the log, inspected or not."""

    photo_id: int
    piece_id: int | None
    """None while nobody knows what it shows."""
    added: bool
    """False where the same content was logged before."""
    sent_before: bool
    """Whether it was logged by an earlier try of the same sending, whose answer got lost."""


@dataclass(frozen=True, slots=True)
class ClaimedPhoto:
    """A photo that one worker has claimed, with what was said about it."""

    photo: LoggedPhoto
    site_id: int
    """Where it belongs, with all that it may show."""
    worker: str
    tries: int
    """How often its inspection was begun, this time among them, but for those whose claim ran out."""
    lapses: int
    """How often a claim on it ran out."""
    mold: str | None
    """None where it is to be found out from the photo."""
    view: str | None
    pour_id: int | None
    sent_by: str | None


@dataclass(frozen=True, slots=True)
class AwaitingPhoto:
    """A photo that is not inspected yet."""

    photo: LoggedPhoto
    before: int
    """So many photos come before it."""
    refused: str | None
    """Why a person has to say what it shows."""
    likely: tuple[str, ...]
    """The molds that it may show then, best first."""


def keep_for_inspection(log: Log, new: PhotoToInspect) -> KeptPhoto:
    """Log a photo that is to be inspected, all or nothing; one that waits already is taken as it is told now.

    Raises
    ------
    InputError
        As `check_piece` does, or if another photo was sent under the same key.
    """
    now = datetime.now(UTC)
    with log.writing() as session:
        photo, sent_before = sent_photo_row(session, new.photo, new.sending, now=now)
        waits = _row_of(session, photo.id)
        if photo.piece_id is not None:
            return KeptPhoto(photo.id, photo.piece_id, added=False, sent_before=sent_before)
        if waits is not None and waits.refused is None and new.mold is None:
            return KeptPhoto(photo.id, None, added=False, sent_before=sent_before)
        if waits is not None:
            # Whoever is at it, to find out the mold, finds its claim gone.
            session.delete(waits)
            session.flush()
        if new.mold is not None:
            place_photo(
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
        session.add(
            AwaitingPhotoRow(
                photo=photo,
                pour_id=new.pour_id,
                demolded_at=new.demolded_at,
                demolded_offset_min=offset_minutes(new.demolded_at),
                view=new.view,
                sent_by=acting_name(),
                likely=[],
                tries=0,
                created_at=now,
            )
        )
        session.flush()
        return KeptPhoto(photo.id, photo.piece_id, added=True, sent_before=False)


def claim_photo(log: Log, *, worker: str, lease: timedelta) -> ClaimedPhoto | None:
    """Claim the photo that waits longest; None where none is free."""
    with log.reading() as session:  # most times there is none, and nobody who writes has to be waited for
        if session.scalar(_free(_now(log, session))) is None:
            return None
    with log.writing() as session:
        now = _now(log, session)
        row = session.scalar(_free(now))
        if row is None:
            return None
        if row.claimed_by is None:
            row.tries += 1
        else:  # in place of the try whose claim ran out
            row.lapses += 1
        row.claimed_by, row.claimed_until = worker, now + lease
        photo = row.photo
        piece = photo.piece or _piece_sent_with(session, photo)
        return ClaimedPhoto(
            photo=photo_record(photo),
            site_id=photo.site_id,
            worker=worker,
            tries=row.tries,
            lapses=row.lapses,
            mold=None if piece is None else piece.mold.name,
            view=row.view,
            pour_id=row.pour_id,
            sent_by=row.sent_by,
        )


def renew_claim(log: Log, claim: ClaimedPhoto, *, lease: timedelta) -> None:
    """Claim a photo for longer, if it is still claimed."""
    with log.writing() as session:
        row = _claimed_row(session, claim)
        if row is not None:
            row.claimed_until = _now(log, session) + lease


def release_claims(log: Log, *, worker: str, was_stopped: bool = False) -> None:
    """Let others inspect what a worker that has ended had claimed.

    A try that was stopped from outside does not count: it says nothing about the photo.
    """
    with log.writing() as session:
        released = (
            update(AwaitingPhotoRow)
            .where(AwaitingPhotoRow.claimed_by == worker)
            .values(claimed_by=None, claimed_until=None, tries=AwaitingPhotoRow.tries - int(was_stopped))
        )
        session.execute(released)


def return_claim(log: Log, claim: ClaimedPhoto) -> None:
    """Let a claimed photo wait on as if its inspection had not been begun: what it needs cannot be reached just now."""
    with log.writing() as session:
        row = _claimed_row(session, claim)
        if row is not None:
            row.claimed_by, row.claimed_until, row.tries = None, None, row.tries - 1


def finish_claim(
    log: Log, claim: ClaimedPhoto, inspection: NewInspection, *, mold: str, view: str | None
) -> int | None:
    """Log the inspection of a claimed photo, and make its piece where it has none yet.

    Returns
    -------
    piece_id : int, optional
        None where the claim was lost meanwhile: then nothing is logged, somebody else has the photo.

    Raises
    ------
    InputError
        As `check_piece` does, for a photo whose mold was found out.
    """
    now = datetime.now(UTC)
    with acting_as(claim.sent_by), log.writing() as session:
        row = _claimed_row(session, claim)
        if row is None:
            return None
        photo = row.photo
        piece = photo.piece or _make_piece(session, row, mold=mold, view=view)
        photo.view = photo.view or view_of_reference(session, piece, inspection.reference)
        session.add(inspection_row(photo, inspection, now=now))
        session.delete(row)
        session.flush()
        return piece.id


def refuse_claim(log: Log, claim: ClaimedPhoto, *, reason: str, likely: Sequence[str]) -> None:
    """Leave a claimed photo to a person, who has to say what it shows."""
    with log.writing() as session:
        row = _claimed_row(session, claim)
        if row is not None:
            row.refused, row.likely = reason, list(likely)
            row.claimed_by = row.claimed_until = None


def find_awaiting(log: Log, photo_id: int) -> AwaitingPhoto | None:
    """Find how it stands with a photo; None where it does not wait."""
    with log.reading() as session:
        row = _row_of(session, photo_id)
        if row is None:
            return None
        earlier = select(func.count()).where(AwaitingPhotoRow.refused.is_(None), AwaitingPhotoRow.id < row.id)
        return _record(row, before=session.scalar(earlier) or 0)


def count_awaiting(log: Log) -> int:
    """Count the photos that wait for their inspection."""
    with log.reading() as session:
        return session.scalar(select(func.count()).where(AwaitingPhotoRow.refused.is_(None))) or 0


def list_refused(log: Log) -> tuple[AwaitingPhoto, ...]:
    """List the photos of which a person has to say what they show, oldest first."""
    with log.reading() as session:
        rows = session.scalars(
            select(AwaitingPhotoRow).where(AwaitingPhotoRow.refused.is_not(None)).order_by(AwaitingPhotoRow.id)
        )
        return tuple(_record(row, before=0) for row in rows)


def name_refused(log: Log, photo_id: int, *, mold: str) -> None:
    """Log which mold a photo's piece came out of, which a person was asked for; the photo is to be inspected then.

    Raises
    ------
    InputError
        If nobody was asked; or as `check_piece` does.
    """
    with log.writing() as session:
        row = _refused_row(session, photo_id)
        _make_piece(session, row, mold=mold, view=row.view)
        row.refused, row.likely, row.tries, row.lapses = None, [], 0, 0


def drop_refused(log: Log, photo_id: int) -> None:
    """Ask no more what a photo shows; the photo itself stays.

    Raises
    ------
    InputError
        If nobody was asked.
    """
    with log.writing() as session:
        session.delete(_refused_row(session, photo_id))


def _now(log: Log, session: Session) -> datetime:
    """The time that claims are held against, alike for all who may claim."""
    return log.database.now(session.connection())


def _free(now: datetime) -> Select[AwaitingPhotoRow]:
    return (
        select(AwaitingPhotoRow)
        .where(
            AwaitingPhotoRow.refused.is_(None),
            or_(AwaitingPhotoRow.claimed_until.is_(None), AwaitingPhotoRow.claimed_until < now),
        )
        .order_by(AwaitingPhotoRow.id)
        .limit(1)
    )


def _row_of(session: Session, photo_id: int) -> AwaitingPhotoRow | None:
    return session.scalar(select(AwaitingPhotoRow).where(AwaitingPhotoRow.photo_id == photo_id))


def _claimed_row(session: Session, claim: ClaimedPhoto) -> AwaitingPhotoRow | None:
    row = _row_of(session, claim.photo.id)
    return row if row is not None and row.claimed_by == claim.worker else None


def _refused_row(session: Session, photo_id: int) -> AwaitingPhotoRow:
    row = _row_of(session, photo_id)
    if row is None or row.refused is None:
        raise InputError(f"Nobody has to say what photo {photo_id} shows. Load the page anew.")
    return row


def _make_piece(session: Session, row: AwaitingPhotoRow, *, mold: str, view: str | None) -> PieceRow:
    sent = session.scalar(_sending_of(row.photo_id))
    return place_photo(
        session,
        row.photo,
        mold=mold,
        pour_id=row.pour_id,
        demolded_at=_told_at(row),
        piece_id=None,
        view=view,
        piece_key=None if sent is None else sent.piece_key,
        now=datetime.now(UTC),
    )


def _sending_of(photo_id: int) -> Select[SentPhotoRow]:
    return select(SentPhotoRow).where(SentPhotoRow.photo_id == photo_id).order_by(SentPhotoRow.id).limit(1)


def _piece_sent_with(session: Session, photo: PhotoRow) -> PieceRow | None:
    """The piece of another photo that a browser sent with this one."""
    sent = session.scalar(_sending_of(photo.id))
    piece_id = None if sent is None else sent_piece(session, sent.piece_key)
    return None if piece_id is None else session.get(PieceRow, piece_id)


def _told_at(row: AwaitingPhotoRow) -> datetime | None:
    return None if row.demolded_at is None else with_offset(row.demolded_at, row.demolded_offset_min)


def _record(row: AwaitingPhotoRow, *, before: int) -> AwaitingPhoto:
    return AwaitingPhoto(
        photo=photo_record(row.photo), before=before, refused=row.refused, likely=tuple(map(str, row.likely))
    )

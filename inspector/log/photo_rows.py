"""Rows of photos: what is known about a kept photo, whatever it is a photo of."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspector.errors import InputError
from inspector.log.opening import Log
from inspector.log.photos import MOST_PHOTO_BYTES, media_type_of
from inspector.log.records import LoggedPhoto, StoredFile
from inspector.log.rollup_tables import PHOTO_STATES, PhotoCountRow
from inspector.log.tables import PhotoRow, offset_minutes, with_offset

__all__ = [
    "NewPhoto",
    "count_photos",
    "find_photo",
    "find_photo_by_content",
    "list_photo_pieces",
    "photo_record",
    "photo_row",
    "read_photo_file",
]


@dataclass(frozen=True, slots=True)
class NewPhoto:
    """A photo whose file is kept and that is on its way into the log."""

    sha256: bytes
    name: str
    media_type: str
    byte_count: int
    width_px: int
    height_px: int
    taken_at: datetime | None

    @classmethod
    def kept(
        cls, log: Log, data: bytes, *, name: str, width_px: int, height_px: int, taken_at: datetime | None
    ) -> "NewPhoto":
        """Bring the file to disk, so that a row may name it.

        Raises
        ------
        InputError
            If it is larger than any that is kept.
        """
        if len(data) > MOST_PHOTO_BYTES:
            raise InputError(
                f"Photo {name} has {len(data) / 1e6:.0f} MB, and {MOST_PHOTO_BYTES / 1e6:.0f} MB are the most that are "
                "kept. Save it smaller, as a JPEG for instance."
            )
        return cls(
            sha256=log.photos.keep(data),
            name=name,
            media_type=media_type_of(data),
            byte_count=len(data),
            width_px=width_px,
            height_px=height_px,
            taken_at=taken_at,
        )


def count_photos(log: Log) -> dict[str, int]:
    """Count the photos of pieces by the status of their latest inspection; `waiting` where there is none yet."""
    with log.reading() as session:
        counts = session.execute(select(PhotoCountRow.state, PhotoCountRow.photos)).all()
    return {state: sum(photos for of, photos in counts if of == state) for state in PHOTO_STATES}


def find_photo(log: Log, photo_id: int) -> LoggedPhoto:
    """Find a photo by its number.

    Raises
    ------
    InputError
        If there is none.
    """
    with log.reading() as session:
        return photo_record(_existing(session, photo_id))


def list_photo_pieces(log: Log, photo_ids: Sequence[int]) -> dict[int, int]:
    """Tell which pieces some photos show, by the photo; those that show none are left out."""
    query = select(PhotoRow.id, PhotoRow.piece_id).where(PhotoRow.id.in_(photo_ids), PhotoRow.piece_id.is_not(None))
    with log.reading() as session:
        return {photo_id: piece_id for photo_id, piece_id in session.execute(query) if piece_id is not None}


def find_photo_by_content(log: Log, sha256: bytes) -> LoggedPhoto | None:
    """Find the photo of that content, if it is in the log."""
    with log.reading() as session:
        row = session.scalar(select(PhotoRow).where(PhotoRow.sha256 == sha256))
        return None if row is None else photo_record(row)


def read_photo_file(log: Log, photo_id: int) -> StoredFile:
    """Read a photo's file, as it came in."""
    with log.reading() as session:
        row = _existing(session, photo_id)
        name, media_type, sha256 = row.name, row.media_type, row.sha256
    return StoredFile(name=name, media_type=media_type, data=log.photos.read(sha256, media_type))


def photo_row(session: Session, photo: NewPhoto, *, now: datetime) -> PhotoRow:
    """Find or add the row of a photo."""
    row = session.scalar(select(PhotoRow).where(PhotoRow.sha256 == photo.sha256))
    if row is None:
        row = PhotoRow(
            sha256=photo.sha256,
            name=photo.name,
            media_type=photo.media_type,
            byte_count=photo.byte_count,
            width_px=photo.width_px,
            height_px=photo.height_px,
            taken_at=photo.taken_at,
            taken_offset_min=offset_minutes(photo.taken_at),
            created_at=now,
        )
        session.add(row)
    return row


def photo_record(row: PhotoRow) -> LoggedPhoto:
    """Turn a row into what the log hands out."""
    return LoggedPhoto(
        id=row.id,
        name=row.name,
        sha256=row.sha256.hex(),
        byte_count=row.byte_count,
        width_px=row.width_px,
        height_px=row.height_px,
        media_type=row.media_type,
        taken_at=None if row.taken_at is None else with_offset(row.taken_at, row.taken_offset_min),
        view=None if row.view is None else row.view.name,
        piece_id=row.piece_id,
    )


def _existing(session: Session, photo_id: int) -> PhotoRow:
    row = session.get(PhotoRow, photo_id)
    if row is None:
        raise InputError(f"There is no photo {photo_id} in the log.")
    return row

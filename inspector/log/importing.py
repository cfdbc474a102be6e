"""Taking in pieces that a workshop kept in a spreadsheet: molds, pours, pieces, cure and defects, all or nothing."""

import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload

from inspector.log.curing_tables import WetCureRow
from inspector.log.opening import Log
from inspector.log.tables import (
    DefectNoteRow,
    MoldRow,
    NotedDefectRow,
    PieceRow,
    PourRow,
    ViewRow,
    offset_minutes,
)
from inspector.log.temperatures import constant_temperature_row, temperatures_in_force

__all__ = ["ImportedPieces", "NewNotedPiece", "import_pieces"]


@dataclass(frozen=True, slots=True)
class NewNotedPiece:
    """A piece as one line of a spreadsheet has it."""

    line: int
    mold: str
    mold_title: str
    """Taken where the mold is not in the log yet."""
    poured_at: datetime
    demolded_at: datetime
    temperature_degc: float | None
    wet_until_h: float | None
    kinds: tuple[str, ...]
    """Of its defects; empty for a good piece."""


@dataclass(frozen=True, slots=True)
class ImportedPieces:
    """What became of a spreadsheet."""

    piece_ids: tuple[int, ...]
    """Of the pieces that were added."""
    in_log_before: tuple[int, ...]
    """Lines that say the same as pieces imported before; nothing was added for them."""
    new_molds: tuple[str, ...]
    new_pours: int
    look_alikes: tuple[int, ...]
    """Lines added although a piece of that mold, pour and demolding was in the log, of which something else is said."""


def import_pieces(log: Log, pieces: Sequence[NewNotedPiece], *, source: str) -> ImportedPieces:
    """Add pieces (one or more) with their molds and pours, all or nothing; what was imported before is not added again.

    Lines that say the same are as many pieces as the fullest file has such lines: a spreadsheet that grew since its
    last import adds what is new. Pieces poured at one time are of one pour, unless their temperatures differ; a pour
    that is in the log already is taken, if it went into the mold at that time.
    """
    now = datetime.now(UTC)
    with log.writing() as session:
        molds, new_molds = _molds(session, pieces, now=now)
        before = _notes_before(session)
        pours = _Pours(session, pieces, source=source, now=now)
        demoldings_before = _demoldings_before(session)
        added: list[tuple[NewNotedPiece, PieceRow]] = []
        in_log_before, look_alikes = [], []
        for piece in pieces:
            fingerprint = _fingerprint(piece)
            if before[fingerprint] > 0:
                before[fingerprint] -= 1
                in_log_before.append(piece.line)
                continue
            mold = molds[piece.mold]
            if (mold.name, piece.poured_at, piece.demolded_at) in demoldings_before:
                look_alikes.append(piece.line)
            row = PieceRow(
                mold=mold,
                pour=pours.of(piece, mold),
                demolded_at=piece.demolded_at,
                demolded_offset_min=offset_minutes(piece.demolded_at),
                created_at=now,
            )
            session.add(row)
            added.append((piece, row))
        session.flush()
        for piece, row in added:
            session.add(
                DefectNoteRow(
                    piece_id=row.id,
                    source=source,
                    line=piece.line,
                    fingerprint=_fingerprint(piece),
                    created_at=now,
                    defects=[NotedDefectRow(kind=kind) for kind in piece.kinds],
                )
            )
            if piece.wet_until_h is not None:
                session.add(WetCureRow(piece_id=row.id, until_h=piece.wet_until_h, created_at=now))
        return ImportedPieces(
            piece_ids=tuple(row.id for _, row in added),
            in_log_before=tuple(in_log_before),
            new_molds=tuple(new_molds),
            new_pours=pours.added,
            look_alikes=tuple(look_alikes),
        )


class _Pours:
    """The pours that the pieces of one import are of, looked up or added."""

    def __init__(self, session: Session, pieces: Sequence[NewNotedPiece], *, source: str, now: datetime) -> None:
        self.added = 0
        self._session = session
        self._source = source
        self._now = now
        self._by_time: dict[datetime, list[PourRow]] = {}
        self._degc: dict[PourRow, float | None] = {}
        self._measured: set[PourRow] = set()
        rows = session.scalars(
            select(PourRow)
            .where(
                PourRow.poured_at.between(
                    min(piece.poured_at for piece in pieces), max(piece.poured_at for piece in pieces)
                )
            )
            .options(selectinload(PourRow.molds))
            .order_by(PourRow.id)
        ).all()
        constants, readings = temperatures_in_force(session, None)
        for row in rows:
            self._by_time.setdefault(row.poured_at, []).append(row)
            self._degc[row] = constants.get(row.id)
            if row.id in readings:
                self._measured.add(row)

    def of(self, piece: NewNotedPiece, mold: MoldRow) -> PourRow:
        """Find the pour of a piece, or add it."""
        same_time = self._by_time.setdefault(piece.poured_at.astimezone(UTC), [])
        fitting = [row for row in same_time if self._agrees(row, piece)]
        row = next((row for row in fitting if mold in row.molds), None)
        if row is None:  # of an import, it may have gone into more molds than were told so far
            row = next((row for row in fitting if row.mix_id is None), None)
            if row is None:
                row = self._new(piece)
                same_time.append(row)
            row.molds.append(mold)
        if self._degc[row] is None and piece.temperature_degc is not None and row not in self._measured:
            self._degc[row] = piece.temperature_degc
            self._session.add(
                constant_temperature_row(
                    row, temperature_degc=piece.temperature_degc, source=self._source, now=self._now
                )
            )
        return row

    def _new(self, piece: NewNotedPiece) -> PourRow:
        row = PourRow(
            poured_at=piece.poured_at,
            poured_offset_min=offset_minutes(piece.poured_at),
            cure_notes="",
            created_at=self._now,
        )
        self._session.add(row)
        self._degc[row] = None
        self.added += 1
        return row

    def _agrees(self, row: PourRow, piece: NewNotedPiece) -> bool:
        """Tell whether nothing speaks against a piece being of a pour; readings know better than a spreadsheet."""
        known_degc = self._degc[row]
        return (
            row in self._measured
            or None in (known_degc, piece.temperature_degc)
            or (known_degc == piece.temperature_degc)
        )


def _molds(session: Session, pieces: Sequence[NewNotedPiece], *, now: datetime) -> tuple[dict[str, MoldRow], list[str]]:
    molds = {row.name: row for row in session.scalars(select(MoldRow))}
    new = []
    for piece in pieces:
        if piece.mold not in molds:
            molds[piece.mold] = MoldRow(
                name=piece.mold,
                title=piece.mold_title,
                material="",
                release_agent="",
                created_at=now,
                views=[ViewRow(name="front")],
            )
            session.add(molds[piece.mold])
            new.append(piece.mold)
    return molds, new


def _notes_before(session: Session) -> Counter[bytes]:
    rows = session.execute(select(DefectNoteRow.fingerprint, func.count()).group_by(DefectNoteRow.fingerprint))
    return Counter(dict(rows.all()))


def _demoldings_before(session: Session) -> set[tuple[str, datetime, datetime]]:
    """Mold, pour and demolding of the pieces that are in the log."""
    rows = session.execute(
        select(MoldRow.name, PourRow.poured_at, PieceRow.demolded_at)
        .join(PieceRow, PieceRow.mold_id == MoldRow.id)
        .join(PourRow, PourRow.id == PieceRow.pour_id)
        .where(PieceRow.demolded_at.is_not(None))
    )
    return {(mold, poured_at, demolded_at) for mold, poured_at, demolded_at in rows if demolded_at is not None}


def _fingerprint(piece: NewNotedPiece) -> bytes:
    """Sum up what a line says, however its numbers and times were written."""
    said = [
        piece.mold,
        piece.poured_at.astimezone(UTC).isoformat(),
        piece.demolded_at.astimezone(UTC).isoformat(),
        piece.temperature_degc,
        piece.wet_until_h,
        sorted(piece.kinds),
    ]
    return hashlib.sha256(json.dumps(said).encode()).digest()

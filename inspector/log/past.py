"""Adding what a workshop made before it kept this log: pours with their pieces, all or nothing."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspector.log.curing_tables import WetCureRow
from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.outcomes import NotedDefect
from inspector.log.pours import mix_row
from inspector.log.tables import DefectNoteRow, NotedDefectRow, PieceRow, PourRow, offset_minutes
from inspector.log.temperatures import constant_temperature_row

__all__ = ["PastPiece", "PastPour", "add_past", "has_past"]


@dataclass(frozen=True, slots=True)
class PastPiece:
    """A piece with what was noted about it."""

    mold: str
    demolded_at: datetime
    defects: tuple[NotedDefect, ...]
    """Empty for a good piece."""


@dataclass(frozen=True, slots=True)
class PastPour:
    """A pour with its pieces."""

    mix: str
    poured_at: datetime
    temperature_degc: float
    wet_until_h: float | None
    cure_notes: str
    pieces: tuple[PastPiece, ...]


def has_past(log: Log, *, source: str) -> bool:
    """Tell whether something of that source was added before."""
    with log.reading() as session:
        return _is_there(session, source)


def add_past(log: Log, pours: Sequence[PastPour], *, source: str) -> int:
    """Add pours with their pieces; nothing is added if something of that source was added before.

    Returns
    -------
    pieces : int
        How many were added.

    Raises
    ------
    InputError
        If a mix or a mold is unknown.
    """
    now = datetime.now(UTC)
    with log.writing() as session:
        if _is_there(session, source):
            return 0
        mixes = {name: mix_row(session, name) for name in dict.fromkeys(pour.mix for pour in pours)}
        names = dict.fromkeys(piece.mold for pour in pours for piece in pour.pieces)
        molds = {name: mold_row(session, name) for name in names}
        added = []
        for pour in pours:
            row = PourRow(
                mix=mixes[pour.mix],
                poured_at=pour.poured_at,
                poured_offset_min=offset_minutes(pour.poured_at),
                cure_notes=pour.cure_notes,
                created_at=now,
                molds=[molds[name] for name in dict.fromkeys(piece.mold for piece in pour.pieces)],
            )
            pieces = [
                PieceRow(
                    mold=molds[piece.mold],
                    pour=row,
                    demolded_at=piece.demolded_at,
                    demolded_offset_min=offset_minutes(piece.demolded_at),
                    created_at=now,
                )
                for piece in pour.pieces
            ]
            session.add_all([row, *pieces])
            session.add(constant_temperature_row(row, temperature_degc=pour.temperature_degc, source=source, now=now))
            added.append((pour, row, pieces))
        session.flush()
        line = 0
        for pour, row, pieces in added:
            if pour.wet_until_h is not None:
                session.add(WetCureRow(pour_id=row.id, until_h=pour.wet_until_h, created_at=now))
            for past, piece in zip(pour.pieces, pieces, strict=True):
                line += 1
                session.add(
                    DefectNoteRow(
                        piece_id=piece.id,
                        source=source,
                        line=line,
                        fingerprint=b"",
                        created_at=now,
                        defects=[NotedDefectRow(kind=item.kind, feature_name=item.feature) for item in past.defects],
                    )
                )
        return line


def _is_there(session: Session, source: str) -> bool:
    return session.scalar(select(DefectNoteRow.id).where(DefectNoteRow.source == source).limit(1)) is not None

"""Pieces that were logged with the wrong pour or time: put right with what stood there before."""

from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import select

from inspector.errors import InputError
from inspector.log.opening import Log
from inspector.log.piece_tables import PieceCorrectionRow
from inspector.log.recording import check_pour
from inspector.log.tables import PieceRow, offset_minutes, with_offset

__all__ = ["PieceCorrection", "correct_piece", "list_piece_corrections"]


@dataclass(frozen=True, slots=True)
class PieceCorrection:
    """What a piece was held to be until somebody corrected it."""

    pour_id: int | None
    demolded_at: datetime | None
    corrected_by: str
    why: str
    corrected_at: datetime


def correct_piece(
    log: Log, piece_id: int, *, pour_id: int | None, demolded_at: datetime | None, corrected_by: str, why: str
) -> None:
    """Put the pour and the demolding of a piece right; what stood there stays. Nothing happens if it is the same.

    Raises
    ------
    InputError
        If piece or pour is unknown, the pour went into other molds or was withdrawn, or the demolding lies before it.
    """
    with log.writing() as session:
        row = session.get(PieceRow, piece_id)
        if row is None:
            raise InputError(f"There is no piece {piece_id} in the log.")
        if (row.pour_id, row.demolded_at) == (pour_id, demolded_at):
            return
        if pour_id is not None:
            check_pour(session, mold=row.mold.name, pour_id=pour_id, demolded_at=demolded_at)
        session.add(
            PieceCorrectionRow(
                piece_id=piece_id,
                pour_id=row.pour_id,
                demolded_at=row.demolded_at,
                demolded_offset_min=row.demolded_offset_min,
                corrected_by=corrected_by,
                why=why,
                created_at=datetime.now(UTC),
            )
        )
        row.pour_id = pour_id
        row.demolded_at = demolded_at
        row.demolded_offset_min = offset_minutes(demolded_at)


def list_piece_corrections(log: Log, piece_id: int) -> tuple[PieceCorrection, ...]:
    """List what a piece was held to be before, oldest first."""
    query = select(PieceCorrectionRow).where(PieceCorrectionRow.piece_id == piece_id).order_by(PieceCorrectionRow.id)
    with log.reading() as session:
        return tuple(
            PieceCorrection(
                pour_id=row.pour_id,
                demolded_at=None if row.demolded_at is None else with_offset(row.demolded_at, row.demolded_offset_min),
                corrected_by=row.corrected_by,
                why=row.why,
                corrected_at=row.created_at,
            )
            for row in session.scalars(query)
        )

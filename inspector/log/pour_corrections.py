"""Pours that were written down wrongly: put right with what stood there before, or withdrawn with the reason."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from inspector.errors import InputError
from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.pour_tables import PourCorrectionRow, PourWithdrawalRow
from inspector.log.pours import mix_row, pour_row
from inspector.log.tables import PieceRow, offset_minutes, with_offset

__all__ = ["PourCorrection", "correct_pour", "list_pour_corrections", "withdraw_pour"]


@dataclass(frozen=True, slots=True)
class PourCorrection:
    """What a pour was held to be until somebody corrected it."""

    mix: str | None
    poured_at: datetime
    molds: tuple[str, ...]
    cure_notes: str
    corrected_by: str
    why: str
    corrected_at: datetime


def correct_pour(
    log: Log,
    pour_id: int,
    *,
    mix: str | None,
    molds: Sequence[str],
    poured_at: datetime,
    cure_notes: str,
    corrected_by: str,
    why: str,
) -> None:
    """Put a pour right and keep what stood there before; nothing happens if it is the same.

    Raises
    ------
    InputError
        If pour, mix or a mold is unknown, the pour was withdrawn, or pieces that are in the log contradict.
    """
    with log.writing() as session:
        row = pour_row(session, pour_id)
        _check_not_withdrawn(session, pour_id)
        wanted = list(dict.fromkeys(molds))
        mold_rows = [mold_row(session, name) for name in wanted]
        _check_pieces(session, pour_id, molds=wanted, poured_at=poured_at)
        new_mix = None if mix is None else mix_row(session, mix)
        before = [mold.name for mold in row.molds]
        same_mix = (None if row.mix is None else row.mix.name) == mix
        if same_mix and row.poured_at == poured_at and set(before) == set(wanted) and row.cure_notes == cure_notes:
            return
        session.add(
            PourCorrectionRow(
                pour_id=pour_id,
                mix=row.mix,
                poured_at=row.poured_at,
                poured_offset_min=row.poured_offset_min,
                cure_notes=row.cure_notes,
                molds=before,
                corrected_by=corrected_by,
                why=why,
                created_at=datetime.now(UTC),
            )
        )
        row.mix = new_mix
        row.poured_at = poured_at
        row.poured_offset_min = offset_minutes(poured_at) or 0
        row.cure_notes = cure_notes
        row.molds = mold_rows


def list_pour_corrections(log: Log, pour_id: int) -> tuple[PourCorrection, ...]:
    """List what a pour was held to be before, oldest first."""
    query = (
        select(PourCorrectionRow)
        .where(PourCorrectionRow.pour_id == pour_id)
        .options(joinedload(PourCorrectionRow.mix))
        .order_by(PourCorrectionRow.id)
    )
    with log.reading() as session:
        return tuple(
            PourCorrection(
                mix=None if row.mix is None else row.mix.name,
                poured_at=with_offset(row.poured_at, row.poured_offset_min),
                molds=tuple(row.molds),
                cure_notes=row.cure_notes,
                corrected_by=row.corrected_by,
                why=row.why,
                corrected_at=row.created_at,
            )
            for row in session.scalars(query)
        )


def withdraw_pour(log: Log, pour_id: int, *, withdrawn_by: str, why: str) -> None:
    """Let a pour that never was fill no mold any more; it stays on record.

    Raises
    ------
    InputError
        If there is none, it was withdrawn before, or pieces of it are in the log.
    """
    with log.writing() as session:
        pour_row(session, pour_id)
        _check_not_withdrawn(session, pour_id)
        pieces = session.scalars(select(PieceRow.id).where(PieceRow.pour_id == pour_id).order_by(PieceRow.id)).all()
        if pieces:
            raise InputError(
                f"Pour {pour_id} cannot be withdrawn: {len(pieces)} of its pieces are in the log, the first is piece "
                f"{pieces[0]}. Correct the pour instead."
            )
        session.add(
            PourWithdrawalRow(pour_id=pour_id, withdrawn_by=withdrawn_by, why=why, created_at=datetime.now(UTC))
        )


def _check_not_withdrawn(session: Session, pour_id: int) -> None:
    row = session.scalar(select(PourWithdrawalRow).where(PourWithdrawalRow.pour_id == pour_id))
    if row is not None:
        raise InputError(f"Pour {pour_id} was withdrawn by {row.withdrawn_by}: {row.why}.")


def _check_pieces(session: Session, pour_id: int, *, molds: Sequence[str], poured_at: datetime) -> None:
    query = select(PieceRow).where(PieceRow.pour_id == pour_id).options(joinedload(PieceRow.mold)).order_by(PieceRow.id)
    for piece in session.scalars(query):
        if piece.mold.name not in molds:
            raise InputError(
                f"Piece {piece.id} of mold {piece.mold.name} is logged with pour {pour_id}. Leave that mold in it."
            )
        if piece.demolded_at is not None and piece.demolded_at < poured_at:
            demolded_at = with_offset(piece.demolded_at, piece.demolded_offset_min)
            raise InputError(
                f"Piece {piece.id} left its mold at {demolded_at:%Y-%m-%d %H:%M %z}, before the pour would have been "
                f"at {poured_at:%Y-%m-%d %H:%M %z}. Check the time of the pour."
            )

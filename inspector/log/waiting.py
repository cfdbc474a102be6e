"""Keeping the list of pieces that wait for a decision, as the log goes on.

It could be worked out from the log at any time, and says nothing that the log does not: it is outside the history, and
`disagreements` holds the two against each other. Working it out means to look at every piece that was ever made.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from typing import Any

from sqlalchemy import Connection, delete, event, insert, or_, select
from sqlalchemy.orm import Session

from inspector.log.held_rows import ROWS_A_STATEMENT
from inspector.log.standing import is_waiting, score_of_piece
from inspector.log.tables import DefectNoteRow, DispositionRow, InspectionRow, PhotoRow, PieceRow
from inspector.log.waiting_tables import WaitingPieceRow

__all__ = ["disagreements", "keeping_waiting"]


@contextmanager
def keeping_waiting(session: Session) -> Iterator[None]:
    """Have the list follow what a session writes meanwhile, in the same transaction."""
    touched: set[int | None] = set()

    def note(session: Session, *_: Any) -> None:
        for row in [*session.new, *session.dirty, *session.deleted]:
            touched.update(_pieces_of(row))

    event.listen(session, "after_flush", note)
    yield
    session.flush()
    ids = iter(sorted(piece_id for piece_id in touched if piece_id is not None))
    while portion := list(islice(ids, ROWS_A_STATEMENT)):
        _work_out(session.connection(), portion)


def disagreements(connection: Connection) -> list[int]:
    """Find the pieces of which list and log say different things: by their numbers, all pieces are looked at."""
    waits, score = is_waiting(), score_of_piece()
    listed = WaitingPieceRow.piece_id.is_not(None)
    query = (
        select(PieceRow.id)
        .outerjoin(WaitingPieceRow, WaitingPieceRow.piece_id == PieceRow.id)
        .where(or_(waits != listed, listed & score.is_distinct_from(WaitingPieceRow.score)))
        .order_by(PieceRow.id)
    )
    return list(connection.scalars(query))


def _pieces_of(row: object) -> list[int | None]:
    match row:
        case PieceRow():
            return [row.id]
        case PhotoRow() | DispositionRow() | DefectNoteRow():
            return [row.piece_id]
        case InspectionRow():
            return [row.photo.piece_id]
    return []


def _work_out(connection: Connection, piece_ids: list[int]) -> None:
    connection.execute(delete(WaitingPieceRow).where(WaitingPieceRow.piece_id.in_(piece_ids)))
    waiting = select(PieceRow.id, score_of_piece()).where(PieceRow.id.in_(piece_ids), is_waiting())
    connection.execute(insert(WaitingPieceRow).from_select(["piece_id", "score"], waiting))

"""Has anything changed that losses are learnt from? A mark that moves with every row that is added or withdrawn."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import func, select

from inspector.log.curing_tables import BreakTestRow, ExpectedTemperatureRow, TemperatureRecordRow, WetCureRow
from inspector.log.opening import Log
from inspector.log.piece_tables import PieceCorrectionRow
from inspector.log.pour_tables import PourCorrectionRow
from inspector.log.release_agent_tables import ReleaseAgentRow
from inspector.log.tables import (
    DefectNoteRow,
    DispositionRow,
    FeatureRow,
    InspectionRow,
    MixRow,
    MoldRow,
    PieceRow,
    PourRow,
    ReferenceRow,
    ReviewRow,
)

__all__ = ["evidence_mark", "newest_piece_id", "strength_mark"]

# Rows of these are only ever added, so their highest id tells whether there are new ones.
_GROWING = (
    BreakTestRow, DefectNoteRow, DispositionRow, ExpectedTemperatureRow, FeatureRow, InspectionRow, MixRow, MoldRow,
    PieceCorrectionRow, PieceRow, PourCorrectionRow, PourRow, ReferenceRow, ReleaseAgentRow, ReviewRow,
    TemperatureRecordRow, WetCureRow,
)  # fmt: skip
# Of those, what the strength of mixes is worked out from.
_OF_STRENGTH = (BreakTestRow, ExpectedTemperatureRow, MixRow, PourCorrectionRow, TemperatureRecordRow)
# Rows of these may be withdrawn as well.
_WITHDRAWN = (BreakTestRow, TemperatureRecordRow)


def newest_piece_id(log: Log) -> int:
    """Give the number of the piece logged last; 0 without any."""
    with log.reading() as session:
        return session.scalar(select(func.max(PieceRow.id))) or 0


def evidence_mark(log: Log) -> tuple[int, ...]:
    """Give the mark of the log as it is: the same as before if nothing was added or withdrawn since, at any site.

    The newest row of all is found at once; that of a site would be searched for.
    """
    return _mark(log, _GROWING)


def strength_mark(log: Log) -> tuple[int, ...]:
    """Give the mark of what the strength of mixes is worked out from: break tests, and how warm their pours were."""
    return _mark(log, _OF_STRENGTH)


def _mark(log: Log, growing: Sequence[type[Any]]) -> tuple[int, ...]:
    newest = [select(func.coalesce(func.max(row.id), 0)).scalar_subquery() for row in growing]
    withdrawn = [select(func.count()).where(row.withdrawn_at.is_not(None)).scalar_subquery() for row in _WITHDRAWN]
    with log.whole().reading() as session:
        return tuple(session.execute(select(*newest, *withdrawn)).one())

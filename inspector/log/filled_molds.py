"""Which molds are filled? Those that a pour went into and nothing was taken out of since."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import exists, select
from sqlalchemy.orm import aliased

from inspector.log.opening import Log
from inspector.log.pour_tables import PourWithdrawalRow
from inspector.log.tables import MoldRow, PieceRow, PourMoldRow, PourRow

__all__ = ["FilledMold", "list_filled_molds"]


@dataclass(frozen=True, slots=True)
class FilledMold:
    """A mold with a pour in it."""

    mold: str
    pour_id: int


def list_filled_molds(log: Log, *, at: datetime) -> tuple[FilledMold, ...]:
    """List the molds that are filled at a time, in the order they were poured.

    A mold is empty once a piece of its pour is in the log, or a later pour went into it.
    """
    later_into, later = aliased(PourMoldRow), aliased(PourRow)
    came_out = exists().where(PieceRow.pour_id == PourMoldRow.pour_id, PieceRow.mold_id == PourMoldRow.mold_id)
    filled_again = exists().where(
        later_into.mold_id == PourMoldRow.mold_id,
        later.id == later_into.pour_id,
        later.poured_at > PourRow.poured_at,
        later.poured_at <= at,
        later.id.not_in(select(PourWithdrawalRow.pour_id)),
    )
    withdrawn = exists().where(PourWithdrawalRow.pour_id == PourRow.id)
    query = (
        select(MoldRow.name, PourRow.id)
        .join(PourMoldRow, PourMoldRow.mold_id == MoldRow.id)
        .join(PourRow, PourRow.id == PourMoldRow.pour_id)
        .where(PourRow.poured_at <= at, ~came_out, ~filled_again, ~withdrawn)
        .order_by(PourRow.poured_at, PourRow.id, MoldRow.name)
    )
    with log.reading() as session:
        return tuple(FilledMold(mold=mold, pour_id=pour_id) for mold, pour_id in session.execute(query))

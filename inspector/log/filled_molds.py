"""Which molds are filled? Those that a pour went into and nothing was taken out of since."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import exists, func, select
from sqlalchemy.orm import aliased

from inspector.log.opening import Log
from inspector.log.rollup_tables import MoldPourRow
from inspector.log.tables import MoldRow, PieceRow, PourMoldRow

__all__ = ["FilledMold", "list_filled_molds"]


@dataclass(frozen=True, slots=True)
class FilledMold:
    """A mold with a pour in it."""

    mold: str
    pour_id: int
    poured_at: datetime


def list_filled_molds(log: Log, *, at: datetime, pour_id: int | None = None) -> tuple[FilledMold, ...]:
    """List the molds that are filled at a time, or filled by one pour, in the order they were poured.

    A mold is empty once a piece of its pour is in the log, or a later pour went into it.
    """
    other = aliased(MoldPourRow)
    latest = select(func.max(other.poured_at)).where(other.mold_id == MoldRow.id, other.poured_at <= at)
    came_out = exists().where(PieceRow.pour_id == MoldPourRow.pour_id, PieceRow.mold_id == MoldPourRow.mold_id)
    # Mold by mold, and put in order below: an inner join SQLite may turn round, and read all pours ever made.
    query = (
        select(MoldPourRow.poured_at, MoldPourRow.pour_id, MoldRow.name)
        .select_from(MoldRow)
        .outerjoin(
            MoldPourRow,
            (MoldPourRow.mold_id == MoldRow.id)
            & (MoldPourRow.poured_at == latest.correlate(MoldRow).scalar_subquery())
            & ~came_out,
        )
    )
    if pour_id is not None:
        query = query.where(MoldRow.id.in_(select(PourMoldRow.mold_id).where(PourMoldRow.pour_id == pour_id)))
    with log.reading() as session:
        found = [(at, number, mold) for at, number, mold in session.execute(query) if number is not None]
        return tuple(
            FilledMold(mold=mold, pour_id=number, poured_at=poured_at)
            for poured_at, number, mold in sorted(found)
            if pour_id in (None, number)
        )

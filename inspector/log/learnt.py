"""What was learnt from the whole log at once, kept until it is learnt anew: texts that only the workshop can read.

It could be learnt again at any time, and is outside the history.
"""

from collections.abc import Collection, Mapping
from datetime import UTC, datetime

from sqlalchemy import delete, func, insert, select

from inspector.log.learnt_tables import LearntRow, MoldOutlookRow
from inspector.log.opening import Log
from inspector.log.rollups import rebuild_rollups
from inspector.log.tables import MoldRow

__all__ = [
    "find_learnt",
    "find_mold_months",
    "keep_learnt",
    "list_mold_outlooks",
    "newest_learnt_id",
    "work_out_rollups",
]


def keep_learnt(log: Log, shared: str, outlooks: Mapping[str, str], months: Mapping[str, str]) -> None:
    """Keep what all molds tell, and what was worked out of each by its name, in place of what was kept before."""
    with log.writing() as session:
        last = session.connection().scalar(select(func.max(LearntRow.id))) or 0  # of all sites
        unseen = {"synchronize_session": False}
        session.execute(delete(LearntRow), execution_options=unseen)
        session.execute(delete(MoldOutlookRow), execution_options=unseen)
        session.add(LearntRow(id=last + 1, created_at=datetime.now(UTC), said=shared))
        numbers = dict(session.execute(select(MoldRow.name, MoldRow.id)).all())
        rows = [{"mold_id": numbers[name], "said": said, "months": months[name]} for name, said in outlooks.items()]
        if rows:
            session.execute(insert(MoldOutlookRow), rows)


def newest_learnt_id(log: Log) -> int | None:
    """Give the number of what was learnt last; None where nothing was."""
    with log.reading() as session:
        return session.scalar(select(func.max(LearntRow.id)))


def find_learnt(log: Log) -> str | None:
    """Give what all molds told when it was learnt last; None where it never was."""
    with log.reading() as session:
        return session.scalar(select(LearntRow.said).order_by(LearntRow.id.desc()).limit(1))


def list_mold_outlooks(log: Log, *, molds: Collection[str] | None = None) -> tuple[str, ...]:
    """List what was worked out of each mold then, or of some, by the molds' names."""
    with log.reading() as session:
        query = select(MoldOutlookRow.said).join(MoldRow, MoldRow.id == MoldOutlookRow.mold_id).order_by(MoldRow.name)
        if molds is not None:
            query = query.where(MoldRow.name.in_(molds))
        return tuple(session.scalars(query))


def find_mold_months(log: Log, mold: str) -> str | None:
    """Give what was worked out of a mold's months then; None where nothing was."""
    with log.reading() as session:
        query = select(MoldOutlookRow.months).join(MoldRow, MoldRow.id == MoldOutlookRow.mold_id)
        return session.scalar(query.where(MoldRow.name == mold))


def work_out_rollups(log: Log) -> None:
    """Work out anew what lists and trends know of pieces and pours, from the log itself."""
    with log.writing() as session:
        rebuild_rollups(session.connection())

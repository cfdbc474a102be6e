"""Demold windows in the log: what they are to meet, and each change with the evidence that caused it."""

from collections.abc import Sequence
from datetime import UTC, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import joinedload

from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.pours import mix_row
from inspector.log.tables import MoldRow
from inspector.log.window_records import MoldSetting, Window, WindowChange
from inspector.log.window_tables import MoldSettingRow, WindowChangeRow

__all__ = [
    "add_mold_setting",
    "add_window_changes",
    "find_mold_setting",
    "latest_windows",
    "list_mold_settings",
    "list_window_changes",
]


def add_mold_setting(
    log: Log,
    *,
    mold: str,
    target_loss: float,
    piece_cost: float | None,
    mold_hour_cost: float | None,
    turnaround_h: float | None,
) -> MoldSetting:
    """Write down what the window of a mold is to meet from now on; earlier words stay on record."""
    with log.writing() as session:
        row = MoldSettingRow(
            mold_id=mold_row(session, mold).id,
            target_loss=target_loss,
            piece_cost=piece_cost,
            mold_hour_cost=mold_hour_cost,
            turnaround_h=turnaround_h,
            created_at=datetime.now(UTC),
        )
        session.add(row)
        session.flush()
        return _setting(row, mold=mold)


def find_mold_setting(log: Log, mold: str) -> MoldSetting:
    """Find what the window of a mold is to meet; the defaults where nobody said."""
    with log.reading() as session:
        row = session.scalar(
            select(MoldSettingRow)
            .where(MoldSettingRow.mold_id == mold_row(session, mold).id)
            .order_by(MoldSettingRow.id.desc())
            .limit(1)
        )
        return MoldSetting(mold=mold) if row is None else _setting(row, mold=mold)


def list_mold_settings(log: Log) -> dict[str, MoldSetting]:
    """Give what the window of each mold is to meet, by mold; the defaults where nobody said."""
    with log.reading() as session:
        settings = {
            name: MoldSetting(mold=name) for name in session.scalars(select(MoldRow.name).order_by(MoldRow.name))
        }
        latest = select(func.max(MoldSettingRow.id)).group_by(MoldSettingRow.mold_id)
        query = (
            select(MoldRow.name, MoldSettingRow)
            .join(MoldSettingRow, MoldSettingRow.mold_id == MoldRow.id)
            .where(MoldSettingRow.id.in_(latest))
        )
        return settings | {name: _setting(row, mold=name) for name, row in session.execute(query)}


def add_window_changes(log: Log, windows: Sequence[Window], *, at: datetime) -> tuple[WindowChange, ...]:
    """Write down changed windows from a time on, all or nothing."""
    with log.writing() as session:
        rows = [
            WindowChangeRow(
                mold=mold_row(session, window.mold),
                mix=None if window.mix is None else mix_row(session, window.mix),
                temperature_degc=window.temperature_degc,
                earliest_h=window.earliest_h,
                latest_h=window.latest_h,
                cheapest_h=window.cheapest_h,
                earliest_fraction=window.earliest_fraction,
                latest_fraction=window.latest_fraction,
                cheapest_fraction=window.cheapest_fraction,
                enough_evidence=window.enough_evidence,
                evidence=dict(window.evidence),
                created_at=at,
            )
            for window in windows
        ]
        session.add_all(rows)
        session.flush()
        return tuple(_change(row) for row in rows)


def list_window_changes(log: Log, mold: str) -> tuple[WindowChange, ...]:
    """List all windows that a mold has had, oldest first."""
    with log.reading() as session:
        rows = session.scalars(
            select(WindowChangeRow)
            .where(WindowChangeRow.mold_id == mold_row(session, mold).id)
            .options(joinedload(WindowChangeRow.mold), joinedload(WindowChangeRow.mix))
            .order_by(WindowChangeRow.id)
        )
        return tuple(_change(row) for row in rows)


def latest_windows(log: Log) -> dict[str, WindowChange]:
    """Give the window of each mold that has one, by mold."""
    with log.reading() as session:
        latest = select(func.max(WindowChangeRow.id)).group_by(WindowChangeRow.mold_id)
        rows = session.scalars(
            select(WindowChangeRow)
            .where(WindowChangeRow.id.in_(latest))
            .options(joinedload(WindowChangeRow.mold), joinedload(WindowChangeRow.mix))
        )
        return {row.mold.name: _change(row) for row in rows}


def _setting(row: MoldSettingRow, *, mold: str) -> MoldSetting:
    return MoldSetting(
        mold=mold,
        target_loss=row.target_loss,
        piece_cost=row.piece_cost,
        mold_hour_cost=row.mold_hour_cost,
        turnaround_h=row.turnaround_h,
        set_at=row.created_at,
    )


def _change(row: WindowChangeRow) -> WindowChange:
    return WindowChange(
        id=row.id,
        at=row.created_at,
        window=Window(
            mold=row.mold.name,
            mix=None if row.mix is None else row.mix.name,
            temperature_degc=row.temperature_degc,
            earliest_h=row.earliest_h,
            latest_h=row.latest_h,
            cheapest_h=row.cheapest_h,
            earliest_fraction=row.earliest_fraction,
            latest_fraction=row.latest_fraction,
            cheapest_fraction=row.cheapest_fraction,
            enough_evidence=row.enough_evidence,
            evidence=row.evidence,
        ),
    )

"""Demold windows in the log: what they are to meet, and each change with the evidence that caused it."""

from collections.abc import Collection, Sequence
from datetime import UTC, datetime

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session, aliased

from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.pours import mix_row
from inspector.log.tables import MixRow, MoldRow
from inspector.log.window_records import MoldSetting, Window, WindowChange
from inspector.log.window_tables import MoldSettingRow, WindowChangeRow

__all__ = [
    "add_mold_setting",
    "add_window_changes",
    "find_mold_setting",
    "latest_windows",
    "list_late_windows",
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
        return tuple(_change(row, mold=window.mold, mix=window.mix) for row, window in zip(rows, windows, strict=True))


def list_window_changes(log: Log, mold: str) -> tuple[WindowChange, ...]:
    """List all windows that a mold has had, oldest first."""
    with log.reading() as session:
        return _changes(session, WindowChangeRow.mold_id == mold_row(session, mold).id)


def latest_windows(log: Log, *, molds: Collection[str] | None = None) -> dict[str, WindowChange]:
    """Give the window of each mold that has one, or of some molds, by mold."""
    latest = select(func.max(WindowChangeRow.id)).group_by(WindowChangeRow.mold_id)
    if molds is not None:
        latest = latest.where(WindowChangeRow.mold_id.in_(select(MoldRow.id).where(MoldRow.name.in_(molds))))
    with log.reading() as session:
        return {change.window.mold: change for change in _changes(session, WindowChangeRow.id.in_(latest))}


def list_late_windows(log: Log, *, since: datetime) -> tuple[tuple[WindowChange, ...], ...]:
    """Give the latest window of each mold whose window changed since a time, after the one before, if any."""
    latest = select(func.max(WindowChangeRow.id)).group_by(WindowChangeRow.mold_id)
    late, earlier = aliased(WindowChangeRow), aliased(WindowChangeRow)
    before = (
        select(func.max(earlier.id))
        .join(late, (late.mold_id == earlier.mold_id) & (earlier.id < late.id))
        .where(late.id.in_(latest), late.created_at >= since)
        .group_by(earlier.mold_id)
    )
    is_late = WindowChangeRow.id.in_(latest) & (WindowChangeRow.created_at >= since)
    by_mold: dict[str, list[WindowChange]] = {}
    with log.reading() as session:
        for change in _changes(session, is_late | WindowChangeRow.id.in_(before)):
            by_mold.setdefault(change.window.mold, []).append(change)
    return tuple(tuple(changes) for changes in by_mold.values())


def _changes(session: Session, which: ColumnElement[bool]) -> tuple[WindowChange, ...]:
    """Read windows, oldest first."""
    query = (
        select(WindowChangeRow, MoldRow.name, MixRow.name)
        .join(MoldRow, MoldRow.id == WindowChangeRow.mold_id)
        .outerjoin(MixRow, MixRow.id == WindowChangeRow.mix_id)
        .where(which)
        .order_by(WindowChangeRow.id)
    )
    return tuple(_change(row, mold=mold, mix=mix) for row, mold, mix in session.execute(query))


def _setting(row: MoldSettingRow, *, mold: str) -> MoldSetting:
    return MoldSetting(
        mold=mold,
        target_loss=row.target_loss,
        piece_cost=row.piece_cost,
        mold_hour_cost=row.mold_hour_cost,
        turnaround_h=row.turnaround_h,
        set_at=row.created_at,
    )


def _change(row: WindowChangeRow, *, mold: str, mix: str | None) -> WindowChange:
    return WindowChange(
        id=row.id,
        at=row.created_at,
        window=Window(
            mold=mold,
            mix=mix,
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

"""Temperatures of pours in the log, and those that the workshop is expected to have."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import UTC, datetime

from sqlalchemy import Select, select
from sqlalchemy.orm import Session, selectinload

from inspector.errors import InputError
from inspector.log.cure_records import ExpectedTemperature, TemperatureReading, TemperatureRecord
from inspector.log.curing_tables import ExpectedTemperatureRow, TemperatureReadingRow, TemperatureRecordRow, withdraw
from inspector.log.opening import Log
from inspector.log.pours import pour_row
from inspector.log.tables import PourRow, offset_minutes, with_offset

__all__ = [
    "add_constant_temperature",
    "add_expected_temperature",
    "add_temperature_readings",
    "constant_temperature_row",
    "list_expected_temperatures",
    "list_temperatures",
    "temperatures_in_force",
    "withdraw_temperature",
]


def add_constant_temperature(log: Log, *, pour_id: int, temperature_degc: float, source: str) -> TemperatureRecord:
    """Write down that a pour cured at one temperature; the latest such word counts."""
    with log.writing() as session:
        row = constant_temperature_row(
            pour_row(session, pour_id), temperature_degc=temperature_degc, source=source, now=datetime.now(UTC)
        )
        session.add(row)
        session.flush()
        return _record(row)


def constant_temperature_row(
    pour: PourRow, *, temperature_degc: float, source: str, now: datetime
) -> TemperatureRecordRow:
    """Make the row of a constant temperature, for other parts of the log."""
    return TemperatureRecordRow(pour=pour, constant_degc=temperature_degc, source=source, created_at=now)


def add_temperature_readings(
    log: Log, *, pour_id: int, readings: Sequence[TemperatureReading], source: str
) -> TemperatureRecord:
    """Write down readings of a pour, all or nothing; where times are the same, the latest written down counts."""
    with log.writing() as session:
        row = TemperatureRecordRow(
            pour=pour_row(session, pour_id),
            constant_degc=None,
            source=source,
            created_at=datetime.now(UTC),
            readings=[
                TemperatureReadingRow(
                    at=reading.at, offset_min=offset_minutes(reading.at), temperature_degc=reading.temperature_degc
                )
                for reading in readings
            ],
        )
        session.add(row)
        session.flush()
        return _record(row)


def list_temperatures(log: Log, pour_id: int) -> tuple[TemperatureRecord, ...]:
    """List what was written down about a pour's temperature, in that order, withdrawn records among it."""
    with log.reading() as session:
        pour_row(session, pour_id)
        rows = session.scalars(
            select(TemperatureRecordRow)
            .where(TemperatureRecordRow.pour_id == pour_id)
            .options(selectinload(TemperatureRecordRow.readings))
            .order_by(TemperatureRecordRow.id)
        )
        return tuple(_record(row) for row in rows)


def withdraw_temperature(log: Log, record_id: int, *, why: str) -> TemperatureRecord:
    """Let a record count no longer; it stays on record.

    Raises
    ------
    InputError
        If there is none, or it was withdrawn before.
    """
    with log.writing() as session:
        row = session.get(TemperatureRecordRow, record_id)
        if row is None:
            raise InputError(
                f"There is no temperature record {record_id} in the log. `inspector temperature list --pour N` shows "
                "those of a pour."
            )
        withdraw(row, what=f"Temperature record {record_id}", why=why)
        return _record(row)


def add_expected_temperature(log: Log, *, temperature_degc: float, from_at: datetime) -> ExpectedTemperature:
    """Write down how warm the workshop is expected to be from a time on."""
    with log.writing() as session:
        row = ExpectedTemperatureRow(
            temperature_degc=temperature_degc,
            from_at=from_at,
            from_offset_min=offset_minutes(from_at),
            created_at=datetime.now(UTC),
        )
        session.add(row)
        session.flush()
        return _expected(row)


def list_expected_temperatures(log: Log) -> tuple[ExpectedTemperature, ...]:
    """List expected temperatures by the time from which they hold; of the same time the latest comes last."""
    with log.reading() as session:
        rows = session.scalars(
            select(ExpectedTemperatureRow).order_by(ExpectedTemperatureRow.from_at, ExpectedTemperatureRow.id)
        )
        return tuple(_expected(row) for row in rows)


def temperatures_in_force(
    session: Session, pour_ids: Collection[int] | Select[int] | None
) -> tuple[dict[int, float], dict[int, tuple[TemperatureReading, ...]]]:
    """Read what counts of the temperatures of pours, for other parts of the log.

    Returns
    -------
    constants : dict
        Latest constant temperature by pour, where there is one. [degC]
    readings : dict
        Readings by pour, by time, where there are any.
    """
    constants_query = (
        select(TemperatureRecordRow.pour_id, TemperatureRecordRow.constant_degc)
        .where(TemperatureRecordRow.withdrawn_at.is_(None), TemperatureRecordRow.constant_degc.is_not(None))
        .order_by(TemperatureRecordRow.id)
    )
    readings_query = (
        select(
            TemperatureRecordRow.pour_id,
            TemperatureReadingRow.at,
            TemperatureReadingRow.offset_min,
            TemperatureReadingRow.temperature_degc,
        )
        .join(TemperatureReadingRow, TemperatureReadingRow.record_id == TemperatureRecordRow.id)
        .where(TemperatureRecordRow.withdrawn_at.is_(None))
        .order_by(TemperatureRecordRow.id)
    )
    if pour_ids is not None:
        constants_query = constants_query.where(TemperatureRecordRow.pour_id.in_(pour_ids))
        readings_query = readings_query.where(TemperatureRecordRow.pour_id.in_(pour_ids))
    constants = {pour_id: degc for pour_id, degc in session.execute(constants_query) if degc is not None}
    by_time: dict[int, dict[datetime, TemperatureReading]] = defaultdict(dict)
    for pour_id, at, offset_min, degc in session.execute(readings_query):
        by_time[pour_id][at] = TemperatureReading(at=with_offset(at, offset_min), temperature_degc=degc)
    readings = {pour_id: tuple(of_pour[at] for at in sorted(of_pour)) for pour_id, of_pour in by_time.items()}
    return constants, readings


def _record(row: TemperatureRecordRow) -> TemperatureRecord:
    return TemperatureRecord(
        id=row.id,
        pour_id=row.pour_id,
        constant_degc=row.constant_degc,
        readings=tuple(
            TemperatureReading(
                at=with_offset(reading.at, reading.offset_min), temperature_degc=reading.temperature_degc
            )
            for reading in row.readings
        ),
        source=row.source,
        created_at=row.created_at,
        withdrawn_at=row.withdrawn_at,
        withdrawn_why=row.withdrawn_why,
    )


def _expected(row: ExpectedTemperatureRow) -> ExpectedTemperature:
    return ExpectedTemperature(
        temperature_degc=row.temperature_degc,
        from_at=with_offset(row.from_at, row.from_offset_min),
        created_at=row.created_at,
    )

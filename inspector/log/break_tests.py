"""Break tests in the log: scraps of a pour or of a mix, broken by hand or in a press."""

from datetime import UTC, datetime

from sqlalchemy import func, select

from inspector.errors import InputError
from inspector.log.cure_records import BREAK_WORDS, BreakTest, BreakWord
from inspector.log.curing_tables import BreakTestRow, withdraw
from inspector.log.opening import Log
from inspector.log.pours import mix_row, pour_row
from inspector.log.tables import MixRow, PourRow, offset_minutes, with_offset

__all__ = ["add_mix_break_test", "add_pour_break_test", "list_break_tests", "withdraw_break_test"]


def add_pour_break_test(
    log: Log,
    *,
    pour_id: int,
    tested_at: datetime,
    strength_mpa: float | None,
    word: BreakWord | None,
    note: str,
) -> BreakTest:
    """Write down a test of a scrap of a pour: either MPa or a word.

    Raises
    ------
    InputError
        If there is no such pour, or it was poured later than the test.
    """
    with log.writing() as session:
        pour = pour_row(session, pour_id)
        if tested_at <= pour.poured_at:
            poured_at = with_offset(pour.poured_at, pour.poured_offset_min)
            raise InputError(
                f"A break test at {tested_at:%Y-%m-%d %H:%M %z} does not come after pour {pour_id} at "
                f"{poured_at:%Y-%m-%d %H:%M %z}. Check the time of the test and the pour."
            )
        row = _row(tested_at=tested_at, strength_mpa=strength_mpa, word=word, note=note)
        row.pour = pour
        session.add(row)
        session.flush()
        return _record_of_row(row)


def add_mix_break_test(
    log: Log,
    *,
    mix: str,
    tested_at: datetime,
    age_h: float,
    cure_degc: float,
    strength_mpa: float | None,
    word: BreakWord | None,
    note: str,
) -> BreakTest:
    """Write down a test of a mix by itself, such as a cube kept in water: either MPa or a word.

    Raises
    ------
    InputError
        If there is no such mix.
    """
    with log.writing() as session:
        row = _row(tested_at=tested_at, strength_mpa=strength_mpa, word=word, note=note)
        row.mix = mix_row(session, mix)
        row.age_h = age_h
        row.cure_degc = cure_degc
        session.add(row)
        session.flush()
        return _record_of_row(row)


def list_break_tests(log: Log, *, with_withdrawn: bool, pour_id: int | None = None) -> tuple[BreakTest, ...]:
    """List break tests in the order they were written down, all or those of one pour."""
    with log.reading() as session:
        # Pours and mixes not as objects: all tests of all years are read to tell how mixes gain strength.
        query = (
            select(BreakTestRow, MixRow.name, PourRow.poured_at)
            .outerjoin(PourRow, PourRow.id == BreakTestRow.pour_id)
            .outerjoin(MixRow, MixRow.id == func.coalesce(BreakTestRow.mix_id, PourRow.mix_id))
            .order_by(BreakTestRow.id)
        )
        if not with_withdrawn:
            query = query.where(BreakTestRow.withdrawn_at.is_(None))
        if pour_id is not None:
            query = query.where(BreakTestRow.pour_id == pour_id)
        return tuple(_record(*found) for found in session.execute(query))


def withdraw_break_test(log: Log, test_id: int, *, why: str) -> BreakTest:
    """Let a test count no longer; it stays on record.

    Raises
    ------
    InputError
        If there is none, or it was withdrawn before.
    """
    with log.writing() as session:
        row = session.get(BreakTestRow, test_id)
        if row is None:
            raise InputError(f"There is no break test {test_id} in the log. `inspector breaktest list` shows them.")
        withdraw(row, what=f"Break test {test_id}", why=why)
        return _record_of_row(row)


def _row(*, tested_at: datetime, strength_mpa: float | None, word: BreakWord | None, note: str) -> BreakTestRow:
    return BreakTestRow(
        tested_at=tested_at,
        tested_offset_min=offset_minutes(tested_at),
        strength_mpa=strength_mpa,
        word=word,
        note=note,
        created_at=datetime.now(UTC),
    )


def _record_of_row(row: BreakTestRow) -> BreakTest:
    mix = row.mix if row.pour is None else row.pour.mix
    return _record(row, None if mix is None else mix.name, None if row.pour is None else row.pour.poured_at)


def _record(row: BreakTestRow, mix: str | None, poured_at: datetime | None) -> BreakTest:
    return BreakTest(
        id=row.id,
        pour_id=row.pour_id,
        mix=mix,
        tested_at=with_offset(row.tested_at, row.tested_offset_min),
        age_h=row.age_h or 0.0 if poured_at is None else (row.tested_at - poured_at).total_seconds() / 3600,
        cure_degc=row.cure_degc,
        strength_mpa=row.strength_mpa,
        word=next((word for word in BREAK_WORDS if word == row.word), None),
        note=row.note,
        withdrawn_at=row.withdrawn_at,
        withdrawn_why=row.withdrawn_why,
    )

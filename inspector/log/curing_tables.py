"""The tables of how pours cured: temperatures, wet cure and break tests.

Rows are only ever added. What was written down by mistake is withdrawn: the row stays, with when and why.
"""

from datetime import UTC, datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, SmallInteger, Text, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from inspector.errors import InputError
from inspector.log.tables import Base, MixRow, PourRow

__all__ = [
    "BreakTestRow",
    "ExpectedTemperatureRow",
    "TemperatureReadingRow",
    "TemperatureRecordRow",
    "WetCureRow",
    "withdraw",
]


def _index_of_withdrawn() -> Index:
    """Rows that were withdrawn are few: by an index of all, SQLite would look for those of a pour among all others."""
    withdrawn = text("withdrawn_at IS NOT NULL")
    return Index(None, "withdrawn_at", sqlite_where=withdrawn, postgresql_where=withdrawn)


class TemperatureRecordRow(Base):
    """One temperature for a whole cure, or readings that came in together: typed ones, a logger's file."""

    __tablename__ = "temperature_record"
    __table_args__ = (_index_of_withdrawn(),)

    id: Mapped[int] = mapped_column(primary_key=True)
    pour_id: Mapped[int] = mapped_column(ForeignKey("pour.id"), index=True)
    constant_degc: Mapped[float | None]
    source: Mapped[str]
    created_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]
    withdrawn_why: Mapped[str | None] = mapped_column(Text)

    pour: Mapped[PourRow] = relationship()
    readings: Mapped[list["TemperatureReadingRow"]] = relationship(order_by="TemperatureReadingRow.at")


class TemperatureReadingRow(Base):
    """What was read at one time."""

    __tablename__ = "temperature_reading"

    id: Mapped[int] = mapped_column(primary_key=True)
    record_id: Mapped[int] = mapped_column(ForeignKey("temperature_record.id"), index=True)
    at: Mapped[datetime]
    offset_min: Mapped[int] = mapped_column(SmallInteger)
    temperature_degc: Mapped[float]


class ExpectedTemperatureRow(Base):
    """How warm the workshop is expected to be from a time on; the latest such time counts, then the latest row."""

    __tablename__ = "expected_temperature"

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    temperature_degc: Mapped[float]
    from_at: Mapped[datetime]
    from_offset_min: Mapped[int] = mapped_column(SmallInteger)
    created_at: Mapped[datetime]


class WetCureRow(Base):
    """Until which age a pour, or one piece of it, was kept wet; the latest row counts, a piece's before its pour's."""

    __tablename__ = "wet_cure"
    __table_args__ = (
        CheckConstraint("(pour_id IS NULL) <> (piece_id IS NULL)", name="pour_or_piece"),
        Index(None, "pour_id", "id"),
        Index(None, "piece_id", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    pour_id: Mapped[int | None] = mapped_column(ForeignKey("pour.id"))
    piece_id: Mapped[int | None] = mapped_column(ForeignKey("piece.id"))
    until_h: Mapped[float]
    created_at: Mapped[datetime]


class BreakTestRow(Base):
    """A scrap of a pour, or of a mix, broken by hand or in a press."""

    __tablename__ = "break_test"
    __table_args__ = (
        CheckConstraint("(pour_id IS NULL) <> (mix_id IS NULL)", name="pour_or_mix"),
        CheckConstraint("(mix_id IS NULL) = (age_h IS NULL)", name="age_of_mix"),
        CheckConstraint("(mix_id IS NULL) = (cure_degc IS NULL)", name="cure_of_mix"),
        CheckConstraint("(strength_mpa IS NULL) <> (word IS NULL)", name="strength_or_word"),
        CheckConstraint("word IN ('crumbles', 'snaps with a sandy face', 'snaps clean')", name="word"),
        _index_of_withdrawn(),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    pour_id: Mapped[int | None] = mapped_column(ForeignKey("pour.id"), index=True)
    mix_id: Mapped[int | None] = mapped_column(ForeignKey("mix.id"), index=True)
    tested_at: Mapped[datetime]
    tested_offset_min: Mapped[int] = mapped_column(SmallInteger)
    age_h: Mapped[float | None]
    """Of a test of a mix; that of a pour follows from its time."""
    cure_degc: Mapped[float | None]
    """At which a test of a mix was kept; that of a pour follows from its record."""
    strength_mpa: Mapped[float | None]
    word: Mapped[str | None]
    note: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]
    withdrawn_why: Mapped[str | None] = mapped_column(Text)

    pour: Mapped[PourRow | None] = relationship()
    mix: Mapped[MixRow | None] = relationship()


def withdraw(row: TemperatureRecordRow | BreakTestRow, *, what: str, why: str) -> None:
    """Let a row count no longer.

    Raises
    ------
    InputError
        If it was withdrawn before; ``what`` names it.
    """
    if row.withdrawn_at is not None:
        raise InputError(f"{what} was withdrawn before: {row.withdrawn_why}.")
    row.withdrawn_at = datetime.now(UTC)
    row.withdrawn_why = why

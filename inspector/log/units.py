"""The units that a workshop reads on its pages, as they were chosen one after the other."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal, get_args

from sqlalchemy import select

from inspector.log.opening import Log
from inspector.log.unit_tables import UnitChoiceRow

__all__ = ["UNIT_SYSTEMS", "UnitChoice", "UnitSystem", "add_unit_choice", "find_units", "list_unit_choices"]

UnitSystem = Literal["metric", "us"]
"""Metric, or the customary units of the United States."""
UNIT_SYSTEMS: tuple[UnitSystem, ...] = get_args(UnitSystem)


@dataclass(frozen=True, slots=True)
class UnitChoice:
    """Units that somebody chose."""

    units: UnitSystem
    said_by: str
    at: datetime


def add_unit_choice(log: Log, units: UnitSystem, *, said_by: str) -> None:
    """Write down which units the pages are to show from now on."""
    with log.writing() as session:
        session.add(UnitChoiceRow(units=units, said_by=said_by, created_at=datetime.now(UTC)))


def find_units(log: Log) -> UnitSystem:
    """Tell which units the pages show; metric where nobody chose."""
    with log.reading() as session:
        latest = session.scalar(select(UnitChoiceRow.units).order_by(UnitChoiceRow.id.desc()).limit(1))
        return _known(latest)


def list_unit_choices(log: Log) -> tuple[UnitChoice, ...]:
    """List all choices, the latest first."""
    with log.reading() as session:
        rows = session.scalars(select(UnitChoiceRow).order_by(UnitChoiceRow.id.desc()))
        return tuple(UnitChoice(_known(row.units), row.said_by, row.created_at) for row in rows)


def _known(units: str | None) -> UnitSystem:
    return "us" if units == "us" else "metric"

"""What the log hands out about curing: temperatures, wet cure, break tests. Frozen, with units, as in `records`."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from inspector.log.records import CementClass

__all__ = [
    "BREAK_WORDS",
    "BreakTest",
    "BreakWord",
    "ExpectedTemperature",
    "MoldPour",
    "NearestPours",
    "PieceDemolding",
    "PourCure",
    "TemperatureReading",
    "TemperatureRecord",
]

BreakWord = Literal["crumbles", "snaps with a sandy face", "snaps clean"]
BREAK_WORDS: tuple[BreakWord, ...] = ("crumbles", "snaps with a sandy face", "snaps clean")


@dataclass(frozen=True, slots=True)
class TemperatureReading:
    """What was read at one time."""

    at: datetime
    temperature_degc: float


@dataclass(frozen=True, slots=True)
class TemperatureRecord:
    """One temperature for a whole cure, or readings that came in together."""

    id: int
    pour_id: int
    constant_degc: float | None
    """Held from the pour on; None for readings."""
    readings: tuple[TemperatureReading, ...]
    """By time."""
    source: str
    """`typed`, or the name of the file."""
    created_at: datetime
    withdrawn_at: datetime | None
    withdrawn_why: str | None


@dataclass(frozen=True, slots=True)
class ExpectedTemperature:
    """How warm the workshop is expected to be from a time on."""

    temperature_degc: float
    from_at: datetime
    created_at: datetime


@dataclass(frozen=True, slots=True)
class BreakTest:
    """A scrap broken by hand or in a press."""

    id: int
    pour_id: int | None
    mix: str | None
    """Of the pour, or the one that was tested by itself."""
    tested_at: datetime
    age_h: float
    """Since the pour, or since the mix was made."""
    cure_degc: float | None
    """At which a test of a mix was kept; None for one of a pour, which has its own record."""
    strength_mpa: float | None
    word: BreakWord | None
    note: str
    withdrawn_at: datetime | None
    withdrawn_why: str | None


@dataclass(frozen=True, slots=True)
class PourCure:
    """All that the log knows about how a pour cured; what was withdrawn is left out."""

    pour_id: int
    poured_at: datetime
    mix: str | None
    cement_class: CementClass | None
    constant_degc: float | None
    """The latest one that was written down."""
    readings: tuple[TemperatureReading, ...]
    """By time, one a time: the latest written down."""
    wet_until_h: float | None
    """Age until which the pour was kept wet; None where nobody said."""


@dataclass(frozen=True, slots=True)
class MoldPour:
    """That a pour went into a mold, with what may have changed since the one before."""

    poured_at: datetime
    mix: str | None
    wet_until_h: float | None
    """Age until which the pour was kept wet; None where nobody said. [h]"""


@dataclass(frozen=True, slots=True)
class NearestPours:
    """So many pours into a mold, nearest to a time: the latest before it, or the first from it on."""

    to: datetime
    most: int
    before: bool


@dataclass(frozen=True, slots=True)
class PieceDemolding:
    """When a piece of a pour left its mold, with what most of all is known about its cure."""

    piece_id: int
    mold: str
    pour_id: int
    mix: str | None
    poured_at: datetime
    demolded_at: datetime
    constant_degc: float | None
    """Of its pour: the latest constant temperature in force; None where there is none."""
    has_readings: bool
    """Whether readings of its pour are in force, which count before a constant temperature."""
    wet_until_h: float | None
    """Age until which it was kept wet, by its own word or its pour's."""

"""Numbers, dates and quantities as a person reads and types them: in their language, in the workshop's units.

What is typed is read by one rule, whatever the language: a comma and a point both mean the decimal mark, and thousands
are not set apart. What could mean either, as 1.250 does in Spain and in the States, is refused and never guessed.
"""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime
from functools import lru_cache
from math import isfinite
from typing import Annotated

from babel.dates import format_skeleton, format_time
from babel.numbers import NumberPattern, format_decimal, parse_pattern
from pydantic import BeforeValidator

from inspector.errors import InputError
from inspector.web.language import mark, spoken, tr
from inspector.web.units import degf_from_degc, inches_from_mm, psi_from_mpa
from inspector.workshop import UnitSystem

__all__ = [
    "TypedNumber",
    "clock",
    "crack_width",
    "day",
    "length",
    "lengths",
    "measuring_in",
    "month_name",
    "number",
    "plain",
    "read_number",
    "short",
    "strength",
    "temperature",
    "typed",
    "units",
]

_units: ContextVar[Callable[[], UnitSystem]] = ContextVar("units", default=lambda: "metric")

_GROUPED_FROM = 10_000
_TYPED = re.compile(r"[+-]?(\d+(?:[.,]\d*)?|[.,]\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
_NO_NUMBER = mark("“%(text)s” is no number. Write it with digits, and a comma or a point before decimals, as in 12.5.")
_TWO_MEANINGS = mark(
    "“%(text)s” can be read in two ways. Write %(whole)s for thousands, or %(decimal)s with fewer or more decimals."
)


@contextmanager
def measuring_in(system: Callable[[], UnitSystem]) -> Iterator[None]:
    """Have quantities come out in a system of units meanwhile; it is asked for when the first one is."""
    token = _units.set(system)
    try:
        yield
    finally:
        _units.reset(token)


def units() -> UnitSystem:
    """The units that the workshop reads."""
    return _units.get()()


def number(value: float, decimals: int) -> str:
    """A number with so many decimals: `1.50`, `1,50`."""
    return format_decimal(value, _pattern(value, "." + "0" * decimals if decimals else ""), spoken().locale)


def plain(value: float, *, most_decimals: int = 3) -> str:
    """A number with as many decimals as it has, up to so many: `0.45`, `18.5`, `20`."""
    return format_decimal(value, _pattern(value, "." + "#" * most_decimals), spoken().locale)


def typed(value: float | None) -> str:
    """A number as it stands in a field, and is read back as the same; empty where there is none."""
    if value is None:
        return ""
    written = f"{value:.10f}".rstrip("0").rstrip(".")
    if _GROUPED.fullmatch(written):
        written += "0"
    return written.replace(".", spoken().locale.number_symbols["latn"]["decimal"])


def short(value: float) -> str:
    """Whole from 10 on, one decimal below."""
    return number(value, 0 if abs(value) >= 9.95 else 1)


def length(length_mm: float) -> str:
    """A length: `6.1 mm`, or `0.24 in`."""
    return lengths(length_mm)


def lengths(*lengths_mm: float) -> str:
    """Lengths at right angles: `24 × 10 mm`."""
    if units() == "us":
        return " × ".join(number(inches_from_mm(one), 2) for one in lengths_mm) + " in"
    return " × ".join(map(short, lengths_mm)) + " mm"


def crack_width(width_mm: float) -> str:
    """How far a crack gapes: `0.31 mm`, or `0.012 in`, the thousandths that gauges are marked in."""
    return f"{number(inches_from_mm(width_mm), 3)} in" if units() == "us" else f"{number(width_mm, 2)} mm"


def temperature(temperature_degc: float, *, most_decimals: int = 1) -> str:
    """A temperature: `18.5 °C`, or `65.3 °F`."""
    if units() == "us":
        return f"{plain(degf_from_degc(temperature_degc), most_decimals=most_decimals)} °F"
    return f"{plain(temperature_degc, most_decimals=most_decimals)} °C"


def strength(strength_mpa: float) -> str:
    """A strength: `25.3 MPa`, or `3,669 psi`."""
    return f"{number(psi_from_mpa(strength_mpa), 0)} psi" if units() == "us" else f"{plain(strength_mpa)} MPa"


def clock(time: datetime) -> str:
    """A time in this machine's time zone: `Tue, 24 Nov 2026, 16:10`."""
    local, locale = time.astimezone(), spoken().locale
    # Some languages write a no-break space of half width before a.m.; not every font has it.
    hour = format_time(local, "short", locale=locale).replace("\N{NARROW NO-BREAK SPACE}", "\N{NO-BREAK SPACE}")
    return f"{format_skeleton('yMMMEd', local, locale=locale)}, {hour}"


def day(time: datetime) -> str:
    """A day in this machine's time zone: `24 Nov 2026`."""
    return format_skeleton("yMMMd", time.astimezone(), locale=spoken().locale)


def month_name(start: datetime) -> str:
    """A month: `March 2026`, by a time in it."""
    return format_skeleton("yMMMM", start, locale=spoken().locale)


def read_number(text: str) -> float:
    """Read a number that somebody typed: a comma and a point both mean the decimal mark.

    Raises
    ------
    InputError
        If it is none, or could mean two: 1.250 is a thousand and more to some, and one and a quarter to others.
    """
    bare = text.strip().replace("\N{MINUS SIGN}", "-")
    if not _TYPED.fullmatch(bare) or not isfinite(float(bare.replace(",", "."))):
        raise InputError(tr(_NO_NUMBER, text=text[:40]))
    if _GROUPED.fullmatch(bare):
        digits = re.sub("[.,]", "", bare)
        raise InputError(tr(_TWO_MEANINGS, text=bare, whole=digits, decimal=f"{bare}0"))
    return float(bare.replace(",", "."))


def _read_field(value: object) -> object:
    """As pydantic hands over what a field of a form holds."""
    return read_number(value) if isinstance(value, str) and value.strip() else value


TypedNumber = Annotated[float, BeforeValidator(_read_field)]
"""A number in a form, as a person types it."""


def _pattern(value: float, decimals: str) -> NumberPattern:
    """How a number is written: thousands are set apart from 10,000 on, so that 1.250 is always one and a quarter."""
    return _parsed(f"{'0' if abs(value) < _GROUPED_FROM else '#,##0'}{decimals}")


@lru_cache(maxsize=64)
def _parsed(pattern: str) -> NumberPattern:
    return parse_pattern(pattern)

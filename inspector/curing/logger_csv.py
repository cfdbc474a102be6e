"""Reading what a temperature logger wrote: CSV with a time and degC or degF in each line."""

import csv
import io
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from inspector.curing.temperature import check_temperature, degc_from_degf
from inspector.errors import InputError

__all__ = ["LoggerReading", "read_logger_csv"]

# Between two readings their mean is taken; over a longer gap a night's cold would be missed (common practice, no
# source; ASTM C1074 has a reading each half hour for two days, then each hour, from memory).
_LONGEST_GAP = timedelta(hours=6)

_TIME_COLUMN = re.compile(r"(date|time|date[ _/-]?time|time[ _-]?stamp)\b.*", re.IGNORECASE)
_DEGF_COLUMN = re.compile(r".*(?:deg[ _]?f|°\s?f|fahrenheit)\b.*|(?:temp|temperature)[ _]*[(\[]?f[)\]]?", re.IGNORECASE)
_DEGC_COLUMN = re.compile(r".*(?:deg[ _]?c|°\s?c|celsius)\b.*|(?:temp|temperature)[ _]*[(\[]?c[)\]]?", re.IGNORECASE)
_HOW_IT_LOOKS = "The first line names the columns: a time, and degC or degF, as in `time,degC`."


@dataclass(frozen=True, slots=True)
class LoggerReading:
    """One line of a logger's file."""

    at: datetime
    """With an offset if the file has one, else without."""
    temperature_degc: float


def read_logger_csv(text: str, *, name: str) -> tuple[LoggerReading, ...]:
    """Read a logger's file; nothing is guessed, and a line that makes no sense refuses the whole file.

    Parameters
    ----------
    text : str
        Content of the file: a line of column names, then a time as ISO 8601 and a temperature a line, separated by
        commas, semicolons or tabs. Other columns are left alone.
    name : str
        File name, for the messages.

    Raises
    ------
    InputError
        If columns are missing, or a line has no time, a temperature that cannot be, a time that does not rise, or more
        than six hours without a reading before it; with the line number.
    """
    separator = _separator(text)
    lines = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), delimiter=separator)
    readings: list[LoggerReading] = []
    columns: _Columns | None = None
    try:
        for fields in lines:
            where = f"{name}, line {lines.line_num}"
            if not any(field.strip() for field in fields):
                continue
            if columns is None:
                columns = _find_columns(fields, name=name)
                continue
            reading = _reading(fields, columns, where=where, decimal_comma=separator != ",")
            if readings:
                _check_order(readings[-1].at, reading.at, where=where)
            readings.append(reading)
    except csv.Error as error:
        raise InputError(f"{name}, line {lines.line_num}: {error}. Export the file again as CSV.") from error
    if not readings:
        raise InputError(f"{name} has no readings. {_HOW_IT_LOOKS}")
    return tuple(readings)


@dataclass(frozen=True, slots=True)
class _Columns:
    time: int
    temperature: int
    is_degf: bool


def _separator(text: str) -> str:
    first_line = text.lstrip("\ufeff\r\n ").split("\n", 1)[0]
    return max(",;\t", key=first_line.count)


def _find_columns(names: list[str], *, name: str) -> _Columns:
    names = [column.strip() for column in names]
    times = [number for number, column in enumerate(names) if _TIME_COLUMN.fullmatch(column)]
    degc = [number for number, column in enumerate(names) if _DEGC_COLUMN.fullmatch(column)]
    degf = [number for number, column in enumerate(names) if _DEGF_COLUMN.fullmatch(column)]
    if not times:
        raise InputError(f"{name} has no column of times, only {', '.join(names)}. {_HOW_IT_LOOKS}")
    if len(times) > 1:
        raise InputError(
            f"{name} has several columns of times: {', '.join(names[number] for number in times)}. "
            "Keep the one with date and time together, as in 2026-05-04 16:30."
        )
    if len(degc) + len(degf) != 1:
        found = ", ".join(names[number] for number in (*degc, *degf)) or "none"
        raise InputError(
            f"{name} must have one column of temperatures in degC or degF; found: {found}. {_HOW_IT_LOOKS}"
        )
    return _Columns(time=times[0], temperature=(degc or degf)[0], is_degf=bool(degf))


def _reading(fields: list[str], columns: _Columns, *, where: str, decimal_comma: bool) -> LoggerReading:
    if len(fields) <= max(columns.time, columns.temperature):
        raise InputError(f"{where} ends before the temperature. Export the file again, or take the line out.")
    time_text, degrees_text = fields[columns.time].strip(), fields[columns.temperature].strip()
    try:
        at = datetime.fromisoformat(time_text)
        at.astimezone(UTC)  # refuses the first and the last day that there is, which may have no time in UTC
    except (ValueError, OverflowError):
        raise InputError(
            f"{where}: {time_text!r} is no time. Have the logger write ISO 8601, as in 2026-05-04 16:30."
        ) from None
    try:
        degrees = float(degrees_text.replace(",", ".") if decimal_comma else degrees_text)
    except ValueError:
        what = "the temperature is missing" if not degrees_text else f"{degrees_text!r} is no temperature"
        raise InputError(f"{where}: {what}. Take the line out if the probe failed there.") from None
    degc = float(degc_from_degf(degrees)) if columns.is_degf else degrees
    try:
        check_temperature(degc)
    except InputError as error:
        raise InputError(f"{where}: {error}") from error
    return LoggerReading(at=at, temperature_degc=degc)


def _check_order(before: datetime, at: datetime, *, where: str) -> None:
    if (before.tzinfo is None) != (at.tzinfo is None):
        raise InputError(f"{where}: some times have an offset from UTC and some have none. Write all in the same way.")
    if at <= before:
        raise InputError(
            f"{where}: {at.isoformat(sep=' ')} does not come after {before.isoformat(sep=' ')} of the line before. "
            "Sort the lines by time, one reading a time."
        )
    if at - before > _LONGEST_GAP:
        gap_h = (at - before).total_seconds() / 3600
        raise InputError(
            f"{where}: no reading for {gap_h:.1f} h before {at.isoformat(sep=' ')}. How warm it was is not known over "
            f"more than {_LONGEST_GAP.total_seconds() / 3600:g} h: fill in what is known, or import what comes before."
        )

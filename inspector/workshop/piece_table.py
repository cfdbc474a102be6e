"""Reading a workshop's spreadsheet of pieces: CSV with one piece a line; each line that cannot be used is told."""

import csv
import io
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite

from inspector.curing import check_temperature
from inspector.errors import InputError
from inspector.log import KINDS, Mold, NewNotedPiece
from inspector.workshop.times import with_offset

__all__ = ["COLUMNS", "PieceTable", "RefusedLine", "read_piece_table"]

COLUMNS = ("mold", "poured_at", "demolded_at", "temperature_c", "wet_cured_until_h", "defects")
# A piece that stays in its mold longer is a slip in one of the two times (common practice, no source).
_LONGEST_AGE = timedelta(days=366)
_LONGEST_AGE_H = _LONGEST_AGE.total_seconds() / 3600


@dataclass(frozen=True, slots=True)
class RefusedLine:
    """A line that cannot be used."""

    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class PieceTable:
    """What a spreadsheet says. It is imported only if no line is refused."""

    pieces: tuple[NewNotedPiece, ...]
    refused: tuple[RefusedLine, ...]


def read_piece_table(data: bytes, *, name: str, molds: tuple[Mold, ...], now: datetime) -> PieceTable:
    """Read CSV as RFC 4180 has it, UTF-8 with or without a byte order mark.

    Parameters
    ----------
    data : bytes
        Content of the file: the columns `mold, poured_at, demolded_at, temperature_c, wet_cured_until_h, defects`, in
        any order. Times are ISO 8601; temperature and wet cure may be empty; defects are empty for a good piece, else
        kinds separated by `;`.
    name : str
        File name, for the messages.
    molds : tuple of Mold
        Those in the log: a line names one by its short name or its title. Another name makes a new mold.
    now : datetime
        No piece was demolded later. Times without an offset are of this machine's time zone.

    Returns
    -------
    table : PieceTable
        With all lines that can be used, and all that cannot.

    Raises
    ------
    InputError
        If the file is no CSV with these columns, or has no pieces.
    """
    names = _known_names(molds)
    lines = csv.reader(io.StringIO(_decoded(data, name=name), newline=""), strict=True)
    columns: tuple[str, ...] | None = None
    pieces: list[NewNotedPiece] = []
    refused: list[RefusedLine] = []
    line = 1
    try:
        for fields in lines:
            if any(field.strip() for field in fields):
                if columns is None:
                    columns = _checked_columns(fields, name=name)
                elif len(fields) != len(columns):
                    refused.append(
                        RefusedLine(line, f"it has {len(fields)} fields, not {len(columns)}. Quote fields with commas.")
                    )
                else:
                    try:
                        pieces.append(_piece(dict(zip(columns, fields, strict=True)), line, names=names, now=now))
                    except InputError as error:
                        refused.append(RefusedLine(line, str(error)))
            line = lines.line_num + 1  # a field in quotes may run over several lines
    except csv.Error as error:
        raise InputError(f"{name}, line {line}: {error}. Check the quotes, or save it as CSV again.") from error
    if columns is None or not (pieces or refused):
        raise InputError(f"{name} has no pieces. {_HOW_IT_LOOKS}")
    return PieceTable(pieces=tuple(pieces), refused=tuple(refused))


_HOW_IT_LOOKS = f"The first line is `{','.join(COLUMNS)}`, then comes one piece a line."


def _decoded(data: bytes, *, name: str) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(
            f"{name}, line {line}: it is not UTF-8. Save the spreadsheet as CSV with UTF-8, which programs offer when "
            "they save."
        ) from error


def _checked_columns(fields: list[str], *, name: str) -> tuple[str, ...]:
    columns = tuple(field.strip() for field in fields)
    if len(columns) == 1 and ";" in columns[0]:
        raise InputError(f"{name} is separated by semicolons. Save it as CSV with commas between the columns.")
    missing = [column for column in COLUMNS if column not in columns]
    unknown = [column for column in columns if column not in COLUMNS]
    if missing or unknown or len(set(columns)) < len(columns):
        what = [f"it lacks {', '.join(missing)}"] if missing else []
        what += [f"it has {', '.join(map(repr, unknown))}"] if unknown else []
        what = what or ["it has a column twice"]
        raise InputError(f"{name}, line 1 does not name the columns: {' and '.join(what)}. {_HOW_IT_LOOKS}")
    return columns


def _piece(field: Mapping[str, str], line: int, *, names: Mapping[str, str], now: datetime) -> NewNotedPiece:
    title = field["mold"].strip()
    poured_at = _time(field["poured_at"], "poured_at")
    demolded_at = _time(field["demolded_at"], "demolded_at")
    if demolded_at < poured_at:
        raise InputError(f"demolded at {field['demolded_at'].strip()}, before the pour. Check both times.")
    if demolded_at > now:
        raise InputError(f"demolded at {field['demolded_at'].strip()}, which is yet to come. Check the year.")
    if demolded_at - poured_at > _LONGEST_AGE:
        raise InputError("more than a year lies between pour and demolding. Check both years.")
    temperature_degc = _number(field["temperature_c"], "temperature_c")
    if temperature_degc is not None:
        check_temperature(temperature_degc)
    wet_until_h = _number(field["wet_cured_until_h"], "wet_cured_until_h")
    if wet_until_h is not None and not 0 <= wet_until_h <= _LONGEST_AGE_H:
        raise InputError(f"wet_cured_until_h is {wet_until_h:g}. Give hours from the pour on, 0 or more.")
    return NewNotedPiece(
        line=line,
        mold=_mold_name(title, names),
        mold_title=title,
        poured_at=poured_at,
        demolded_at=demolded_at,
        temperature_degc=temperature_degc,
        wet_until_h=wet_until_h,
        kinds=_kinds(field["defects"]),
    )


def _known_names(molds: tuple[Mold, ...]) -> dict[str, str]:
    """Short names of molds by all that a spreadsheet may call them; a short name goes before a title."""
    return {mold.title.casefold(): mold.name for mold in molds} | {mold.name: mold.name for mold in molds}


def _mold_name(title: str, names: Mapping[str, str]) -> str:
    if not title:
        raise InputError("the mold is missing.")
    known = names.get(title.casefold())
    if known is not None:
        return known
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().casefold()
    name = "-".join(re.findall("[a-z0-9]+", plain))
    if not name:
        raise InputError(
            f"no short name can be made of the mold {title!r}. Use letters a to z or digits, as in oak-leaf."
        )
    return name


def _time(text: str, column: str) -> datetime:
    text = text.strip()
    if not text:
        raise InputError(f"{column} is missing. The age at demolding is what is learned from.")
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"{column} {text!r} is no time. Write ISO 8601, as in 2026-05-04T16:30.") from None
    try:
        return with_offset(at)
    except InputError as error:
        raise InputError(f"{column}: {error}") from None


def _number(text: str, column: str) -> float | None:
    text = text.strip()
    if not text:
        return None
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not isfinite(number):
        raise InputError(f"{column} {text!r} is no number. Write it with a point, as in 18.5, or leave it empty.")
    return number


def _kinds(text: str) -> tuple[str, ...]:
    kinds = tuple(" ".join(kind.split()).casefold() for kind in text.split(";") if kind.strip())
    for kind in kinds:
        if kind not in KINDS:
            raise InputError(f"{kind!r} is no kind of defect. Use {', '.join(KINDS)}; leave it empty for a good piece.")
    return kinds

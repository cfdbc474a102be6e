"""All rows of a log from one database to another, of whatever kind, with proof that they arrived."""

import hashlib
import marshal
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any, Literal

from sqlalchemy import Connection, MetaData, Table, delete, func, inspect, select

from inspector.errors import InspectorError
from inspector.log.late_indexes import do_as_it_stands, drop_indexes
from inspector.log.whole_tables import Rows, add_rows, count_rows, read_rows

__all__ = ["CopiedTable", "CopyStep", "ToldOfCopy", "copy_rows", "is_empty", "unwatched"]

# Says which schema a database has; whoever made the schema wrote it.
_SCHEMA_TABLE = "alembic_version"
# The last form of Python's that writes the same values as the same bytes each time.
_MARSHAL_VERSION = 2


@dataclass(frozen=True, slots=True)
class CopiedTable:
    """A table whose rows were found in both databases, one by one."""

    name: str
    rows: int
    sha256: str
    """Over all that its rows hold, in the order of their keys."""


@dataclass(frozen=True, slots=True)
class CopyStep:
    """How far a copy is."""

    doing: Literal["rows", "indexes", "comparison"]
    done: int
    """Rows that were copied or compared, or indexes that were made."""
    of: int


ToldOfCopy = Callable[[CopyStep], None]


def unwatched(_: CopyStep) -> None:
    """Nobody watches."""


def copy_rows(source: Connection, target: Connection, *, told: ToldOfCopy = unwatched) -> tuple[CopiedTable, ...]:
    """Copy all rows into the empty tables of the same schema, and read both again to compare them, row by row.

    Parameters
    ----------
    source : Connection
        In a transaction that sees one state.
    target : Connection
        In a transaction that the caller commits when this returns.
    told : callable
        Is told now and then how far it is.

    Returns
    -------
    copied : tuple of CopiedTable

    Raises
    ------
    InspectorError
        If a table of the target does not hold just what that of the source does.
    sqlalchemy.exc.DBAPIError
        If one of them cannot be read or written; an `IntegrityError` where a row refers to what is not there.
    ValueError
        If a row holds text that is none.
    """
    tables = _tables(target)
    for each in reversed(tables):
        _hold_same_columns(source, each)
        if target.execute(select(each).limit(1)).first() is not None:
            target.execute(delete(each))  # what the schema brought along comes with the rows as well
    remaking = drop_indexes(target)
    counted = _Counting(told, sum(count_rows(source, each) for each in tables))
    for each in tables:
        with closing(read_rows(source, each)) as portions:
            add_rows(target, each, map(counted.copied, portions))
    for number, statement in enumerate(remaking, start=1):
        do_as_it_stands(target, statement)
        told(CopyStep("indexes", number, len(remaking)))
    if target.dialect.name == "postgresql":
        _go_on_counting(target, tables)
    return tuple(_compared(source, target, each, counted) for each in tables)


def is_empty(connection: Connection) -> bool:
    """Whether a database holds no table at all."""
    return not inspect(connection).get_table_names()


class _Counting:
    """Counts rows of all tables as they go by."""

    def __init__(self, told: ToldOfCopy, every_row: int) -> None:
        self._told = told
        self._every_row = every_row
        self._copied = self._compared = 0

    def copied(self, rows: Rows) -> Rows:
        self._copied += len(rows)
        self._told(CopyStep("rows", self._copied, self._every_row))
        return rows

    def compared(self, rows: Rows) -> Rows:
        self._compared += len(rows)
        self._told(CopyStep("comparison", self._compared, self._every_row))
        return rows


def _tables(connection: Connection) -> list[Table]:
    """All tables but that of the schema, those first that others refer to."""
    described = MetaData()
    described.reflect(connection)
    return [each for each in described.sorted_tables if each.name != _SCHEMA_TABLE]


def _hold_same_columns(source: Connection, described: Table) -> None:
    """See that nothing would be left behind."""
    there = {each["name"] for each in inspect(source).get_columns(described.name)}
    if unlike := there ^ set(described.c.keys()):
        raise InspectorError(
            f"Table {described.name} of the log has other columns than this program knows: "
            f"{', '.join(sorted(unlike))}. Nothing was changed; ask who works on the database itself."
        )


def _compared(source: Connection, target: Connection, described: Table, counted: _Counting) -> CopiedTable:
    """Hold the rows of both against each other, a portion at a time, and take the digest of what both are."""
    count, digest = 0, hashlib.sha256()
    with closing(read_rows(source, described)) as there, closing(read_rows(target, described)) as here:
        for expected, found in zip_longest(there, here, fillvalue=()):
            bytes_expected = _bytes_of(list(expected))
            if bytes_expected != _bytes_of(list(found)):
                raise _unlike(described, expected, found)
            digest.update(bytes_expected)
            count += len(counted.compared(expected))
    return CopiedTable(described.name, count, digest.hexdigest())


def _bytes_of(rows: Any) -> bytes:
    """Say rows so that 1, 1.0 and "1" differ, in a tenth of the time that JSON takes."""
    return marshal.dumps(rows, _MARSHAL_VERSION)


def _unlike(described: Table, expected: Rows, found: Rows) -> InspectorError:
    pairs = zip_longest(expected, found)
    was, became = next(pair for pair in pairs if _bytes_of(pair[0]) != _bytes_of(pair[1]))
    columns = [described.c.keys().index(each.name) for each in described.primary_key.columns]
    keys = [None if row is None else [row[column] for column in columns] for row in (was, became)]
    first = min(key for key in keys if key is not None)
    what = "another one" if keys[0] == keys[1] else "missing" if first == keys[0] else "one too many"
    return InspectorError(
        f"Table {described.name} did not arrive as it was: row {'/'.join(map(str, first))} is {what}. Nothing was "
        "changed; tell those who make Inspector."
    )


def _go_on_counting(target: Connection, tables: list[Table]) -> None:
    """Have PostgreSQL give the next rows numbers after those that were copied."""
    for each in tables:
        if "id" not in each.columns:
            continue
        last = target.scalar(select(func.max(each.c.id)).select_from(each))
        if last is not None:
            target.execute(select(func.setval(func.pg_get_serial_sequence(each.name, "id"), last)))

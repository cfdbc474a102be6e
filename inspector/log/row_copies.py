"""All rows of a log from one database to another, of whatever kind, with proof that they arrived."""

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, MetaData, Table, delete, func, inspect, select

from inspector.errors import InspectorError
from inspector.log.held_rows import ROWS_A_STATEMENT, add_held_rows, held_rows
from inspector.log.portions import in_portions

__all__ = ["CopiedTable", "copy_rows", "is_empty"]

# Says which schema a database has; whoever made the schema wrote it.
_SCHEMA_TABLE = "alembic_version"


@dataclass(frozen=True, slots=True)
class CopiedTable:
    """A table whose rows were found in both databases, one by one."""

    name: str
    rows: int
    sha256: str
    """Over all that its rows hold, in the order of their keys."""


def copy_rows(source: Connection, target: Connection) -> tuple[CopiedTable, ...]:
    """Copy all rows into the empty tables of the same schema, and read both again to compare them.

    Parameters
    ----------
    source : Connection
        In a transaction that sees one state.
    target : Connection
        In a transaction that the caller commits when this returns.

    Returns
    -------
    copied : tuple of CopiedTable

    Raises
    ------
    InspectorError
        If a table of the target does not hold just what that of the source does.
    """
    tables = _tables(target)
    for each in reversed(tables):
        if target.execute(select(each).limit(1)).first() is not None:
            target.execute(delete(each))  # what the schema brought along comes with the rows as well
    for each in tables:
        rows = held_rows(source, each.name, order_by=_keys(each))
        for portion in in_portions(rows, ROWS_A_STATEMENT):
            add_held_rows(target, each, portion)
    if target.dialect.name == "postgresql":
        _go_on_counting(target, tables)
    return tuple(_compared(source, target, each) for each in tables)


def is_empty(connection: Connection) -> bool:
    """Whether a database holds no table at all."""
    return not inspect(connection).get_table_names()


def _tables(connection: Connection) -> list[Table]:
    """All tables but that of the schema, those first that others refer to."""
    described = MetaData()
    described.reflect(connection)
    return [each for each in described.sorted_tables if each.name != _SCHEMA_TABLE]


def _keys(described: Table) -> list[str]:
    return [each.name for each in described.primary_key.columns]


def _compared(source: Connection, target: Connection, described: Table) -> CopiedTable:
    there, here = (
        _fingerprint(held_rows(connection, described.name, order_by=_keys(described)))
        for connection in (source, target)
    )
    if there != here:
        raise InspectorError(
            f"Table {described.name} did not arrive as it was: {there[0]} rows became {here[0]}, or other ones. "
            "Nothing was changed; tell those who make Inspector."
        )
    return CopiedTable(described.name, *here)


def _fingerprint(rows: Iterator[Mapping[str, Any]]) -> tuple[int, str]:
    count, digest = 0, hashlib.sha256()
    for row in rows:
        count += 1
        digest.update(json.dumps(row, sort_keys=True, default=bytes.hex).encode() + b"\n")
    return count, digest.hexdigest()


def _go_on_counting(target: Connection, tables: list[Table]) -> None:
    """Have PostgreSQL give the next rows numbers after those that were copied."""
    for each in tables:
        if "id" not in each.columns:
            continue
        last = target.scalar(select(func.max(each.c.id)).select_from(each))
        if last is not None:
            target.execute(select(func.setval(func.pg_get_serial_sequence(each.name, "id"), last)))

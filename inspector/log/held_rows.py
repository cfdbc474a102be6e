"""Rows of any table as they are held, told alike whatever holds them.

SQLite holds times and JSON as text, and yes and no as 1 and 0. What PostgreSQL holds is told in the same words, so that
a row has the same digest in the history wherever the log is kept, and can be moved from one to the other and compared.
No table of the program is asked for, only the database: a log of an older program is read alike.
"""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, Boolean, Connection, DateTime, Select, Table, column, insert, literal_column, select, table
from sqlalchemy.types import TypeEngine

__all__ = ["ROWS_A_STATEMENT", "add_held_rows", "held_rows"]

# SQLite takes 32,766 values in a statement at most.
ROWS_A_STATEMENT = 5000
# What both kinds of database give alike; nearly all is, in a log of millions of rows.
_AS_IT_IS = frozenset({int, str, float, bytes, type(None)})


def held_rows(
    connection: Connection, name: str, *, ids: Sequence[int] | None = None, order_by: Sequence[str] = ()
) -> Iterator[dict[str, Any]]:
    """Read rows of a table, a portion at a time.

    Parameters
    ----------
    connection : Connection
    name : str
        The table.
    ids : sequence of int, optional
        Only these rows, 5000 at most.
    order_by : sequence of str
        Columns to order by.
    """
    query: Select[Any] = select(literal_column("*")).select_from(table(name)).order_by(*map(column, order_by))
    query = (
        query.execution_options(yield_per=ROWS_A_STATEMENT) if ids is None else query.where(column("id").in_(list(ids)))
    )
    found = connection.execute(query)
    names = tuple(found.keys())
    for row in found:
        yield {key: value if type(value) in _AS_IT_IS else _held(value) for key, value in zip(names, row, strict=True)}


def add_held_rows(connection: Connection, into: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add rows that `held_rows` gave, perhaps from a database of another kind.

    Parameters
    ----------
    connection : Connection
    into : Table
        As the database describes it.
    rows : sequence of mapping
        With the same columns each.
    """
    if not rows:
        return
    if connection.dialect.name == "sqlite":
        # By name only: with types SQLAlchemy would translate what is held already.
        connection.execute(insert(table(into.name, *map(column, rows[0]))), rows)
        return
    translate = {each.name: _translator(each.type) for each in into.columns}
    # An empty column stays empty; SQLAlchemy's own reading of the column would put JSON's null there.
    kinds = [JSON(none_as_null=True) if isinstance(each.type, JSON) else each.type for each in into.columns]
    target = table(into.name, *(column(each.name, kind) for each, kind in zip(into.columns, kinds, strict=True)))
    connection.execute(insert(target), [{key: translate[key](value) for key, value in row.items()} for row in rows])


def _translator(kind: TypeEngine[Any]) -> Callable[[Any], Any]:
    """Give what turns a held value into one for a column of a server's database."""
    if isinstance(kind, DateTime):
        return lambda value: None if value is None else datetime.fromisoformat(value).replace(tzinfo=UTC)
    if isinstance(kind, JSON):
        return lambda value: None if value is None else json.loads(value)
    if isinstance(kind, Boolean):
        return lambda value: None if value is None else bool(value)
    return lambda value: value


def _held(value: Any) -> Any:
    """Say a value as SQLite holds it."""
    match value:
        case bool():
            return int(value)
        case datetime():
            return value.astimezone(UTC).replace(tzinfo=None).isoformat(sep=" ", timespec="microseconds")
        case list() | dict():
            return json.dumps(value)
        case memoryview():
            return bytes(value)
        case _:
            return value

"""Rows of any table as they are held, told alike whatever holds them.

SQLite holds times and JSON as text, and yes and no as 1 and 0. What PostgreSQL holds is told in the same words, so that
a row has the same digest in the history wherever the log is kept. No table of the program is asked for, only the
database: a log of an older program is read alike.
"""

import json
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Select, column, literal_column, select, table

__all__ = ["ROWS_A_STATEMENT", "held_rows"]

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

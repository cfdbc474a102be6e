"""All rows of a table in and out of a database of either kind, by what its driver does fastest, a portion at a time.

Rows are told as `held_rows` tells them, but as tuples and past SQLAlchemy: a log of a million pieces has 25 million. A
server says its times, JSON and yes or no itself as SQLite holds them, and takes rows by COPY.
"""

from collections.abc import Generator, Iterable, Sequence
from typing import Any

from sqlalchemy import JSON, Boolean, Column, Connection, DateTime, String, Table

from inspector.log.database_errors import told_as_by_sqlalchemy

__all__ = ["Rows", "add_rows", "count_rows", "read_rows"]

Rows = Sequence[tuple[Any, ...]]

_ROWS_A_PORTION = 5000
# As `datetime.isoformat(sep=" ", timespec="microseconds")` has it (PostgreSQL, table 9.27).
_TIME = "YYYY-MM-DD HH24:MI:SS.US"


def count_rows(connection: Connection, described: Table) -> int:
    """Count the rows of a table."""
    query = f"SELECT count(*) FROM {_quoted(connection, described.name)}"  # noqa: S608 - the name of a table, quoted
    return int(connection.exec_driver_sql(query).scalar_one())


def read_rows(connection: Connection, described: Table) -> Generator[Rows]:
    """Read all rows in the order of their key.

    Parameters
    ----------
    connection : Connection
        In a transaction; it is used for nothing else meanwhile.
    described : Table
        Which columns, and in which order.

    Yields
    ------
    rows : sequence of tuple
        5000 of them, but for the last ones.

    Raises
    ------
    sqlalchemy.exc.DBAPIError
        If it cannot be read, or has no such column.
    """
    on_server = connection.dialect.name == "postgresql"
    said = _said_by_server if on_server else _said_by_sqlite
    columns = ", ".join(said(connection, each) for each in described.c)
    # Of keys that are text, a server's own order may be another one.
    alike = ' COLLATE "C"' if on_server else ""
    keys = ", ".join(
        _quoted(connection, each.name) + (alike if isinstance(each.type, String) else "")
        for each in described.primary_key.columns
    )
    query = f"SELECT {columns} FROM {_quoted(connection, described.name)} ORDER BY {keys}"  # noqa: S608 - as above
    driver: Any = connection.connection.driver_connection
    with told_as_by_sqlalchemy(connection):
        # A name has the server keep what is left; without one all would come at once.
        cursor = driver.cursor(name="inspector_rows", binary=True) if on_server else driver.cursor()
        try:
            cursor.execute(query)
            while rows := cursor.fetchmany(_ROWS_A_PORTION):
                yield rows
        finally:
            cursor.close()


def add_rows(connection: Connection, into: Table, portions: Iterable[Rows]) -> None:
    """Add rows that `read_rows` gave of a table with these columns, perhaps of a database of another kind.

    Raises
    ------
    sqlalchemy.exc.DBAPIError
        If a row is refused.
    ValueError
        If a row holds text that is none.
    """
    name = _quoted(connection, into.name)
    columns = ", ".join(_quoted(connection, each.name) for each in into.c)
    driver: Any = connection.connection.driver_connection
    with told_as_by_sqlalchemy(connection):
        if connection.dialect.name == "postgresql":
            with driver.cursor() as cursor, cursor.copy(f"COPY {name} ({columns}) FROM STDIN") as copy:
                for rows in portions:
                    for row in rows:
                        copy.write_row(row)
        else:
            places = ", ".join("?" * len(into.c))
            statement = f"INSERT INTO {name} ({columns}) VALUES ({places})"  # noqa: S608 - as above
            for rows in portions:
                driver.executemany(statement, rows)


def _said_by_sqlite(connection: Connection, column: Column[Any]) -> str:
    return _quoted(connection, column.name)


def _said_by_server(connection: Connection, column: Column[Any]) -> str:
    """Have a server say a column as SQLite holds it."""
    name = _quoted(connection, column.name)
    if isinstance(column.type, DateTime):
        return f"to_char({name} AT TIME ZONE 'UTC', '{_TIME}')"
    if isinstance(column.type, JSON):
        return f"{name}::text"
    if isinstance(column.type, Boolean):
        return f"{name}::int"
    return name


def _quoted(connection: Connection, name: str) -> str:
    return connection.dialect.identifier_preparer.quote(name)

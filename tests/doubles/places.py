"""Where the logs of tests lie: each test of the log runs over SQLite and over PostgreSQL."""

import sqlite3
from contextlib import closing

import psycopg
import pytest

from inspector.log import Log

__all__ = ["ON_BOTH", "as_bytes", "only_postgresql", "only_sqlite", "run_over", "silently"]

ON_BOTH = ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)]
"""Values of the fixture `place`."""


def run_over(metafunc, places):
    """Run a test that asks for a `place` over these kinds of it, unless the test says itself which."""
    said = any(mark.name == "parametrize" and mark.args[0] == "place" for mark in metafunc.definition.iter_markers())
    if "place" in metafunc.fixturenames and not said:
        metafunc.parametrize("place", places, indirect=True)


only_sqlite = pytest.mark.parametrize("place", ["sqlite"], indirect=True)
"""For tests of what only a file can have."""


def only_postgresql(test):
    """Mark a test of what only a server can have."""
    return pytest.mark.postgresql(pytest.mark.parametrize("place", ["postgresql"], indirect=True)(test))


def silently(opened: Log, statements: str, *, past_guards: bool = False) -> None:
    """Edit a database as another program would, one that knows how to switch off what refuses it or not."""
    url = opened.place.database
    if url is None:
        guards = "".join(f"DROP TRIGGER change_is_only_added_to_{doing}; " for doing in ("update", "delete"))
        with closing(sqlite3.connect(str(opened.database))) as connection, connection:
            connection.executescript((guards if past_guards else "") + statements)
    else:
        with psycopg.connect(url.replace("+psycopg", ""), autocommit=True) as connection:
            connection.execute("SET timezone = 'UTC'")
            if past_guards:
                connection.execute("SET session_replication_role = replica")
            connection.execute(statements)


def as_bytes(opened: Log, data: bytes) -> str:
    """Bytes as a statement of the database has them."""
    return f"x'{data.hex()}'" if opened.place.database is None else f"'\\x{data.hex()}'"

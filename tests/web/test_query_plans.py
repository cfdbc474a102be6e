"""Pages of daily work find what they show by indexes: none reads a table that grows with the log from end to end.

How a database means to answer is asked of the database itself (EXPLAIN), with its statistics about a log of some
hundred pieces. SQLite says `SCAN` where it reads a whole table or index (https://sqlite.org/eqp.html); it takes the
tables for longer than they are, by its statistics. PostgreSQL measures them, and rightly reads small ones whole; with
`enable_seqscan` off it reads a table itself so only where no index helps
(https://www.postgresql.org/docs/current/runtime-config-query.html).
"""

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Connection, event

from inspector.log import LogPlace
from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import Workshop
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.large_log import fill_log
from tests.doubles.places import ON_BOTH

pytestmark = pytest.mark.uncounted

PIECES, MOLDS = 300, 4
# Of these there are as many as pieces, or more.
GROWING = {"piece", "photo", "inspection", "finding", "review", "disposition", "piece_note", "defect_note", "change"}
# How many pieces each mold has, beside its name: counted over an index.
KNOWN = {("piece", "SELECT piece.mold_id, count(*) AS count_1 \nFROM piece GROUP BY piece.mold_id")}
# What people open all day at the bench.
DAILY = [
    "/",
    "/?page=2",
    "/?mold=leaf-01",
    "/pieces/150",
    "/pieces/150/sheet",
    "/photos/154/verdict",
    "/photos/unrecognised",
]


@pytest.fixture(params=ON_BOTH, scope="module")
def place(request, tmp_path_factory) -> LogPlace:
    folder = tmp_path_factory.mktemp("plans") / "data"
    on_server = request.param == "postgresql"
    server = request.getfixturevalue("postgresql_server") if on_server else None
    return LogPlace(folder, server.new_database() if server else None)


@pytest.fixture(scope="module")
def client(place) -> Iterator[TestClient]:
    fill_log(place, pieces=PIECES, molds=MOLDS)
    with Workshop.open(place, engine=DRAWN_ENGINE) as shop:
        with shop._log.writing() as session:
            _gather_statistics(session.connection())
        if place.database is None:
            shop._log._engine.dispose()  # statistics are read by each connection when it begins
        app = create_app(Settings(data_dir=place.folder), open_workshop=lambda _: shop)
        with TestClient(app, base_url="http://127.0.0.1:8417", cookies={"reviewer": "Ada"}) as client:
            yield client


@pytest.fixture
def asked(client) -> Iterator[Callable[[], list[tuple[str, Any]]]]:
    """What the database was asked, with the values, since the test began."""
    statements: list[tuple[str, Any]] = []
    engine = client.app.state.workshop._log._engine

    def note(_connection, _cursor, statement, parameters, _context, _many):
        statements.append((statement, parameters))

    event.listen(engine, "before_cursor_execute", note)
    yield lambda: [each for each in statements if each[0].lstrip().upper().startswith(("SELECT", "WITH"))]
    event.remove(engine, "before_cursor_execute", note)


def _gather_statistics(connection: Connection) -> None:
    """Have the database look at its tables, and SQLite take them for a thousand times as long."""
    connection.exec_driver_sql("ANALYZE")
    if connection.dialect.name == "sqlite":
        rows = connection.exec_driver_sql("SELECT rowid, stat FROM sqlite_stat1").all()
        for row_id, stat in rows:
            counts = [int(count) if count.isdigit() else count for count in stat.split()]
            # What is found a few times for a value is found no more often in a longer table.
            longer = [count * 1000 if isinstance(count, int) and count > 10 else count for count in counts]
            connection.exec_driver_sql(
                "UPDATE sqlite_stat1 SET stat = ? WHERE rowid = ?", (" ".join(map(str, longer)), row_id)
            )


def read_whole(client: TestClient, statement: str, parameters: Any) -> set[str]:
    """The tables that a database means to read from end to end for a query."""
    with client.app.state.workshop._log.reading() as session:  # type: ignore[attr-defined]
        connection = session.connection()
        if connection.dialect.name == "sqlite":
            rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
            steps = [row.detail for row in rows]
            aliases = dict(re.findall(r"(\w+) AS (\w+)", statement))
            by_alias = {alias: table for table, alias in aliases.items()}
            scanned = {match[1] for step in steps if (match := re.match(r"SCAN (\w+)", step))}
            return {by_alias.get(name, name) for name in scanned}
        connection.exec_driver_sql("SET LOCAL enable_seqscan = off")
        plan = "\n".join(connection.exec_driver_sql(f"EXPLAIN {statement}", parameters).scalars())
        return set(re.findall(r"Seq Scan on (\w+)", plan))


@pytest.mark.parametrize("address", DAILY)
def test_no_page_of_daily_work_reads_a_growing_table_from_end_to_end(client, asked, address):
    assert client.get(address).status_code == 200
    statements = asked()
    assert statements
    whole = {
        (table, statement)
        for statement, parameters in statements
        for table in read_whole(client, statement, parameters) & GROWING
    }
    assert whole - KNOWN == set()


def test_reading_from_end_to_end_is_seen(client):
    with client.app.state.workshop._log.reading() as session:
        on_server = session.connection().dialect.name == "postgresql"
    statement = "SELECT other.id FROM finding AS other WHERE other.kind = " + ("%(kind)s" if on_server else "?")
    parameters = {"kind": "chip"} if on_server else ("chip",)
    assert read_whole(client, statement, parameters) == {"finding"}

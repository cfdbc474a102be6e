"""Pages of daily work find what they show by indexes: none reads a table that grows with the log from end to end.

How a database means to answer is asked of the database itself (EXPLAIN). SQLite says `SCAN` where it reads a whole
table or index (https://sqlite.org/eqp.html); as in every log it has no statistics, and takes each table for one of a
million rows. PostgreSQL measures them, and rightly reads small ones whole; with `enable_seqscan` off it reads a table
itself so only where no index helps (https://www.postgresql.org/docs/current/runtime-config-query.html).
"""

import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import event

from inspector.log import LogPlace, find_photo_by_content
from inspector.log.standings import read_standings
from inspector.log.tables import Base
from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import Workshop, losses
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.large_log import fill_log
from tests.doubles.places import ON_BOTH

PIECES, MOLDS = 300, 12
# What there is little of: it grows with molds, mixes, people and their rights, not with pieces, pours and photos.
FEW = {
    "site", "design", "design_site", "mold_estimate", "mold", "view", "reference", "reference_use", "reference_outline",
    "feature", "mix", "admixture", "release_agent", "mold_setting", "mold_outlook", "learnt", "lesson_use",
    "expected_temperature", "photo_count", "unit_choice", "account", "account_password", "password_link", "site_role",
    "site_grant", "browser_session", "known_browser", "script_token", "script_token_secret",
}  # fmt: skip
# Rows that are taken out again when the photo is inspected.
WAITING = {"awaiting_photo"}
# All that tell how strong a mix becomes, and each mold's latest change of its window: read whole where these are worked
# out. A break test a day in forty halls would be felt after years.
READ_WHOLE = {"break_test", "window_change"}
GROWING = set(Base.metadata.tables) - FEW - WAITING - READ_WHOLE
# What people open all day at the bench, and the pages of molds.
DAILY = [
    "/",
    "/?page=2",
    "/?mold=leaf-01",
    "/?first=unsure",
    "/?first=unsure&page=2",
    "/?first=unsure&mold=leaf-01",
    "/today",
    "/metrics",
    "/photograph",
    "/pours",
    "/pours/20",
    "/pieces/150",
    "/pieces/150?decided=149",
    "/pieces/150/sheet",
    "/photos/154/verdict",
    "/photos/unrecognised",
    "/molds",
    "/molds/leaf-01",
    "/molds/leaf-01/pieces",
    "/molds/leaf-01/pieces?kind=chip",
    "/molds/leaf-01/pieces?reference=leaf-01.jpg",
    "/molds/leaf-01/month?month=2026-11",
    "/molds/leaf-01/compare?other=leaf-02",
    "/molds/leaf-01/normal",
    "/molds/leaf-01/setup",
]


@pytest.fixture(params=ON_BOTH, scope="module")
def place(request, tmp_path_factory) -> LogPlace:
    folder = tmp_path_factory.mktemp("plans") / "data"
    on_server = request.param == "postgresql"
    server = request.getfixturevalue("postgresql_server") if on_server else None
    return LogPlace(folder, server.new_database() if server else None)


@pytest.fixture(scope="module")
def module_monkeypatch() -> Iterator[pytest.MonkeyPatch]:
    with pytest.MonkeyPatch.context() as patch:
        yield patch


@pytest.fixture(scope="module")
def filled(place, module_monkeypatch) -> Iterator[TestClient]:
    fill_log(place, pieces=PIECES, molds=MOLDS)
    module_monkeypatch.setattr(losses, "_MOST_PIECES_IN_A_PAGE", 0)  # as a log of a million pieces does it
    with Workshop.open(place, engine=DRAWN_ENGINE) as shop:
        shop.losses.refit(now=datetime.now(UTC))
        if place.database is not None:
            with shop._log.writing() as session:
                session.connection().exec_driver_sql("ANALYZE")  # as its autovacuum does
        app = create_app(Settings(data_dir=place.folder, metrics=True), open_workshop=lambda _: shop)
        cookies = {"reviewer": "Ada", "inspector-site": "1"}
        with TestClient(app, base_url="http://127.0.0.1:8417", cookies=cookies) as client:
            yield client


@pytest.fixture(params=["one site", "two sites"])
def client(filled, request) -> Iterator[TestClient]:
    """While there are two sites, each query is given the condition that its rows are of the one that is shown."""
    shop = filled.app.state.workshop
    shop._of_sites.clear()  # what was asked for another test is asked again
    if request.param == "one site":
        yield filled
        return
    other = shop.sites.add("hall 2")
    yield filled
    with shop._log.writing() as session:
        session.connection().exec_driver_sql(f"DELETE FROM site WHERE id = {other.id}")


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


def read_whole(client: TestClient, statement: str, parameters: Any) -> set[str]:
    """The tables that a database means to read from end to end for a query."""
    with client.app.state.workshop._log.reading() as session:  # type: ignore[attr-defined]
        connection = session.connection()
        if connection.dialect.name == "sqlite":
            rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
            steps = [row.detail for row in rows]
            # In the order of an index, or of all rows, it reads no further than the limit, but where it sorts first.
            if statement.rstrip().endswith("LIMIT ? OFFSET ?") and not any("TEMP B-TREE" in step for step in steps):
                kept_in_order = r"SCAN \w+ USING (COVERING )?INDEX" if "WHERE" in statement else r"SCAN \w+"
                steps = [step for step in steps if not re.match(kept_in_order, step)]
            aliases = dict(re.findall(r"(\w+) AS (\w+)", statement))
            by_alias = {alias: table for table, alias in aliases.items()}
            scanned = {match[1] for step in steps if (match := re.match(r"SCAN (\w+)", step))}
            return {by_alias.get(name, name) for name in scanned}
        connection.exec_driver_sql("SET LOCAL enable_seqscan = off")
        plan = "\n".join(connection.exec_driver_sql(f"EXPLAIN {statement}", parameters).scalars())
        return set(re.findall(r"Seq Scan on (\w+)", plan))


def whole_tables(client: TestClient, statements: list[tuple[str, Any]]) -> set[tuple[str, str]]:
    """Growing tables that are read from end to end, each with what asks for that."""
    assert statements
    return {
        (table, statement)
        for statement, parameters in dict(statements).items()  # one that was asked several times, once
        for table in read_whole(client, statement, parameters) & GROWING
    }


def test_a_list_is_turned_by_index_on_and_back(client, asked):
    for address in ("/?mold=leaf-01", "/?mold=leaf-01&first=unsure", "/?first=unsure", "/molds/leaf-01/pieces"):
        links = client.get(address).links
        while "next" in links:
            (turned,) = [client.get(links["next"]["url"])]
            assert turned.status_code == 200
            back = client.get(turned.links["prev"]["url"])
            assert "next" in back.links
            links = turned.links
    assert whole_tables(client, asked()) == set()


@pytest.mark.parametrize("address", DAILY)
def test_no_page_of_daily_work_reads_a_growing_table_from_end_to_end(client, asked, address):
    assert client.get(address).status_code == 200
    assert whole_tables(client, asked()) == set()


def test_nothing_that_is_written_reads_a_growing_table_from_end_to_end(client, asked):
    shop, finding = client.app.state.workshop.at(1), 1
    shop.reviewing.decide(150, "sell", decided_by="Ada")
    shop.reviewing.undo(150, by="Ada")
    shop.reviewing.say(finding, verdict="confirmed", reviewer="Ada")
    assert whole_tables(client, asked()) == set()


def test_a_photo_that_comes_is_looked_for_by_index(client, asked):
    assert find_photo_by_content(client.app.state.workshop.at(1)._log, bytes(32)) is None
    assert whole_tables(client, asked()) == set()


def test_many_pieces_are_worked_out_by_index(client, asked):
    with client.app.state.workshop._log.reading() as session:
        assert len(read_standings(session.connection(), range(1, 2001))) == PIECES
    assert whole_tables(client, asked()) == set()


def test_reading_from_end_to_end_is_seen(client):
    with client.app.state.workshop._log.reading() as session:
        on_server = session.connection().dialect.name == "postgresql"
    statement = "SELECT other.id FROM finding AS other WHERE other.kind = " + ("%(kind)s" if on_server else "?")
    parameters = {"kind": "chip"} if on_server else ("chip",)
    assert read_whole(client, statement, parameters) == {"finding"}

"""A log of an older schema is brought forward with all that it holds, and looked through no further than it must be."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Connection, inspect

from inspector.log import check_log, open_log, opening
from inspector.log.held_rows import held_rows
from inspector.log.history import carry_over, rows_amiss
from inspector.log.rollups import disagreements
from inspector.log.schema import bring_to_schema, known_schemas, schema_of, steps_from
from inspector.log.sqlite_file import SqliteFile, disposing
from inspector.log.tables import Base
from tests.load.grown_log import fill_grown_log

PIECES, MOLDS = 90, 4
EARLIER = "0014"
WORKED_OUT = {"alembic_version", "learnt", "mold_outlook", "mold_pour", "photo_count", "piece_standing", "site_pour"}
# What a log of that schema may hold beside what a grown log does.
ACCOUNTS = """
    INSERT INTO account (id, name, name_key, role, created_at)
        VALUES (1, 'Ada', 'ada', 'manage', '2026-05-04 16:30:00');
    INSERT INTO script_token (id, name, role, made_by_id, created_at)
        VALUES (1, 'shelf', 'see', 1, '2026-05-04 16:30:00');
    INSERT INTO unit_choice (id, units, said_by, created_at) VALUES (1, 'us', 'Ada', '2026-05-04 16:30:00');
    INSERT INTO expected_temperature (id, temperature_degc, from_at, from_offset_min, created_at)
        VALUES (1, 12.5, '2026-05-04 16:30:00', 60, '2026-05-04 16:30:00');
"""


@pytest.fixture(scope="module")
def grown(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("migrating") / "now"
    fill_grown_log(folder, pieces=PIECES, molds=MOLDS)
    return folder


@pytest.fixture
def of_earlier(grown, tmp_path) -> Path:
    """The rows of a log in the schema of an earlier program, told of by its history."""
    return as_of(grown, tmp_path / "earlier", EARLIER, ACCOUNTS)


def as_of(grown: Path, folder: Path, schema: str, more: str = "") -> Path:
    folder.mkdir()
    with writing(folder) as connection:
        bring_to_schema(connection, schema)
    with closing(sqlite3.connect(folder / "log.sqlite3")) as earlier:
        earlier.execute(f"ATTACH '{grown / 'log.sqlite3'}' AS grown")
        names = [name for (name,) in earlier.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'")]
        for name in set(names) - {"alembic_version", "change"}:
            columns, of_now = (
                {column[1] for column in earlier.execute(f"PRAGMA {where}.table_info({name})")}
                for where in ("main", "grown")
            )
            kept = ", ".join(sorted(columns & of_now))
            if kept and not (name == "piece_standing" and schema == EARLIER):  # as it was called then
                earlier.execute(f"INSERT OR IGNORE INTO main.{name} ({kept}) SELECT {kept} FROM grown.{name}")
        earlier.executescript(more)
        earlier.commit()
    with writing(folder) as connection:
        carry_over(connection, tables=None, by="as they were", at=datetime.now(UTC), but_for=())
    return folder


@contextmanager
def writing(folder: Path) -> Iterator[Connection]:
    database = SqliteFile(folder / "log.sqlite3")
    with disposing(database.connect()) as engine, database.for_migrating(engine).begin() as connection:
        yield connection


def rows_of(connection: Connection) -> dict[str, list[dict[str, object]]]:
    names = set(inspect(connection).get_table_names()) - WORKED_OUT
    return {name: list(held_rows(connection, name)) for name in names}


def test_all_that_an_earlier_log_holds_is_there_after_it_was_brought_forward(of_earlier):
    with writing(of_earlier) as connection:
        before = rows_of(connection)
    assert {"photo", "finding", "review", "account", "change"} <= {name for name, rows in before.items() if rows}
    open_log(of_earlier).close()
    with writing(of_earlier) as connection:
        after = rows_of(connection)
        assert (
            compare_metadata(MigrationContext.configure(connection, opts={"compare_type": True}), Base.metadata) == []
        )
    for name, rows in before.items():
        now = after[name][: len(rows)]
        assert [{key: row[key] for key in old if key in row} for old, row in zip(rows, now, strict=True)] == [
            {key: value for key, value in old.items() if key in row} for old, row in zip(rows, now, strict=True)
        ]
    assert after["site_role"][0]["role"] == before["account"][0]["role"]
    found = check_log(of_earlier)
    assert [trouble for trouble in found.troubles if " is gone: " not in trouble.what] == []


def test_migrations_change_the_rows_that_they_say_they_do(of_earlier):
    later = [schema for schema in reversed(known_schemas()) if schema > EARLIER]
    for before, schema in zip([EARLIER, *later], later, strict=False):
        said = steps_from(before).tables
        assert said is not None
        with writing(of_earlier) as connection:
            bring_to_schema(connection, schema)
            changed = {name for name, _ in rows_amiss(connection, None)}
            assert changed <= said, schema
            carry_over(connection, tables=None, by=schema, at=datetime.now(UTC), but_for=())
        if schema == "0020":
            assert changed == said


def test_a_migration_that_changes_no_rows_has_none_looked_at(grown, tmp_path, monkeypatch):
    folder = as_of(grown, tmp_path / "data", "0021")

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("worked out anew")

    monkeypatch.setattr(opening, "rebuild_rollups", refuse)
    monkeypatch.setattr("inspector.log.history._unlike_rows", refuse)
    opened = open_log(folder)
    monkeypatch.undo()
    with opened.reading() as session:
        assert schema_of(session.connection()) == known_schemas()[0]
        assert disagreements(session.connection()) == []
    opened.close()
    assert [trouble for trouble in check_log(folder).troubles if " is gone: " not in trouble.what] == []

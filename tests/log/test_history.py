import sqlite3
from datetime import UTC, datetime

import psycopg
import pytest
from sqlalchemy import text

from inspector import log
from inspector.log import acting_as, history_faults, open_log
from inspector.log.history_tables import ChangeRow
from inspector.log.schema import known_schemas
from inspector.log.tables import Base
from tests.doubles.places import as_bytes, silently


def faults(opened):
    with opened.reading() as session:
        return history_faults(session.connection())


def entries(opened, row_table):
    with opened.reading() as session:
        rows = session.query(ChangeRow).filter_by(row_table=row_table).order_by(ChangeRow.id).all()
        return [(row.did, row.by, row.row_id, row.before) for row in rows]


@pytest.fixture
def used(stocked, make):
    """A log in which a piece was photographed, reviewed and decided, by two people."""
    with acting_as("Ada"):
        logged = log.add_piece_photo(stocked, make.piece_photo(stocked))
        log.add_mold_setting(
            stocked, mold="heron", target_loss=0.08, piece_cost=None, mold_hour_cost=None, turnaround_h=None
        )
    finding = log.find_piece(stocked, logged.piece_id).inspections[0].findings[0]
    with acting_as("Ben"):
        log.add_review(stocked, finding.id, verdict="confirmed", new_kind=None, reviewer="Ben")
        log.add_disposition(stocked, logged.piece_id, "second", decided_by="Ben", note="")
    return stocked


def test_what_is_added_is_in_the_history_with_who_and_when(used):
    before = datetime.now(UTC)
    assert entries(used, "piece") == [("added", "Ada", 1, None)]
    assert entries(used, "finding") == [("added", "Ada", 1, None)]
    assert entries(used, "mold_setting") == [("added", "Ada", 1, None)]
    assert entries(used, "review") == [("added", "Ben", 1, None)]
    assert entries(used, "mix") == [("added", None, 1, None)]
    with used.reading() as session:
        assert all(row.at <= before for row in session.query(ChangeRow))
    assert faults(used) == ()


def test_what_is_changed_or_removed_is_in_the_history_as_it_was(stocked, make):
    kept, _ = log.add_reference(stocked, make.reference(stocked), mold="heron", view="side")
    dropped, _ = log.add_reference(stocked, make.reference(stocked, b"\xff\xd8\xff r2"), mold="heron", view="side")
    with acting_as("Ada"):
        log.confirm_reference(stocked, kept.id)
        log.discard_reference(stocked, dropped.id)
    *_, changed, removed = entries(stocked, "reference")
    assert changed[:3] == ("changed", "Ada", kept.id)
    assert "confirmed_at" not in changed[3]
    assert changed[3]["name"] == "r1.jpg"
    assert removed[:3] == ("removed", "Ada", dropped.id)
    assert removed[3]["photo_id"] == dropped.photo_id
    assert faults(stocked) == ()


def test_a_write_that_changes_nothing_leaves_no_entry(stocked, make):
    reference, _ = log.add_reference(stocked, make.reference(stocked), mold="heron", view="side")
    log.confirm_reference(stocked, reference.id)
    before = entries(stocked, "reference")
    log.confirm_reference(stocked, reference.id)
    assert entries(stocked, "reference") == before


def test_a_write_that_fails_leaves_no_entry(stocked, make):
    with stocked.reading() as session:
        before = session.query(ChangeRow).count()
    with pytest.raises(Exception, match="ck_inspection_status"):
        log.add_piece_photo(stocked, make.piece_photo(stocked, inspection=make.inspection(status="neither")))
    with stocked.reading() as session:
        assert session.query(ChangeRow).count() == before
    assert faults(stocked) == ()


def test_every_table_is_in_the_history():
    # A row is told by its number; a table that only joins two others is part of the first one's rows.
    from inspector.log.history import _JOINING, _OUTSIDE

    for table in Base.metadata.tables.values():
        if table.name not in _OUTSIDE and table.name not in _JOINING:
            assert list(table.primary_key.columns.keys()) == ["id"], table.name
    for table, (first, number, _) in _JOINING.items():
        assert Base.metadata.tables[table].columns[number].references(Base.metadata.tables[first].columns["id"])


@pytest.mark.parametrize(
    ("statement", "kind", "row"),
    [
        ("UPDATE piece SET demolded_at = '2026-05-06 16:30:00.000000'", "changed", ("piece", 1)),
        ("UPDATE finding SET kind = 'surface void'", "changed", ("finding", 1)),
        ("UPDATE mold_setting SET target_loss = 0.2", "changed", ("mold_setting", 1)),
        ("UPDATE pour_mold SET mold_id = 2", "changed", ("pour", 1)),
        ("DELETE FROM disposition", "removed", ("disposition", 1)),
        (
            "INSERT INTO disposition (piece_id, outcome, decided_by, note, created_at) "
            "VALUES (1, 'sell', 'Ben', '', '2026-05-06 16:30:00')",
            "added",
            ("disposition", 2),
        ),
    ],
)
def test_a_silent_edit_of_a_row_is_seen(used, statement, kind, row):
    silently(used, statement)
    assert [(fault.kind, fault.row) for fault in faults(used)] == [(kind, row)]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE change SET by = 'Ben' WHERE row_table = 'piece'",
        "UPDATE change SET at = '2020-01-01 00:00:00' WHERE row_table = 'piece'",
        "DELETE FROM change WHERE id = (SELECT id FROM change WHERE row_table = 'finding')",
    ],
)
def test_a_silent_edit_of_the_history_is_seen(used, statement):
    silently(used, statement, past_guards=True)
    assert "entry" in {fault.kind for fault in faults(used)}


def test_an_edit_with_a_forged_digest_is_seen(used):
    """Somebody edits a row and puts the digest of the edited row into the history, but not all the links after it."""
    from inspector.log.history import _digest, _states

    silently(used, "UPDATE piece SET demolded_at = '2026-05-06 16:30:00.000000'")
    with used.reading() as session:
        digest = _digest(_states(session.connection(), [("piece", 1)])[("piece", 1)])
    forging = f"UPDATE change SET state_sha256 = {as_bytes(used, digest)} WHERE row_table = 'piece'"
    silently(used, forging, past_guards=True)
    assert [fault.kind for fault in faults(used)] == ["entry"]


@pytest.mark.parametrize("statement", ["UPDATE change SET by = 'Ben'", "DELETE FROM change"])
def test_the_history_refuses_to_be_edited(used, statement):
    with pytest.raises((sqlite3.IntegrityError, psycopg.IntegrityError), match="only added to"):
        silently(used, statement)


def test_rows_of_an_older_log_are_carried_over(tmp_path, monkeypatch):
    import shutil

    from inspector.log import schema

    migrations = tmp_path / "migrations"
    shutil.copytree(schema.MIGRATIONS, migrations)
    (history,) = (migrations / "versions").glob("*_history.py")
    for path in (migrations / "versions").glob("0*.py"):
        if path.name >= history.name:
            path.unlink()
    before = max(path.name[:4] for path in (migrations / "versions").glob("0*.py"))
    with monkeypatch.context() as patched:
        patched.setattr(schema, "MIGRATIONS", migrations)
        old = open_log(tmp_path / "data")
        with old._explained("written"), old._write_engine.begin() as connection:
            connection.execute(
                text("INSERT INTO mold (name, title, material, release_agent, created_at) VALUES ('a', '', '', '', 0)")
            )
        old.close()
    moved = open_log(tmp_path / "data")
    assert entries(moved, "mold") == [("carried over", f"schema {before} to {known_schemas()[0]}", 1, None)]
    assert faults(moved) == ()
    moved.close()


def test_a_migration_carries_its_own_changes_over_and_covers_no_silent_edit(tmp_path, monkeypatch):
    import shutil

    from inspector.log import schema

    first = open_log(tmp_path / "data")
    for name in ("heron", "finial"):
        log.add_mold(first, name, title=name, material="", release_agent="", views=["side"])
    first.close()
    silently(first, "UPDATE mold SET material = 'latex' WHERE id = 2")
    migrations = tmp_path / "migrations"
    shutil.copytree(schema.MIGRATIONS, migrations)
    head = max(path.name[:4] for path in (migrations / "versions").glob("0*.py"))
    (migrations / "versions" / "later.py").write_text(
        f'from alembic import op\nrevision = "later"\ndown_revision = "{head}"\n'
        "def upgrade():\n    op.execute(\"UPDATE mold SET release_agent = 'wax' WHERE id = 1\")\n"
    )
    monkeypatch.setattr(schema, "MIGRATIONS", migrations)
    moved = open_log(tmp_path / "data")
    assert entries(moved, "mold")[2:] == [("carried over", f"schema {head} to later", 1, None)]
    assert [(fault.kind, fault.row) for fault in faults(moved)] == [("changed", ("mold", 2))]
    moved.close()

"""A whole log from one database into another: every row arrives, nothing is written over, and all goes on there."""

import os
import signal
import sqlite3
import time
from contextlib import closing

import psycopg
import pytest

from inspector import log
from inspector.errors import InputError, InspectorError
from inspector.log import LogPlace, acting_as, check_log, move_log, open_log, row_copies
from inspector.log import postgresql_server as servers
from inspector.log.databases import database_of
from tests.doubles.places import only_postgresql, only_sqlite, silently
from tests.durability.kills import PROCESSES

pytestmark = pytest.mark.postgresql


@pytest.fixture
def used(stocked, make):
    """A log with a row of most kinds, written by two people, and one that was changed."""
    with acting_as("Ada"):
        logged = log.add_piece_photo(stocked, make.piece_photo(stocked, name="Stück 1 „schön“ \U0001f426.jpg"))
        log.add_reference(stocked, make.reference(stocked), mold="heron", view="side")
        log.add_mold_setting(
            stocked, mold="heron", target_loss=0.1 + 0.2, piece_cost=None, mold_hour_cost=1e-9, turnaround_h=1e12
        )
    finding = log.find_piece(stocked, logged.piece_id).inspections[0].findings[0]
    with acting_as("Ben"):
        log.add_review(stocked, finding.id, verdict="kind changed", new_kind="surface void", reviewer="Ben")
        log.add_disposition(stocked, logged.piece_id, "second", decided_by="Ben", note="line\n'quoted' \\ back")
    return stocked


@pytest.fixture
def target(place, postgresql_server):
    """Where to move the log of `place`: to the server out of a file, into a file from the server."""
    return LogPlace(place.folder, postgresql_server.new_database() if place.database is None else None)


def test_every_row_arrives_and_all_goes_on_there(used, place, target, make):
    before = check_log(place)
    copied = move_log(place, to=target.database)
    rows = {table.name: table.rows for table in copied}
    assert (rows["piece"], rows["finding"], rows["change"]) == (1, 1, before.changes)
    after = check_log(target)
    assert (after.troubles, after.last_link, after.changes) == ((), before.last_link, before.changes)
    moved = open_log(target)
    assert log.find_piece(moved, 1) == log.find_piece(used, 1)
    assert log.find_mold_setting(moved, "heron") == log.find_mold_setting(used, "heron")
    # The next row gets the next number, and the history goes on from its last link.
    assert log.add_piece_photo(moved, make.piece_photo(moved, b"\xff\xd8\xff next")).piece_id == 2
    moved.close()
    assert check_log(target).troubles == ()
    old = check_log(place)  # is as it was
    assert (old.troubles, old.last_link) == ((), before.last_link)


def test_what_was_amiss_before_is_amiss_after(used, place, target):
    silently(used, "UPDATE piece SET demolded_at = '2026-05-07 00:00:00.000000'")
    before = check_log(place).troubles
    assert before
    move_log(place, to=target.database)
    assert check_log(target).troubles == before


def test_nothing_is_written_over(used, place, target):
    move_log(place, to=target.database)
    before = check_log(target)
    with pytest.raises(InputError, match="nothing is written over"):
        move_log(place, to=target.database)
    assert check_log(target) == before


def test_rows_that_do_not_arrive_as_they_were_leave_the_target_empty(used, place, target, monkeypatch):
    added = row_copies.add_rows

    def with_a_rounding(connection, into, portions):
        def rounded(row):
            return tuple(
                0.79 if name == "confidence" else value for name, value in zip(into.c.keys(), row, strict=True)
            )

        added(connection, into, (list(map(rounded, rows)) for rows in portions))

    with monkeypatch.context() as patched:
        patched.setattr(row_copies, "add_rows", with_a_rounding)
        with pytest.raises(InspectorError, match="Table finding did not arrive as it was: row 1 is another one"):
            move_log(place, to=target.database)
    move_log(place, to=target.database)
    assert check_log(target).troubles == ()


@only_sqlite
def test_a_log_is_not_moved_onto_itself_and_none_is_not_moved(used, place, tmp_path):
    with pytest.raises(InputError, match=r"already\. Name another database with --to"):
        move_log(place, to=None)
    with pytest.raises(InputError, match="There is no log in"):
        move_log(tmp_path / "nowhere", to="postgresql://host/shop")
    assert not (tmp_path / "nowhere").exists()


def test_a_moved_log_has_each_index_and_reference_of_a_new_one(used, place, target, tmp_path, postgresql_server):
    steps = []
    copied = move_log(place, to=target.database, told=steps.append)
    fresh = LogPlace(tmp_path / "fresh", None if target.database is None else postgresql_server.new_database())
    open_log(fresh).close()
    assert len(made := _schema(fresh)) > 80
    assert _schema(target) == made
    # How far it was has been told all along.
    assert list(dict.fromkeys(step.doing for step in steps)) == ["rows", "indexes", "comparison"]
    last = {step.doing: (step.done, step.of) for step in steps}
    assert last["rows"] == last["comparison"] == (sum(table.rows for table in copied),) * 2
    assert last["indexes"][0] == last["indexes"][1] > 50


def _schema(where):
    """All indexes, triggers and references, as the database tells them."""
    if where.database is None:
        with closing(sqlite3.connect(where.folder / "log.sqlite3")) as connection:
            return set(connection.execute("SELECT name, tbl_name, sql FROM sqlite_master WHERE type <> 'table'"))
    with psycopg.connect(where.database.replace("+psycopg", "")) as connection:
        return set(
            connection.execute("""
                SELECT conname, conrelid::regclass::text, pg_get_constraintdef(oid) FROM pg_constraint
                WHERE connamespace = 'public'::regnamespace
                UNION SELECT indexname, tablename, indexdef FROM pg_indexes WHERE schemaname = 'public'
            """)
        )


def _move_until_killed(place, to):
    """Be killed when all rows have arrived, in a process of its own."""

    def kill(step):
        if step.doing == "comparison":
            os.kill(os.getpid(), signal.SIGKILL)

    move_log(place, to=to, told=kill)


@pytest.mark.skipif(os.name == "nt", reason="no SIGKILL there")
def test_a_move_that_is_killed_leaves_the_old_log_as_it_was_and_can_be_started_again(used, place, target):
    before = check_log(place)
    process = PROCESSES.Process(target=_move_until_killed, args=(place, target.database))
    process.start()
    process.join()
    assert process.exitcode == -signal.SIGKILL
    assert check_log(place) == before
    assert not database_of(target).holds_log()
    move_log(place, to=target.database)
    assert check_log(target).troubles == ()


@only_postgresql
def test_a_move_that_is_interrupted_leaves_nothing_behind(used, place, target):
    def interrupt(step):
        if step.doing == "rows":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        move_log(place, to=target.database, told=interrupt)
    assert not database_of(target).holds_log()
    assert list(place.folder.glob(".log.sqlite3-*")) == []
    move_log(place, to=target.database)
    assert check_log(target).troubles == ()


def test_a_server_that_goes_in_the_middle_is_told_of(used, place, target, postgresql_server):
    def end_connections(step):
        if step.doing == "comparison":
            url = place.database or target.database
            postgresql_server.run(
                url,
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                "WHERE datname = current_database() AND pid <> pg_backend_pid() AND state <> 'idle'",
            )

    before = check_log(place)
    with pytest.raises(
        InspectorError, match=r"could not be moved from .* the new one is empty.* Then start again with"
    ):
        move_log(place, to=target.database, told=end_connections)
    assert not database_of(target).holds_log()
    assert check_log(place) == before


@only_sqlite
def test_a_database_that_another_still_writes_to_is_left_to_it(used, place, target, monkeypatch):
    monkeypatch.setattr(servers, "_LOCK_TIMEOUT_S", 0.1)
    with psycopg.connect(target.database.replace("+psycopg", "")) as other:
        other.execute(f"SELECT pg_advisory_xact_lock({servers._WRITERS})")
        with pytest.raises(InspectorError, match="another program has been writing to it, or one that was cut short"):
            move_log(place, to=target.database)
    move_log(place, to=target.database)
    assert check_log(target).troubles == ()


@only_sqlite
@pytest.mark.parametrize(
    ("edit", "message"),
    [
        ("UPDATE piece SET demolded_at = 'at noon'", "holds what no column of postgresql://.* takes: .*at noon"),
        ("UPDATE finding SET inspection_id = 77", "row that refers to one that is not there.*fk_finding_inspection_id"),
        ("ALTER TABLE piece ADD COLUMN colour TEXT", "Table piece of the log has other columns.*: colour"),
    ],
)
def test_what_a_server_does_not_take_is_told_and_nothing_is_moved(used, place, target, edit, message):
    silently(used, edit, past_guards=True)
    with pytest.raises(InspectorError, match=message):
        move_log(place, to=target.database)
    assert not database_of(target).holds_log()


@only_postgresql
def test_what_a_killed_move_left_in_the_folder_is_removed_an_hour_later(used, place, target):
    left, lately = (place.folder / f".log.sqlite3-{name}.part" for name in ("aaaaaaaa", "bbbbbbbb"))
    for file in (left, lately):
        file.write_bytes(b"SQLite format 3")
    two_hours_ago = time.time() - 7200
    os.utime(left, (two_hours_ago, two_hours_ago))
    move_log(place, to=None)
    assert not left.exists()
    assert lately.exists()

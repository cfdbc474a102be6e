"""A whole log from one database into another: every row arrives, nothing is written over, and all goes on there."""

import pytest

from inspector import log
from inspector.errors import InputError, InspectorError
from inspector.log import LogPlace, acting_as, check_log, move_log, open_log, row_copies
from tests.doubles.places import only_sqlite, silently

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
    added = row_copies.add_held_rows

    def with_a_rounding(connection, into, rows):
        added(connection, into, [{**row, "confidence": 0.79} if "confidence" in row else row for row in rows])

    with monkeypatch.context() as patched:
        patched.setattr(row_copies, "add_held_rows", with_a_rounding)
        with pytest.raises(InspectorError, match="Table finding did not arrive as it was"):
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

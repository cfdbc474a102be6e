import sqlite3
from contextlib import closing

import pytest

from inspector import log
from inspector.errors import InputError
from inspector.log import check_log
from tests.doubles.places import only_sqlite, silently


@pytest.fixture
def filled(stocked, make):
    log.add_piece_photo(stocked, make.piece_photo(stocked))
    return stocked


def photo_path(filled):
    sha256 = log.find_photo(filled, 1).sha256
    return filled.photos.folder / sha256[:2] / f"{sha256}.jpg"


def test_a_whole_log_has_no_troubles(place, filled):
    found = check_log(place)
    assert found.troubles == ()
    # The tests' own server keeps nothing on disk, and that is said.
    off = [] if place.database is None else ["fsync is off", "full_page_writes is off"]
    assert [note.partition(":")[0].rpartition("setting ")[2] for note in found.notes] == off
    assert (found.photos, found.byte_count) == (1, 7)
    assert found.changes > 5
    assert len(found.last_link) == 64


def test_the_code_of_the_history_moves_with_every_change(place, filled):
    before = check_log(place).last_link
    log.add_disposition(filled, 1, "sell", decided_by="Ada", note="")
    assert check_log(place).last_link != before


def test_checking_changes_nothing(place, filled):
    first, second = check_log(place), check_log(place)
    assert first == second


@pytest.mark.parametrize(
    ("content", "what"),
    [(None, "is gone"), (b"\xff\xd8\xff 0ne", "is not what was recorded"), (b"", "is not what was")],
)
def test_a_lost_or_damaged_photo_is_named_with_its_piece(place, filled, content, what):
    path = photo_path(filled)
    path.unlink() if content is None else path.write_bytes(content)
    (trouble,) = check_log(place).troubles
    assert f"Photo 1 (a.jpg) of piece 1 {what}" in trouble.what
    assert "Record the same photo once more" in trouble.to_do


def test_recording_the_same_photo_again_puts_it_back(place, filled):
    photo_path(filled).write_bytes(b"\xff\xd8\xff 0ne")
    filled.photos.keep(b"\xff\xd8\xff one")
    assert check_log(place).troubles == ()


def test_a_row_that_refers_to_nothing_is_named(place, filled):
    silently(filled, "DELETE FROM photo", past_guards=True)
    whats = [trouble.what for trouble in check_log(place).troubles]
    assert "Row 1 of table inspection refers to a row of photo that is not there." in whats
    assert any("Row 1 of table photo, which entry" in what for what in whats)


def test_a_silent_edit_is_told(place, filled):
    silently(filled, "UPDATE piece SET demolded_at = '2026-05-07 00:00:00.000000'")
    # What lists know of the piece is older than the edit, too.
    known, trouble = check_log(place).troubles
    assert "know of piece 1 is not what the log says" in known.what
    assert "Row 1 of table piece is not what entry" in trouble.what
    assert "edited outside of Inspector" in trouble.what


@only_sqlite
def test_a_damaged_database_is_told(place, filled):
    filled.close()
    silently(filled, "PRAGMA wal_checkpoint(TRUNCATE)")
    database = place.folder / "log.sqlite3"
    data = bytearray(database.read_bytes())
    data[4096 * 3 : 4096 * 12] = b"\xa5" * (4096 * 9)
    database.write_bytes(data)
    (trouble,) = check_log(place).troubles
    assert "is damaged" in trouble.what
    assert "inspector restore" in trouble.to_do


def test_what_is_no_database_is_told(tmp_path):
    (tmp_path / "log.sqlite3").write_bytes(b"this is a shopping list, not a database" * 100)
    (trouble,) = check_log(tmp_path).troubles
    assert "file is not a database" in trouble.what


def test_a_photo_that_the_log_does_not_name_is_no_trouble(place, filled):
    filled.photos.keep(b"\xff\xd8\xff kept, then the power went")
    found = check_log(place)
    assert found.troubles == ()
    assert "1 photo files are not named" in found.notes[-1]


def test_no_log_is_told(tmp_path):
    with pytest.raises(InputError, match="There is no log in"):
        check_log(tmp_path)
    assert list(tmp_path.iterdir()) == []


@only_sqlite
def test_a_database_that_is_held_is_not_taken_for_damaged(place, filled, monkeypatch):
    monkeypatch.setattr("inspector.log.sqlite_file._BUSY_TIMEOUT_S", 0.1)
    filled.close()
    with closing(sqlite3.connect(place.folder / "log.sqlite3", isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(InputError, match="could not be looked at: database is locked"):
            check_log(place)

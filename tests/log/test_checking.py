import sqlite3
from contextlib import closing

import pytest

from inspector import log
from inspector.errors import InputError
from inspector.log import check_log


@pytest.fixture
def filled(stocked, make):
    log.add_piece_photo(stocked, make.piece_photo(stocked))
    return stocked


@pytest.fixture
def data_dir(filled):
    return filled.photos.folder.parent


def silently(data_dir, script):
    with closing(sqlite3.connect(data_dir / "log.sqlite3")) as connection, connection:
        connection.executescript(script)


def photo_path(filled):
    sha256 = log.find_photo(filled, 1).sha256
    return filled.photos.folder / sha256[:2] / f"{sha256}.jpg"


def test_a_whole_log_has_no_troubles(data_dir):
    found = check_log(data_dir)
    assert (found.troubles, found.notes) == ((), ())
    assert (found.photos, found.byte_count) == (1, 7)
    assert found.changes > 5
    assert len(found.last_link) == 64


def test_the_code_of_the_history_moves_with_every_change(data_dir, filled):
    before = check_log(data_dir).last_link
    log.add_disposition(filled, 1, "sell", decided_by="Ada", note="")
    assert check_log(data_dir).last_link != before


def test_checking_changes_nothing(data_dir):
    first, second = check_log(data_dir), check_log(data_dir)
    assert first == second


@pytest.mark.parametrize(
    ("content", "what"),
    [(None, "is gone"), (b"\xff\xd8\xff 0ne", "is not what was recorded"), (b"", "is not what was")],
)
def test_a_lost_or_damaged_photo_is_named_with_its_piece(data_dir, filled, content, what):
    path = photo_path(filled)
    path.unlink() if content is None else path.write_bytes(content)
    (trouble,) = check_log(data_dir).troubles
    assert f"Photo 1 (a.jpg) of piece 1 {what}" in trouble.what
    assert "Record the same photo once more" in trouble.to_do


def test_recording_the_same_photo_again_puts_it_back(data_dir, filled):
    photo_path(filled).write_bytes(b"\xff\xd8\xff 0ne")
    filled.photos.keep(b"\xff\xd8\xff one")
    assert check_log(data_dir).troubles == ()


def test_a_row_that_refers_to_nothing_is_named(data_dir):
    silently(data_dir, "PRAGMA foreign_keys = OFF; DELETE FROM photo")
    whats = [trouble.what for trouble in check_log(data_dir).troubles]
    assert "Row 1 of table inspection refers to a row of photo that is not there." in whats
    assert any("Row 1 of table photo, which entry" in what for what in whats)


def test_a_silent_edit_is_told(data_dir):
    silently(data_dir, "UPDATE piece SET demolded_at = '2026-05-07 00:00:00.000000'")
    (trouble,) = check_log(data_dir).troubles
    assert "Row 1 of table piece is not what entry" in trouble.what
    assert "edited outside of Inspector" in trouble.what


def test_a_damaged_database_is_told(data_dir, filled):
    filled.close()
    silently(data_dir, "PRAGMA wal_checkpoint(TRUNCATE)")
    database = data_dir / "log.sqlite3"
    data = bytearray(database.read_bytes())
    data[4096 * 3 : 4096 * 12] = b"\xa5" * (4096 * 9)
    database.write_bytes(data)
    (trouble,) = check_log(data_dir).troubles
    assert "is damaged" in trouble.what
    assert "inspector restore" in trouble.to_do


def test_what_is_no_database_is_told(tmp_path):
    (tmp_path / "log.sqlite3").write_bytes(b"this is a shopping list, not a database" * 100)
    (trouble,) = check_log(tmp_path).troubles
    assert "file is not a database" in trouble.what


def test_a_log_of_a_newer_program_is_refused(data_dir):
    silently(data_dir, "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(InputError, match=r"newer program \(its schema is 9999"):
        check_log(data_dir)


def test_an_older_schema_is_no_trouble(data_dir):
    silently(data_dir, "UPDATE alembic_version SET version_num = '0001'; DROP TABLE change")
    found = check_log(data_dir)
    assert found.troubles == ()
    assert "The schema is 0001" in found.notes[0]


def test_a_photo_that_the_log_does_not_name_is_no_trouble(data_dir, filled):
    filled.photos.keep(b"\xff\xd8\xff kept, then the power went")
    found = check_log(data_dir)
    assert found.troubles == ()
    assert "1 photo files are not named" in found.notes[0]


def test_no_log_is_told(tmp_path):
    with pytest.raises(InputError, match="There is no log in"):
        check_log(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_database_that_is_held_is_not_taken_for_damaged(data_dir, filled, monkeypatch):
    monkeypatch.setattr("inspector.log.opening._BUSY_TIMEOUT_S", 0.1)
    filled.close()
    with closing(sqlite3.connect(data_dir / "log.sqlite3", isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(InputError, match="could not be looked at: database is locked"):
            check_log(data_dir)

import hashlib
import json
import os
import shutil
import sqlite3
import threading
import zipfile

import pytest

from inspector import log
from inspector.errors import InputError, InspectorError
from inspector.log import back_up, check_log, open_log, restore
from tests.doubles.places import only_sqlite


@pytest.fixture
def filled(stocked, make):
    log.add_piece_photo(stocked, make.piece_photo(stocked))
    log.add_reference(stocked, make.reference(stocked), mold="heron", view="side")
    return stocked


@pytest.fixture
def backup(filled, tmp_path):
    back_up(filled.place, tmp_path / "backup.zip")
    return tmp_path / "backup.zip"


def repacked(backup, change, *, compression=zipfile.ZIP_STORED):
    """The same archive with its entries changed, as names and bytes."""
    with zipfile.ZipFile(backup) as archive:
        entries = [(info.filename, archive.read(info)) for info in archive.infolist()]
    with zipfile.ZipFile(backup, "w", compression) as archive:
        for name, data in change(entries):
            archive.writestr(name, data)


def relisted(backup, change):
    def with_changed_list(entries):
        for name, data in entries:
            if name == "contents.json":
                contents = json.loads(data)
                change(contents)
                yield name, json.dumps(contents)
            else:
                yield name, data

    repacked(backup, with_changed_list)


def test_a_backup_comes_back_with_every_photo_and_word_whatever_keeps_them(filled, backup, new_place, make):
    made = restore(backup, new_place)
    assert made.photos == 2
    found = check_log(new_place)
    assert (found.troubles, found.photos) == ((), 2)
    assert found.last_link == check_log(filled.place).last_link
    again = open_log(new_place)
    assert log.find_piece(again, 1) == log.find_piece(filled, 1)
    assert log.read_photo_file(again, 1) == log.read_photo_file(filled, 1)
    assert log.add_piece_photo(again, make.piece_photo(again, b"\xff\xd8\xff next")).piece_id == 2
    again.close()


def test_other_programs_can_open_a_backup(backup, tmp_path):
    # What a person without this program would do: unpack the ZIP, open the SQLite file.
    shutil.unpack_archive(backup, tmp_path / "unpacked")
    connection = sqlite3.connect(tmp_path / "unpacked" / "log.sqlite3")
    ((sha256,),) = connection.execute("SELECT hex(sha256) FROM photo WHERE name = 'a.jpg'").fetchall()
    connection.close()
    assert len(list((tmp_path / "unpacked" / "photos").rglob(f"{sha256.lower()}.jpg"))) == 1


def test_a_backup_made_while_others_write_is_of_one_moment(stocked, make, tmp_path):
    stop = threading.Event()

    def record():
        number = 0
        while not stop.is_set():
            log.add_piece_photo(
                stocked, make.piece_photo(stocked, b"\xff\xd8\xff" + bytes([number % 256, number // 256]))
            )
            number += 1

    writing = threading.Thread(target=record)
    writing.start()
    try:
        for number in range(3):
            back_up(stocked.place, tmp_path / f"{number}.zip")
    finally:
        stop.set()
        writing.join()
    for number in range(3):
        restore(tmp_path / f"{number}.zip", tmp_path / str(number))
        assert check_log(tmp_path / str(number)).troubles == ()


def test_a_backup_writes_over_nothing(filled, backup):
    before = backup.read_bytes()
    with pytest.raises(InputError, match="exists already"):
        back_up(filled.place, backup)
    assert backup.read_bytes() == before


def test_a_backup_of_nothing_is_refused(tmp_path):
    with pytest.raises(InputError, match="There is no log in"):
        back_up(tmp_path, tmp_path / "backup.zip")
    assert list(tmp_path.iterdir()) == []


def test_a_backup_that_cannot_be_written_says_so_and_leaves_nothing(filled, tmp_path):
    with pytest.raises(InspectorError, match="could not be written: No such file or directory"):
        back_up(filled.place, tmp_path / "stick" / "backup.zip")


@only_sqlite
def test_a_backup_that_finds_no_room_blames_its_disk_and_not_the_log(filled, tmp_path, monkeypatch):
    connect = sqlite3.connect

    def connect_to_a_full_disk(path, *args, **kwargs):
        connection = connect(path, *args, **kwargs)
        if ".inspector-" in str(path):
            connection.execute("PRAGMA max_page_count = 3")
        return connection

    monkeypatch.setattr(sqlite3, "connect", connect_to_a_full_disk)
    with pytest.raises(
        InspectorError, match=r"backup\.zip could not be written: No space left on device\. See that its"
    ):
        back_up(filled.place, tmp_path / "backup.zip")
    assert list(tmp_path.glob("*backup*")) == []


@only_sqlite
def test_what_a_killed_backup_left_goes_with_the_next_one_and_one_under_way_stays(filled, tmp_path):
    left, under_way, other = (
        tmp_path / f".inspector-{name}" for name in ("backup-abcd1234", "backup-efgh5678", "mine")
    )
    for folder in (left, under_way, other):
        folder.mkdir()
        (folder / ".monday.zip-x.part").write_bytes(b"PK")
        os.utime(folder, (0, 0))
    for old in (left, other):
        os.utime(old / ".monday.zip-x.part", (0, 0))
    back_up(filled.place, tmp_path / "backup.zip")
    assert sorted(path.name for path in tmp_path.glob(".*")) == [under_way.name, other.name]
    assert restore(tmp_path / "backup.zip", tmp_path / "restored").left_out == ()


def test_a_damaged_photo_is_left_out_of_a_backup_and_told(filled, tmp_path):
    data_dir = filled.place.folder
    path = data_dir / "photos" / log.find_photo(filled, 1).sha256[:2] / f"{log.find_photo(filled, 1).sha256}.jpg"
    path.write_bytes(b"\xff\xd8\xff 0ne")
    made = back_up(filled.place, tmp_path / "backup.zip")
    assert made.photos == 1
    assert "Photo 1 (a.jpg) is gone or damaged" in made.left_out[0]
    assert restore(tmp_path / "backup.zip", tmp_path / "restored").left_out == made.left_out


def test_a_restore_writes_over_no_log(filled, backup):
    with pytest.raises(InputError, match="holds a log already, and nothing is written over"):
        restore(backup, filled.place)


@only_sqlite
def test_a_backup_that_was_cut_off_is_refused(backup, tmp_path):
    backup.write_bytes(backup.read_bytes()[:-200])
    with pytest.raises(InputError, match="cut off or damaged"):
        restore(backup, tmp_path / "restored")
    assert not (tmp_path / "restored" / "log.sqlite3").exists()


@pytest.mark.parametrize("at", [60, 61, 120, 200, 350, 900])  # what inflating makes of it differs
@pytest.mark.parametrize("bit", [1, 64])
@only_sqlite
def test_a_flipped_bit_is_found_or_harmless(backup, tmp_path, at, bit):
    with zipfile.ZipFile(backup) as archive:
        info, whole = archive.getinfo("log.sqlite3"), archive.read("log.sqlite3")
    data = bytearray(backup.read_bytes())
    data[info.header_offset + at] ^= bit
    backup.write_bytes(data)
    restored = tmp_path / "restored" / "log.sqlite3"
    refused: str | None = None
    try:
        restore(backup, restored.parent)
    except InputError as problem:
        refused = str(problem)
    if refused is None:  # now and then the bit is one that inflating does not need
        assert restored.read_bytes() == whole
    else:
        assert "damaged" in refused
        assert not restored.exists()


@only_sqlite
def test_a_photo_that_was_exchanged_is_found(backup, tmp_path):
    repacked(backup, lambda entries: [(n, b"\xff\xd8\xff 0ne" if n.endswith(".jpg") else d) for n, d in entries])
    with pytest.raises(InputError, match="is not what was put in"):
        restore(backup, tmp_path / "restored")
    assert not (tmp_path / "restored" / "log.sqlite3").exists()


@pytest.mark.parametrize("name", ["../outside.jpg", "/tmp/outside.jpg", "photos/../../outside.jpg", "photos/aa/b.sh"])
@only_sqlite
def test_a_name_that_leads_elsewhere_is_refused(backup, tmp_path, name):
    entry = {"sha256": "00" * 32, "bytes": 4}
    relisted(backup, lambda contents: contents["files"].update({name: entry}))
    repacked(backup, lambda entries: [*entries, (name, b"evil")])
    with pytest.raises(InputError, match="no photo of a log"):
        restore(backup, tmp_path / "restored")
    assert not (tmp_path / "restored").exists()
    assert not (tmp_path / "outside.jpg").exists()


@only_sqlite
def test_a_file_that_the_list_does_not_name_is_refused(backup, tmp_path):
    repacked(backup, lambda entries: [*entries, ("../outside.jpg", b"evil")])
    with pytest.raises(InputError, match="does not hold what its list says"):
        restore(backup, tmp_path / "restored")


@only_sqlite
def test_a_file_larger_than_the_list_says_is_not_unpacked(backup, tmp_path):
    # A deflated gigabyte of zeros is a megabyte; no more is read of it than the list tells.
    repacked(backup, lambda entries: [(n, b"\0" * 50_000_000 if n == "log.sqlite3" else d) for n, d in entries])
    with pytest.raises(InputError, match="is not what was put in"):
        restore(backup, tmp_path / "restored")


@only_sqlite
def test_a_backup_larger_than_the_disk_is_refused(backup, tmp_path):
    relisted(backup, lambda contents: contents["files"]["log.sqlite3"].update(bytes=10**18))
    with pytest.raises(InputError, match=r"takes 1000000000000 MB, and .* MB of room"):
        restore(backup, tmp_path / "restored")


@only_sqlite
def test_a_photo_larger_than_any_that_is_kept_is_refused_before_it_is_read(backup, tmp_path):
    relisted(backup, lambda contents: next(iter(contents["files"].values())).update(bytes=10**9))
    with pytest.raises(InputError, match="holds a photo of 1000 MB, and 100 MB are the most that are kept"):
        restore(backup, tmp_path / "restored")
    assert not (tmp_path / "restored").exists()


@pytest.mark.parametrize("size", [-5, "5", 1e400, None])
@only_sqlite
def test_a_size_that_is_none_is_refused(backup, tmp_path, size):
    relisted(backup, lambda contents: contents["files"]["log.sqlite3"].update(bytes=size))
    with pytest.raises(InputError, match="is no backup of Inspector"):
        restore(backup, tmp_path / "restored")


@pytest.mark.parametrize("content", [b" " * 20_000_000, b"[" * 100_000], ids=["long", "deep"])
@only_sqlite
def test_a_list_that_would_take_all_memory_is_refused(backup, tmp_path, content):
    repacked(
        backup,
        lambda entries: [(n, content if n == "contents.json" else d) for n, d in entries],
        compression=zipfile.ZIP_DEFLATED,
    )
    with pytest.raises(InputError, match="is no backup of Inspector"):
        restore(backup, tmp_path / "restored")


@only_sqlite
def test_a_database_that_was_packed_to_fill_the_disk_is_refused(backup, tmp_path):
    bomb = bytes(60_000_000)
    entry = {"sha256": hashlib.sha256(bomb).hexdigest(), "bytes": len(bomb)}
    relisted(backup, lambda contents: contents["files"].update({"log.sqlite3": entry}))
    repacked(
        backup,
        lambda entries: [(n, bomb if n == "log.sqlite3" else d) for n, d in entries],
        compression=zipfile.ZIP_DEFLATED,
    )
    with pytest.raises(InputError, match=r"holds a database of 60 MB in 0\.1 MB: it was packed to fill the disk"):
        restore(backup, tmp_path / "restored")
    assert not (tmp_path / "restored").exists()


@only_sqlite
def test_an_archive_that_is_packed_otherwise_is_refused(backup, tmp_path):
    repacked(backup, lambda entries: entries, compression=zipfile.ZIP_LZMA)
    with pytest.raises(InputError, match="is packed as no backup of Inspector is"):
        restore(backup, tmp_path / "restored")


@only_sqlite
def test_a_backup_of_a_newer_program_is_refused(backup, tmp_path):
    relisted(backup, lambda contents: contents.update(schema="9999"))
    with pytest.raises(InputError, match=r"newer program \(its schema is 9999"):
        restore(backup, tmp_path / "restored")


@pytest.mark.parametrize("content", [b"", b"shopping list", b"PK\x05\x06" + bytes(18)])
def test_what_is_no_backup_is_refused(tmp_path, content):
    (tmp_path / "list.zip").write_bytes(content)
    with pytest.raises(InputError, match="is no backup"):
        restore(tmp_path / "list.zip", tmp_path / "restored")


def test_a_restore_that_was_cut_short_can_be_done_again(backup, tmp_path, monkeypatch):
    from inspector.log.photos import PhotoFolder

    def full(self, data):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(PhotoFolder, "keep", full)
        with pytest.raises(InspectorError, match="No space left on device"):
            restore(backup, tmp_path / "restored")
    restore(backup, tmp_path / "restored")
    assert check_log(tmp_path / "restored").troubles == ()

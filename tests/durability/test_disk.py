"""Disk full, read-only folder, database held by another: a clear sentence, and everything goes on when it is mended."""

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from inspector import log
from inspector.errors import InspectorError
from inspector.log import check_log, open_log, sqlite_file
from inspector.workshop import Workshop
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE

ROOT = Path(__file__).parents[2]


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setattr(sqlite_file, "_BUSY_TIMEOUT_S", 0.2)
    with Workshop.open(tmp_path / "data", engine=DRAWN_ENGINE) as opened:
        opened.add_mold("heron", title="Heron", views=["side"])
        check = opened.add_reference(drawn_photo(shade=200), name="r1.jpg", mold="heron")
        opened.confirm_reference(check.reference.id)
        opened.add_mix("grey", cement_class="N", water_cement_ratio=0.45)
        opened.add_pour(mix="grey", molds=["heron"], poured_at=datetime(2026, 5, 4, 16, 0, tzinfo=UTC))
        yield opened


def record(shop, number=0):
    data = drawn_photo((255, 0, 0)) + str(number).encode()
    return shop.record(data, name=f"{number}.jpg", mold="heron", pour_id=1)


def assert_nothing_half_done(tmp_path, *, pieces):
    found = check_log(tmp_path / "data")
    assert found.troubles == ()
    with closing(sqlite3.connect(tmp_path / "data" / "log.sqlite3")) as connection:
        assert connection.execute("SELECT count(*) FROM piece").fetchone() == (pieces,)
        assert connection.execute("SELECT count(*) FROM inspection").fetchone() == (pieces,)
    assert list((tmp_path / "data" / "photos" / "unfinished").iterdir()) == []


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_photo_that_finds_no_room_is_refused_and_taken_later(shop, tmp_path, monkeypatch, call):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        # The lowest edge: what the operating system answers.
        patched.setattr(os if call == "fsync" else Path, call, full)
        with pytest.raises(InspectorError, match=r"could not be kept in .*: No space left on device\. Make room"):
            record(shop)
    assert_nothing_half_done(tmp_path, pieces=0)
    assert record(shop).detail.piece.id == 1
    assert_nothing_half_done(tmp_path, pieces=1)


def test_a_log_that_finds_no_room_says_so_and_goes_on_later(shop, tmp_path):
    with shop._log.reading() as session:
        connection = session.connection()
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
    recorded = []

    def record_until_full():
        for number in range(500):
            recorded.append(record(shop, number))  # noqa: PERF401 - what was recorded before it fails counts

    with pytest.raises(InspectorError, match=r"could not be written: database or disk is full\. See that the disk"):
        record_until_full()
    assert_nothing_half_done(tmp_path, pieces=len(recorded))
    with shop._log.reading() as session:
        session.connection().exec_driver_sql("PRAGMA max_page_count = 1000000")
    record(shop, len(recorded))
    assert_nothing_half_done(tmp_path, pieces=len(recorded) + 1)


def test_a_log_held_by_another_program_says_so_and_goes_on_later(shop, tmp_path):
    with closing(sqlite3.connect(tmp_path / "data" / "log.sqlite3", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(
            InspectorError, match=r"could not be written: database is locked.*no other program holds it"
        ):
            record(shop)
        assert len(shop.molds()) == 1  # looking goes on
        other.execute("COMMIT")
    record(shop)
    assert_nothing_half_done(tmp_path, pieces=1)


def test_a_migration_without_room_for_its_copy_leaves_the_log_as_it_was(tmp_path, monkeypatch):
    from tests.durability.kills import make_first_database

    (tmp_path / "data").mkdir()
    make_first_database(tmp_path / "data" / "log.sqlite3")

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(InspectorError, match=r"no copy of it could be put into .*No space left on device"):
            open_log(tmp_path / "data")
    with closing(sqlite3.connect(tmp_path / "data" / "log.sqlite3")) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
    assert list((tmp_path / "data" / "backups").iterdir()) == []
    moved = open_log(tmp_path / "data")
    assert [mold.name for mold in log.list_molds(moved)] == ["heron"]
    moved.close()


# Real ones: a small disk of its own, filled, emptied, made read-only and writable again.
ON_A_SMALL_DISK = """
import subprocess, sys
from pathlib import Path
sys.path.insert(0, {root!r})
from inspector.errors import InspectorError
from inspector.log import check_log
from inspector.workshop import Workshop
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE

disk = Path({disk!r})
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "none", disk], check=True)
with Workshop.open(disk / "data", engine=DRAWN_ENGINE) as shop:
    shop.add_mold("heron", title="Heron", views=["side"])
    shop.confirm_reference(shop.add_reference(drawn_photo(shade=200), name="r.jpg", mold="heron").reference.id)

    def record(number):
        data = drawn_photo((255, 0, 0)) + str(number).encode() * 20000
        return shop.record(data, name="a.jpg", mold="heron").detail.piece.id

    ballast = disk / "ballast"
    ballast.write_bytes(bytes(1_000_000))
    last = 0
    try:
        for number in range(1, 1000):
            last = record(number)
    except InspectorError as error:
        print("full:", error)
    ballast.unlink()
    assert record(2000) == last + 1
with Workshop.open(disk / "data", engine=DRAWN_ENGINE) as shop:
    assert len(shop.pieces()) == last + 1
subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
try:
    with Workshop.open(disk / "data", engine=DRAWN_ENGINE) as shop:
        record(3000)
except InspectorError as error:
    print("read-only:", error)
subprocess.run(["mount", "-o", "remount,rw", disk], check=True)
with Workshop.open(disk / "data", engine=DRAWN_ENGINE) as shop:
    assert record(3000) == last + 2
print("troubles:", check_log(disk / "data").troubles)
"""


def may_mount():
    return shutil.which("unshare") and subprocess.run(["unshare", "-rm", "true"], check=False).returncode == 0


@pytest.mark.skipif(sys.platform != "linux" or not may_mount(), reason="no disk of its own may be mounted here")
def test_a_full_and_a_read_only_disk_are_told_and_everything_goes_on(tmp_path):
    (tmp_path / "disk").mkdir()
    script = ON_A_SMALL_DISK.format(root=str(ROOT), disk=str(tmp_path / "disk"))
    done = subprocess.run(
        ["unshare", "-rm", sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False
    )
    full, read_only, troubles = done.stdout.splitlines() or [done.stderr] * 3
    assert "No space left on device" in full or "database or disk is full" in full, done.stderr
    assert read_only.startswith("read-only: "), done.stderr
    assert troubles == "troubles: ()"
    assert done.returncode == 0, done.stderr

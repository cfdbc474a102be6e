"""The shortened form of `python -m tests.durability.kills`."""

import os
import shutil

import pytest

from tests.durability.kills import KINDS, Seen, furnish, kill_often, look, look_at_backups, look_at_migrated

pytestmark = pytest.mark.skipif(os.name == "nt", reason="no SIGKILL there")


@pytest.mark.parametrize("kind", KINDS)
def test_a_kill_loses_nothing_that_was_acknowledged(kind, tmp_path):
    wrong, counts = kill_often((kind,), 2, seed=1, scratch=tmp_path)
    assert wrong == []
    assert counts["kills"] == 2


@pytest.fixture
def folder(tmp_path):
    furnish(tmp_path)
    return tmp_path


def test_what_was_lost_would_be_seen(folder):
    told = [
        ("photo", "ab" * 32, "1"),
        ("review", "Ada", "confirmed"),
        ("disposition", "7.7"),
        ("setting", "7.007"),
        ("backup", str(folder / "7-7.zip")),
    ]
    assert len(list(look(folder, Seen(told=told)))) == len(told)
    assert list(look(folder, Seen())) == []


def test_what_is_half_done_would_be_seen(folder):
    (folder / "old-7-7").mkdir()
    shutil.copy(folder / "data" / "log.sqlite3", folder / "old-7-7" / "log.sqlite3")
    assert any("lost rows" in wrong for wrong in look_at_migrated(folder))
    (folder / "half.zip").write_bytes(b"PK\3\4")
    with pytest.raises(ValueError, match="is no backup"):
        list(look_at_backups(folder))

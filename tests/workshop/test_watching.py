"""A folder watched without waiting: the clock and the listing are handed in."""

from pathlib import Path

import pytest

from inspector.workshop.watching import GIVE_UP_S, FileState, FolderWatch, list_photo_files

SETTLE_S = 4.0
A, B = Path("in/a.jpg"), Path("in/b.jpg")


class Folder:
    """Files, a clock, and what a decoder says, all moved by hand."""

    def __init__(self):
        self.files = {}
        self.now_s = 100.0
        self.broken = set()
        self.decoded = []
        self.watch = FolderWatch(
            Path("in"),
            settle_s=SETTLE_S,
            is_whole=self.is_whole,
            list_files=lambda _: dict(self.files),
            clock=lambda: self.now_s,
        )

    def is_whole(self, path):
        self.decoded.append(path)
        return path not in self.broken

    def look_after(self, seconds):
        self.now_s += seconds
        return self.watch.look()


@pytest.fixture
def folder():
    return Folder()


def test_a_file_is_taken_once_it_has_settled_and_only_once(folder):
    folder.files[A] = FileState(1000, 1)
    assert folder.look_after(0) == ()
    assert folder.look_after(SETTLE_S - 1) == ()
    assert folder.look_after(1) == (A,)
    assert [folder.look_after(SETTLE_S) for _ in range(20)] == [()] * 20
    assert folder.decoded == [A]


def test_a_growing_file_waits(folder):
    for size in range(100, 1000, 100):
        folder.files[A] = FileState(size, size)
        assert folder.look_after(SETTLE_S) == ()
    assert folder.decoded == []
    assert folder.look_after(SETTLE_S) == (A,)


def test_a_file_written_to_without_growing_waits_too(folder):
    # Some programs give a file its full size first and fill it afterwards.
    for modified_ns in range(5):
        folder.files[A] = FileState(1000, modified_ns)
        assert folder.look_after(SETTLE_S) == ()


def test_a_stalled_transfer_waits_until_it_is_whole(folder):
    folder.files[A] = FileState(500, 1)
    folder.broken.add(A)
    folder.look_after(0)
    assert folder.look_after(SETTLE_S) == ()
    folder.files[A] = FileState(1000, 2)
    folder.broken.clear()
    assert folder.look_after(1) == ()
    assert folder.look_after(SETTLE_S) == (A,)


def test_a_file_that_stays_broken_is_given_once_and_again_when_it_changes(folder):
    folder.files[A] = FileState(500, 1)
    folder.broken.add(A)
    folder.look_after(0)
    assert folder.look_after(GIVE_UP_S - 1) == ()
    assert folder.look_after(1) == (A,)
    assert folder.look_after(GIVE_UP_S) == ()
    folder.files[A] = FileState(900, 2)
    folder.broken.clear()
    folder.look_after(1)
    assert folder.look_after(SETTLE_S) == (A,)


def test_an_empty_file_is_not_decoded(folder):
    folder.files[A] = FileState(0, 1)
    folder.look_after(0)
    assert folder.look_after(SETTLE_S) == ()
    assert folder.decoded == []


def test_one_file_does_not_hold_up_another_and_the_oldest_comes_first(folder):
    folder.files = {A: FileState(10, 9), B: FileState(10, 2), Path("in/c.jpg"): FileState(10, 1)}
    folder.broken.add(Path("in/c.jpg"))
    folder.look_after(0)
    assert folder.look_after(SETTLE_S) == (B, A)


def test_a_file_that_was_removed_and_comes_back_is_taken_again(folder):
    folder.files[A] = FileState(10, 1)
    folder.look_after(0)
    assert folder.look_after(SETTLE_S) == (A,)
    del folder.files[A]
    folder.look_after(1)
    folder.files[A] = FileState(10, 1)
    folder.look_after(1)
    assert folder.look_after(SETTLE_S) == (A,)


def test_only_photos_are_listed_with_size_and_time(tmp_path):
    for name in ("a.jpg", "B.HEIC", "c.tiff", "d.pdf", ".e.jpg", "f.jpg.part", "Thumbs.db"):
        (tmp_path / name).write_bytes(b"12345")
    (tmp_path / "g.jpg").mkdir()
    found = list_photo_files(tmp_path)
    assert {path.name for path in found} == {"a.jpg", "B.HEIC", "c.tiff"}
    assert all(state.size == 5 and state.modified_ns > 0 for state in found.values())


def test_a_folder_that_is_gone_is_an_error_of_the_system(tmp_path):
    with pytest.raises(OSError, match="nowhere"):
        list_photo_files(tmp_path / "nowhere")

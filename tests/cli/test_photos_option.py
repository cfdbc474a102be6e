"""Photos in an object store, from the shell: recorded, shown, backed up, checked, moved there and back."""

import json
import zipfile

import pytest
import typer

from inspector.cli import app
from tests.cli.test_database_option import every_command

# Of all others none reads or keeps a photo; `limits` has another --photos, and takes the variable.
READ_OR_KEEP = {
    "add", "add-reference", "backup", "check", "export", "features", "inspect", "move", "record", "reinspect",
    "restore", "serve", "trends", "watch",
}  # fmt: skip


@pytest.fixture
def stocked(run, drawn_photos, object_store, monkeypatch):
    """A workshop with a mold and a piece, its photos in a store that the variable names."""
    url = object_store.new_url()
    monkeypatch.setenv("INSPECTOR_PHOTOS", url)
    monkeypatch.setattr("inspector.log.photo_objects._TRIES", 1)
    added = run("mold", "add", "tile", drawn_photos / "r1.jpg", drawn_photos / "r2.jpg", "--yes")
    assert added.exit_code == 0
    assert run("record", drawn_photos / "chip.jpg", "--mold", "tile").exit_code == 0
    return url


def test_every_command_that_reads_or_keeps_photos_takes_their_place():
    taking = {
        command.name
        for command in every_command(typer.main.get_command(app))
        if any("--photos" in parameter.opts and parameter.metavar == "URL" for parameter in command.params)
    }
    assert taking == READ_OR_KEEP


def test_nothing_lies_in_the_folder_and_all_is_whole(run, folder, stocked):
    assert not (folder / "data" / "photos").exists()
    checked = run("check")
    assert (checked.exit_code, "3 photos" in checked.stdout, stocked in checked.stdout) == (0, True, True)
    assert run("check", "--photos", f"{stocked}/elsewhere").exit_code == 1  # there none of them is


def test_what_is_kept_there_is_compared_with_and_given_out(run, folder, stocked, drawn_photos):
    inspected = run("inspect", drawn_photos / "chip.jpg", "--mold", "tile", "--json", "chip.json")
    assert inspected.exit_code == 0
    assert json.loads((folder / "chip.json").read_text())["findings"]
    assert run("export", "all.zip", "--with-place").exit_code == 0
    with zipfile.ZipFile(folder / "all.zip") as archive:
        assert any(archive.read(name) == (drawn_photos / "chip.jpg").read_bytes() for name in archive.namelist())


def test_a_backup_comes_back_into_a_folder_and_into_another_store(run, folder, stocked, object_store, monkeypatch):
    assert run("backup", "shop.zip").exit_code == 0
    elsewhere = object_store.new_url()
    assert run("restore", "shop.zip", "--data", "other", "--photos", elsewhere).exit_code == 0
    assert not (folder / "other" / "photos").exists()
    assert run("check", "--data", "other", "--photos", elsewhere).exit_code == 0
    monkeypatch.delenv("INSPECTOR_PHOTOS")
    assert run("restore", "shop.zip", "--data", "third").exit_code == 0
    assert len(list((folder / "third" / "photos").rglob("*.jpg"))) == 3


def test_photos_are_moved_into_a_folder_and_back_and_each_is_found(run, folder, stocked, object_store, monkeypatch):
    moved = run("move", "--photos-to", "folder")
    assert (moved.exit_code, "3 photos" in moved.stdout) == (0, True)
    monkeypatch.delenv("INSPECTOR_PHOTOS")
    assert run("check").exit_code == 0
    object_store.asked.clear()
    elsewhere = object_store.new_url()
    assert run("move", "--photos-to", elsewhere).exit_code == 0
    assert run("check", "--photos", elsewhere).exit_code == 0
    object_store.asked.clear()
    assert run("move", "--photos-to", elsewhere).exit_code == 0  # nothing is sent again
    assert not any(asked.startswith("PUT") for asked in object_store.asked)
    assert "are kept in" in run("move", "--photos-to", "folder").stderr


def test_a_photo_that_is_gone_is_told_when_the_others_are_moved(run, folder, stocked, monkeypatch):
    assert run("move", "--photos-to", "folder").exit_code == 0
    monkeypatch.delenv("INSPECTOR_PHOTOS")
    next((folder / "data" / "photos").rglob("*.jpg")).unlink()
    moved = run("move", "--photos-to", f"{stocked}/again")
    assert (moved.exit_code, "2 photos" in moved.stdout) == (1, True)
    assert "is gone or damaged" in moved.stderr


def test_a_store_out_of_order_is_told_and_nothing_is_logged(run, stocked, object_store, drawn_photos, folder):
    object_store.refuses = True
    for command in (["record", drawn_photos / "crack.jpg", "--mold", "tile"], ["check"], ["backup", "no.zip"]):
        told = run(*command)
        assert (told.exit_code, "See that the store runs and can be reached" in told.stderr) == (1, True), command
    assert not (folder / "no.zip").exists()
    assert len(json.loads(run("log", "--json").stdout)) == 1


def test_neither_a_place_for_rows_nor_for_photos_is_wrong_usage(run):
    assert run("move").exit_code == 2

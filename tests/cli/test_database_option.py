"""The log in a PostgreSQL server's database, from the shell: by option, by variable, and what is refused."""

import re
import sys

import pytest
import typer

from inspector.cli import app, moving, progress
from inspector.log import CopyStep

ADDED = "mix add grey --cement-class N --water-cement-ratio 0.45"


def every_command(group):
    for command in group.commands.values():
        yield from every_command(command) if hasattr(command, "commands") else [command]


def test_every_command_that_takes_a_data_folder_takes_a_database():
    for command in every_command(typer.main.get_command(app)):
        options = {option for parameter in command.params for option in parameter.opts}
        assert ("--data" in options) == ("--database" in options), command.name


@pytest.mark.postgresql
def test_what_is_written_by_option_is_read_by_variable(run, folder, reused_database, monkeypatch):
    url = reused_database.empty()
    assert run(*ADDED.split(), "--database", url).exit_code == 0
    assert "grey" not in run("mix", "list").stdout  # the file in the folder is another log
    monkeypatch.setenv("INSPECTOR_DATABASE", url)
    assert "grey" in run("mix", "list").stdout
    checked = run("check")
    assert checked.exit_code == 0
    assert f"{folder / 'data'} and postgresql://inspector@/" in checked.stdout


@pytest.mark.postgresql
def test_a_log_comes_back_from_a_backup_of_the_other_kind(run, reused_database):
    assert run(*ADDED.split(), "--database", reused_database.empty()).exit_code == 0
    assert run("backup", "shop.zip", "--database", reused_database.url).exit_code == 0
    assert run("restore", "shop.zip", "--data", "other").exit_code == 0
    assert "grey" in run("mix", "list", "--data", "other").stdout
    refused = run("restore", "shop.zip", "--database", reused_database.url)
    assert refused.exit_code == 1
    assert "holds a log already, and nothing is written over" in refused.stderr


@pytest.mark.postgresql
def test_a_log_is_moved_to_a_server_and_back(run, folder, postgresql_server, monkeypatch):
    assert run(*ADDED.split()).exit_code == 0
    url = postgresql_server.new_database()
    with monkeypatch.context() as patched:
        patched.setattr(progress, "_SECONDS_BETWEEN_LINES", 0)
        moved = run("move", "--to", url)
    assert moved.exit_code == 0
    assert re.search(r"Moving rows: 3 of 3, .* a second, 0:00:00 left", moved.stderr)
    assert "Making indexes: 1 of " in moved.stderr
    assert "Comparing rows: 3 of 3, " in moved.stderr
    assert "mix: 1 rows, SHA-256 " in moved.stdout
    assert "3 rows were moved into" in moved.stdout
    assert run("move", "--database", url, "--to", "file").exit_code == 1  # the old one is still there
    (folder / "data" / "log.sqlite3").rename(folder / "old.sqlite3")
    assert run("move", "--database", url, "--to", "file").exit_code == 0
    assert "grey" in run("mix", "list").stdout
    assert run("check").exit_code == 0


def test_a_move_that_is_cut_short_by_hand_says_what_became_of_both(run, monkeypatch):
    def interrupted(place, *, to, told):
        told(CopyStep("rows", 5000, 9000))
        raise KeyboardInterrupt

    monkeypatch.setattr(moving, "move_log", interrupted)
    cut = run("move", "--to", "postgresql://host/shop")
    assert cut.exit_code == 130
    assert "The log is as it was, and the new place holds nothing of it. Start again" in cut.stderr


def test_a_server_that_is_not_there_is_told_without_the_password(run, tmp_path):
    result = run("mix", "list", "--database", f"postgresql+psycopg://ada:secret@/shop?host={tmp_path}")
    assert result.exit_code == 1
    assert "The log postgresql://ada:***@/shop" in result.stderr
    assert "See that the server runs and can be reached" in result.stderr
    assert "secret" not in result.output


@pytest.mark.parametrize("url", ["mysql://host/shop", "shop.db", "sqlite:///shop.db"])
def test_another_kind_of_database_is_refused(run, url):
    result = run("check", "--database", url)
    assert result.exit_code == 1
    assert "cannot keep a log. Name one of a PostgreSQL server, as in postgresql+psycopg://" in result.stderr


def test_without_what_speaks_to_a_server_it_is_told_how_to_get_it(run, monkeypatch):
    monkeypatch.setitem(sys.modules, "psycopg", None)
    result = run("mix", "list", "--database", "postgresql://host/shop")
    assert result.exit_code == 1
    assert "Install it with: pip install" in result.stderr

import json
import sqlite3
from contextlib import closing

import pytest


@pytest.fixture
def recorded(run, photos, heron):
    assert run("record", "chip.jpg", "--mold", "heron", "--pour", "1").exit_code == 0


def edit_silently(folder):
    with closing(sqlite3.connect(folder / "data" / "log.sqlite3")) as connection, connection:
        connection.execute("UPDATE piece SET demolded_at = NULL")


def test_a_backup_is_made_restored_and_checked(run, folder, recorded):
    made = run("backup", "monday.zip")
    assert made.exit_code == 0, made.output
    assert "monday.zip: the log and 3 photos" in made.stdout
    restored = run("restore", "monday.zip", "--data", "restored")
    assert restored.exit_code == 0, restored.output
    checked = run("check", "--data", "restored")
    assert checked.exit_code == 0
    assert "all is whole. 3 photos" in checked.stdout


def test_a_lost_photo_is_told_by_backup_and_check(run, folder, recorded):
    next((folder / "data" / "photos").glob("??/*.jpg")).unlink()
    made = run("backup", "monday.zip")
    assert made.exit_code == 1
    assert "1 photo could not be put in" in made.stderr
    checked = run("check")
    assert checked.exit_code == 1
    assert "is gone" in checked.stderr
    assert "1 thing wrong" in checked.stdout


def test_a_silent_edit_is_told_by_check(run, folder, recorded):
    edit_silently(folder)
    checked = run("check", "--json")
    assert checked.exit_code == 1
    told = [trouble["what"] for trouble in json.loads(checked.stdout)["troubles"]]
    assert any("edited outside of Inspector" in what for what in told)


def test_a_restore_writes_over_no_log(run, folder, recorded):
    run("backup", "monday.zip")
    refused = run("restore", "monday.zip")
    assert refused.exit_code == 1
    assert "nothing is written over" in refused.stderr


def test_the_history_tells_who_changed_what(run, folder, recorded, monkeypatch):
    monkeypatch.setenv("LOGNAME", "ada")
    run("mold", "set", "heron", "--target-loss", "0.08")
    told = run("history", "mold_setting")
    assert told.exit_code == 0, told.output
    assert "ada: mold_setting 1 added" in told.stdout
    assert "target_loss: 0.08" in told.stdout
    (entry,) = json.loads(run("history", "piece", "1", "--json").stdout)
    assert (entry["did"], entry["before"], entry["after"]["pour_id"]) == ("added", None, 1)


def test_the_history_tells_what_a_row_was_before(run, folder, recorded):
    # A reference is added without a yes; the yes changes it.
    told = run("history", "reference", "1")
    assert "reference 1 changed" in told.stdout
    assert "confirmed_at: nothing -> " in told.stdout


def test_a_history_of_nothing_is_told(run, folder):
    assert "tells of no such change" in run("history").stdout
    refused = run("history", "bird")
    assert refused.exit_code == 1
    assert "The history knows no bird. It tells of: account, admixture" in refused.stderr


def test_no_name_becomes_a_formula_in_a_spreadsheet(run, folder, photos, heron):
    # OWASP, "CSV Injection": =, +, -, @, tab and carriage return begin a formula.
    name = '=HYPERLINK("evil").jpg'
    (folder / "chip.jpg").rename(folder / name)
    assert run("record", name, "--mold", "heron", "--pour", "1").exit_code == 0
    told = run("log", "--csv").stdout
    assert "\"'=HYPERLINK(" in told
    assert ",=" not in told

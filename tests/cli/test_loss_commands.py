import csv
import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

COLUMNS = ["mold", "poured_at", "demolded_at", "temperature_c", "wet_cured_until_h", "defects"]


def spreadsheet(path, *, mold="heron", pieces=120, theta=0.26, seed=1):
    """A workshop's spreadsheet: one piece a day, lost by a fragility curve in EN 1992-1-1 strengths at 20 degC."""
    rng = np.random.default_rng(seed)
    ages_h = rng.uniform(16, 60, pieces)
    strength = np.exp(0.25 * (1 - np.sqrt(672 / ages_h)))
    lost = rng.normal(size=pieces) < np.log(theta / strength) / 0.2
    first = datetime(2025, 1, 6, 15, tzinfo=UTC)
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for day, (age_h, bad) in enumerate(zip(ages_h, lost, strict=True)):
            poured_at = first + timedelta(days=day)
            demolded_at = poured_at + timedelta(hours=float(age_h))
            writer.writerow([mold, poured_at.isoformat(), demolded_at.isoformat(), 20, "", "chip" if bad else ""])
    return int(lost.sum())


@pytest.fixture
def imported(run, folder):
    """A log with the pieces of a spreadsheet, and how many of them were lost."""
    lost = spreadsheet(folder / "pieces.csv")
    assert run("import", "pieces.csv").exit_code == 0
    return lost


def test_a_spreadsheet_becomes_a_window(run, imported):
    result = run("window", "heron", "--json")
    assert result.exit_code == 0, result.output
    window = json.loads(result.stdout)
    assert (window["mold"], window["pieces"], window["lost"]) == ("heron", 120, imported)
    assert window["theta"]["low"] < 0.26 < window["theta"]["high"]
    assert window["earliest_h"] <= window["cheapest_h"] <= window["latest_h"]
    assert window["loss_at_earliest"]["high"] < window["target_loss"]
    assert window["enough_evidence"] is True


def test_all_windows_come_as_a_list(run, imported, folder):
    spreadsheet(folder / "more.csv", mold="finial", pieces=5)
    run("import", "more.csv")
    windows = {item["mold"]: item for item in json.loads(run("window", "--json").stdout)}
    assert windows["heron"]["enough_evidence"]
    assert not windows["finial"]["enough_evidence"]
    assert windows["finial"]["more"]["pieces"] > 0


def test_the_window_in_words(run, imported):
    result = run("window", "heron")
    assert "heron: Open it from" in result.stdout
    assert "Written down as changed: heron." in result.stdout
    assert "inspector mold set" in result.stdout
    again = run("window", "heron")
    assert "Written down" not in again.stdout
    assert "Windows so far" in again.stdout


def test_a_window_for_another_temperature_is_not_written_down(run, imported):
    assert "Written down" not in run("window", "heron", "--temperature-c", "8").stdout
    assert "Windows so far" not in run("window", "heron", "--temperature-c", "8").stdout


def test_a_new_mold_says_that_there_is_not_enough_evidence(run, heron):
    result = run("window")
    assert "heron: Not enough evidence yet: no piece with a known age." in result.stdout
    assert json.loads(run("window", "heron", "--json").stdout)["pieces"] == 0


def test_an_empty_log_says_how_to_begin(run):
    assert "inspector mold add" in run("window").stdout
    assert json.loads(run("window", "--json").stdout) == []
    assert json.loads(run("trends", "--json").stdout) == []


def test_trends_in_words_and_json(run, imported):
    result = run("trends", "heron")
    assert f"heron: {imported} of 120 lost" in result.stdout
    assert "Opened too early" in result.stdout
    assert "2025-01" in result.stdout
    trends = json.loads(run("trends", "heron", "--json").stdout)
    assert sum(month["lost"] for month in trends["months"]) == trends["lost"] == imported
    assert trends["causes"][0]["cause"] == "opened early"
    assert isinstance(json.loads(run("trends", "--json").stdout), list)


def test_pictures_are_written_with_their_tables(run, imported, folder):
    result = run("trends", "heron", "--pictures", "out")
    assert result.exit_code == 0, result.output
    assert (folder / "out" / "heron.pdf").read_bytes().startswith(b"%PDF")
    names = {path.name for path in (folder / "out").glob("*.svg")}
    assert {"heron-loss-by-age.svg", "heron-losses-over-time.svg", "heron-strength-gain.svg"} <= names


def test_pictures_that_cannot_be_written_are_told(run, imported, folder):
    (folder / "out").write_text("a file")
    result = run("trends", "heron", "--pictures", "out")
    assert result.exit_code == 1
    assert "The pictures could not be written to out" in result.stderr


def test_what_if_in_words_and_json(run, imported):
    result = run("what-if", "heron", "--age-h", "48", "--instead-of-h", "24")
    assert "would be lost" in result.stdout
    found = json.loads(run("what-if", "heron", "--age-h", "48", "--instead-of-h", "24", "--json").stdout)
    assert found["now"]["age_h"] == 24
    assert found["instead"]["loss"]["mean"] < found["now"]["loss"]["mean"]
    assert found["loss_change"]["low"] <= found["loss_change"]["mean"] <= found["loss_change"]["high"]
    assert {"mean", "low", "high"} == found["cost_change"].keys()


@pytest.mark.parametrize("way", [["--wet-until-h", "72"], ["--colder-by-c", "10"], ["--temperature-c", "30"]])
def test_what_if_looks_at_cure_and_temperature(run, imported, way):
    result = run("what-if", "heron", *way, "--json")
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["mold"] == "heron"


def test_what_if_nothing_is_no_question(run, imported):
    result = run("what-if", "heron")
    assert result.exit_code == 2
    assert "Say what would be otherwise" in result.stderr


@pytest.mark.parametrize("command", [["window"], ["trends"], ["what-if", "--age-h", "30"]])
def test_an_unknown_mold_is_told_with_those_that_there_are(run, imported, command):
    result = run(command[0], "swan", *command[1:])
    assert result.exit_code == 1
    assert "There is no mold swan in the log. It knows: heron." in result.stderr

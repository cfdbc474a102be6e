import json

import pytest


@pytest.fixture
def third(run, heron, photos, draw):
    (photos / "r3.jpg").write_bytes(draw(shade=190))
    assert run("mold", "add-reference", "heron", "r3.jpg", "--yes").exit_code == 0


def test_what_the_drawn_engine_does_not_see_is_said_plainly(run, third):
    result = run("limits", "--mold", "heron", "--photos", "10")
    assert result.exit_code == 0, result.output
    assert "heron, side: 10 photos with planted damage inspected" in result.stdout
    assert "Chips: 0 of" in result.stdout
    assert result.stdout.count("The detection limit is not reached within the sizes tried") == 2
    assert "False findings on the untouched photos: 0.00 a photo." in result.stdout
    assert "More references: here each photo was compared with 2." in " ".join(result.stdout.split())


def test_limits_as_json_and_nothing_is_logged(run, third):
    content = json.loads(run("limits", "--mold", "heron", "--photos", "10", "--json").stdout)
    assert (content["mold"], content["view"], content["photos_inspected"]) == ("heron", "side", 10)
    chips, cracks = content["limits"]
    assert (chips["kind"], chips["size"], cracks["size"]) == ("chip", "largest extent", "width")
    assert (chips["a90_95_mm"], chips["curve"]) == (None, [])
    assert sum(size["planted"] for size in cracks["classes"]) == cracks["planted"]
    assert content["photos"][0]["px_per_mm"] == 5.0
    assert json.loads(run("log", "--json").stdout) == []


@pytest.mark.parametrize(
    ("command", "status", "message"),
    [
        ("limits --mold finial", 2, "There is no mold finial"),
        ("limits --mold heron --view top", 1, "has no reference photo yet"),
        ("limits --mold heron --photos 3", 2, "--photos"),
        ("limits", 2, "--mold"),
    ],
)
def test_wrong_usage_is_told(run, heron, command, status, message):
    result = run(*command.split())
    assert result.exit_code == status, result.output
    assert message in " ".join(result.stderr.replace("│", " ").split())


def test_one_reference_is_not_enough(run, photos):
    run("mold", "add", "heron", "r1.jpg", "--yes")
    result = run("limits", "--mold", "heron")
    assert result.exit_code == 1
    assert "The mold has one reference only" in result.stderr

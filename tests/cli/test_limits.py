import json
import re

import pytest

from inspector.workshop import Workshop
from tests.doubles.drawn_engine import DRAWN_ENGINE


@pytest.fixture
def third(run, heron, photos, draw):
    (photos / "r3.jpg").write_bytes(draw(shade=190))
    assert run("mold", "add-reference", "heron", "r3.jpg", "--yes").exit_code == 0
    return photos


def test_what_the_drawn_engine_does_not_see_is_said_plainly(run, third):
    result = run("limits", "--mold", "heron", "--photos", "10")
    assert result.exit_code == 0, result.output
    assert "heron, side: 10 photos with planted damage inspected" in result.stdout
    assert "Planted into 3 references and 0 photos of pieces passed as good." in result.stdout
    assert re.search(r"Chips: 0 of \d+ found \(0 of \d+ at the outline, 0 of \d+ on the surface\)", result.stdout)
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
    assert (content["photos"][0]["px_per_mm"], content["photos"][0]["of"]) == (5.0, "reference")
    assert [place["place"] for place in chips["places"]] == ["outline", "surface"]
    assert sum(place["planted"] for place in chips["places"]) == chips["planted"]
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


@pytest.mark.parametrize(("ending", "start"), [("svg", b"<?xml"), ("PNG", b"\x89PNG")])
def test_the_curves_are_drawn_into_a_file(run, third, ending, start):
    result = run("limits", "--mold", "heron", "--photos", "10", "--picture", f"out/heron.{ending}")
    assert result.exit_code == 0, result.output
    assert f"Written: out/heron.{ending}" in result.stdout
    assert (third / "out" / f"heron.{ending}").read_bytes().startswith(start)


def test_a_picture_that_cannot_be_drawn_or_written_is_told(run, third):
    result = run("limits", "--mold", "heron", "--picture", "heron.bmp")
    assert result.exit_code == 2
    assert "Give its file the ending .svg or .png" in " ".join(result.stderr.replace("│", " ").split())
    (third / "file").write_bytes(b"")
    result = run("limits", "--mold", "heron", "--photos", "10", "--picture", "file/heron.svg")
    assert result.exit_code == 1
    assert "The picture could not be written to file/heron.svg" in result.stderr


def test_a_picture_is_tried_before_anything_is_measured_and_stays_as_it_was_when_that_fails(run, third):
    (third / "file").write_bytes(b"")
    result = run("limits", "--mold", "nobody", "--picture", "file/heron.svg")
    assert "The picture could not be written to file/heron.svg" in result.stderr  # not that there is no such mold
    (third / "drawn.svg").write_bytes(b"of last month")
    for name in ("drawn.svg", "new.svg"):
        assert run("limits", "--mold", "nobody", "--picture", name).exit_code == 2
    assert (third / "drawn.svg").read_bytes() == b"of last month"
    assert not (third / "new.svg").exists()


def test_a_piece_that_was_passed_is_planted_into(run, photos):
    run("mold", "add", "heron", "r1.jpg", "--yes")
    run("record", "good.jpg", "--mold", "heron")
    with Workshop.open(photos / "data", engine=DRAWN_ENGINE) as shop:
        shop.reviewing.decide(1, "sell", decided_by="Ada")
    result = run("limits", "--mold", "heron", "--photos", "10")
    assert result.exit_code == 0, result.output
    assert "Planted into 0 references and 1 photo of pieces passed as good." in result.stdout

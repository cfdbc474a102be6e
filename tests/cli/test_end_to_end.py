"""The real engine behind the commands, over one mold and two photos of the demo."""

import json
import os
from pathlib import Path

import pytest
from typer.testing import CliRunner

from inspector.cli import app

ROOT = Path(__file__).parents[2]
SHAPES = ROOT / "reference_shapes" / "wading-bird"
PIECE = ROOT / "sample_images" / "wading-bird-01.jpg"
BLURRED = ROOT / "sample_images" / "wading-bird-unusable-1.jpg"


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    environ = {**os.environ, "INSPECTOR_DATA": str(tmp_path / "data"), "COLUMNS": "200"}

    def run(*args):
        return CliRunner().invoke(app, [str(arg) for arg in args], env=environ, catch_exceptions=False)

    return run


def test_photos_are_inspected_against_a_reference(run, tmp_path):
    result = run("inspect", PIECE, BLURRED, "--reference", SHAPES / "r1.jpg", "--json", "out", "--overlay", "out")
    assert result.exit_code == 1, result.output  # the blurred one is told
    piece = json.loads((tmp_path / "out" / "wading-bird-01.json").read_text())
    blurred = json.loads((tmp_path / "out" / "wading-bird-unusable-1.json").read_text())
    assert (piece["status"], piece["reference"]) == ("inspected", "r1.jpg")
    truth = {item["photo"]: item for item in json.loads((ROOT / "sample_images" / "truth.json").read_text())}
    assert piece["px_per_mm"] == pytest.approx(truth["wading-bird-01.jpg"]["px_per_mm"], rel=0.02)
    assert (blurred["status"], blurred["findings"]) == ("unusable", [])
    assert "blurred" in blurred["reason"]
    assert (tmp_path / "out" / "wading-bird-01-overlay.jpg").read_bytes().startswith(b"\xff\xd8\xff")


def test_a_photo_is_recorded_and_its_reference_laid_over_it(run, tmp_path):
    from inspector.workshop import Workshop

    assert run("mold", "add", "heron", SHAPES / "r1.jpg", "--yes", "--preview", "look").exit_code == 0
    result = run("record", PIECE, "--mold", "heron", "--demolded-at", "2026-05-05T18:00Z")
    assert result.exit_code == 0, result.output
    with Workshop.open(tmp_path / "data") as workshop:
        (piece,) = workshop.pieces()
        picture = workshop.reference_in_photo(piece.photo_ids[0], max_side_px=400)
        shown = workshop.photo_picture(piece.photo_ids[0], max_side_px=400)
    assert (picture.width_px, picture.height_px) == (shown.width_px, shown.height_px)

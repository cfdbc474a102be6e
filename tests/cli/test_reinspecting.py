"""`inspector reinspect`, from the shell."""

import json


def test_photos_are_inspected_again_when_the_references_change(run, drawn_photos):
    assert run("mold", "add", "tile", drawn_photos / "r1.jpg", "--yes").exit_code == 0
    assert run("record", drawn_photos / "chip.jpg", "--mold", "tile").exit_code == 0
    assert run("record", drawn_photos / "night.jpg", "--mold", "tile").exit_code == 1  # too dark, and logged as such
    assert "Every photo was inspected by this engine" in run("reinspect").stdout
    assert run("mold", "add-reference", "tile", drawn_photos / "r2.jpg", "--yes").exit_code == 0
    assert "Every photo" in run("reinspect", "--until", "2026-05-01T00:00").stdout
    again = run("reinspect", "--mold", "tile")
    assert (again.exit_code, again.stdout) == (0, "2 photos were inspected again, 1 of them could not be judged.\n")
    assert "Every photo" in run("reinspect").stdout
    assert len(json.loads(run("log", "--json").stdout)) == 2


def test_a_mold_that_is_not_there_and_a_cluster_that_is_not_there_are_told(run, monkeypatch):
    monkeypatch.setattr("inspector.inspection.cluster._CONNECT_TIMEOUT_S", 0.5)
    assert "tile" in run("reinspect", "--mold", "tile").stderr
    told = run("reinspect", "--cluster", "tcp://127.0.0.1:9")
    assert (told.exit_code, "No cluster answers at tcp://127.0.0.1:9" in told.stderr) == (1, True)

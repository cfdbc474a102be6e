import json
import os

import pytest
from typer.testing import CliRunner

from inspector.cli import app
from inspector.cli.surroundings import Surroundings
from tests.doubles.drawn_engine import DRAWN_ENGINE


@pytest.fixture
def watch(heron, folder):
    """Watch the folder `in`: at each wait the clock goes on and the next step is taken; the last is Ctrl+C."""
    (folder / "in").mkdir()

    def watch(*steps, options=()):
        now_s, left = [0.0], list(steps)

        def wait(seconds):
            now_s[0] += seconds
            if not left:
                raise KeyboardInterrupt
            step = left.pop(0)
            if step is not None:
                step()

        around = Surroundings(engine=DRAWN_ENGINE, clock=lambda: now_s[0], wait=wait)
        environ = {**os.environ, "INSPECTOR_DATA": str(folder / "data"), "COLUMNS": "200"}
        return CliRunner().invoke(app, ["watch", "in", *options], obj=around, env=environ, catch_exceptions=False)

    return watch


def put(folder, name, *, part=1.0, under=None):
    data = (folder / f"{name}.jpg").read_bytes()
    target = folder / "in" / f"{under or name}.jpg"
    return lambda: target.write_bytes(data[: round(len(data) * part)])


def logged(run):
    return [photo["photo"] for piece in json.loads(run("log", "--json").stdout) for photo in piece["photos"]]


def test_photos_are_recorded_as_they_come_in_until_ctrl_c(watch, run, folder):
    put(folder, "good")()
    result = watch(None, None, put(folder, "chip"), None, None, None)
    assert result.exit_code == 0, result.output
    assert "Watching in, looking every 2 s" in result.stdout
    assert "good.jpg: heron, piece 1, demold age unknown: 0 findings" in result.stdout
    assert "chip.jpg: heron, piece 2, demold age unknown: 1 finding" in result.stdout
    assert "Stopped: 2 photos inspected." in result.stdout


def test_a_half_written_photo_is_logged_once_it_is_whole(watch, run, folder):
    steps = [put(folder, "chip", part=share) for share in (0.2, 0.5, 0.5, 0.8)]
    result = watch(*steps, None, None, None, put(folder, "chip"), None, None, None)
    assert result.exit_code == 0, result.output
    assert "is not logged" not in result.output
    assert "Stopped: 1 photo inspected." in result.stdout


def test_what_is_logged_is_not_logged_again(watch, run, folder):
    put(folder, "chip")()
    watch(None, None, None)
    result = watch(put(folder, "chip", under="copy"), None, None, None)
    assert result.output.count("was logged before as heron, piece 1") == 2
    assert len(json.loads(run("log", "--json").stdout)) == 1


def test_bad_files_and_unknown_pieces_are_told_once_and_left_alone(watch, run, folder, draw):
    put(folder, "list")()
    (folder / "in" / "other.jpg").write_bytes(draw(size=(400, 400)))
    before = (folder / "in" / "list.jpg").read_bytes()
    result = watch(*[None] * 40)
    assert result.exit_code == 0
    assert result.stderr.count("list.jpg is not logged: list.jpg is not a photo") == 1
    assert result.stderr.count("other.jpg is not logged: Photo other.jpg is like no registered mold") == 1
    assert "Stopped: 0 photos inspected, 2 not." in result.stdout
    assert (folder / "in" / "list.jpg").read_bytes() == before


def test_mold_and_pour_may_be_said(watch, folder):
    put(folder, "chip")()
    result = watch(None, None, None, options=["--mold", "heron", "--pour", "1"])
    assert "chip.jpg: piece 1, demold age 26.5 h" in result.stdout


def test_a_folder_that_goes_away_for_a_while_is_told_once_and_waited_for(watch, folder):
    away = folder / "in-away"
    result = watch(
        lambda: (folder / "in").rename(away),
        None,
        None,
        lambda: away.rename(folder / "in"),
        put(folder, "chip"),
        None,
        None,
        None,
    )
    assert result.exit_code == 0
    assert result.stderr.count("in cannot be read now") == 1
    assert "Stopped: 1 photo inspected." in result.stdout


@pytest.mark.parametrize(
    ("command", "message"),
    [
        ("watch nowhere", "nowhere is no folder"),
        ("watch in --mold finial", "There is no mold finial"),
        ("watch in --pour 9", "There is no pour 9"),
        ("watch in --every 0", "--every"),
    ],
)
def test_wrong_usage_is_told(watch, run, command, message):
    result = run(*command.split())
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.replace("│", " ").split())

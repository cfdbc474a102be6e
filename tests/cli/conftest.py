import os
import shutil
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "doubles"))

from drawing import drawn_photo
from drawn_engine import DRAWN_ENGINE

from inspector.cli import app
from inspector.cli.surroundings import Surroundings
from inspector.log import open_log


@pytest.fixture
def draw():
    return drawn_photo


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory):
    """The database of an empty log; copied for each test, since making one takes longer than most tests."""
    folder = tmp_path_factory.mktemp("empty")
    open_log(folder).close()
    return folder / "log.sqlite3"


@pytest.fixture
def folder(tmp_path, monkeypatch, empty_database):
    """The folder that commands run in; their log lies in `data` in it."""
    (tmp_path / "data").mkdir()
    shutil.copy(empty_database, tmp_path / "data")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def run(folder):
    """Run a command line with the drawn engine, as the shell would."""

    def run(*args, answer=None, demo=None):
        environ = {**os.environ, "INSPECTOR_DATA": str(folder / "data"), "COLUMNS": "200"}
        surroundings = Surroundings(engine=DRAWN_ENGINE, find_demo_folders=lambda: demo)
        arguments = [str(arg) for arg in args]
        return CliRunner().invoke(app, arguments, obj=surroundings, input=answer, env=environ, catch_exceptions=False)

    return run


@pytest.fixture
def photos(folder, draw):
    """Drawn photos: r1, r2 good ones; chip, crack and good pieces; night too dark; list no photo."""
    drawn = {
        "r1": draw(shade=200),
        "r2": draw(shade=210),
        "chip": draw((255, 0, 0), taken_at="2026:05:05 18:30:00 +00:00"),
        "crack": draw((0, 0, 255), taken_at="2026:05:06 16:00:00 +00:00"),
        "good": draw(taken_at="2026:05:06 17:00:00 +00:00"),
        "night": draw(background=0, taken_at="2026:05:06 23:00:00 +00:00"),
        "list": b"eggs, milk, cement",
    }
    for name, data in drawn.items():
        (folder / f"{name}.jpg").write_bytes(data)
    return folder


@pytest.fixture
def heron(run, photos):
    """A log with the mold `heron`, its two references, the mix `grey` and pour 1."""
    for command in (
        "mold add heron r1.jpg r2.jpg --title Heron --material silicone --view side --yes",
        "mix add grey --cement-class N --water-cement-ratio 0.45 --admixture plasticizer=0.8%",
        "pour add --mix grey --mold heron --poured-at 2026-05-04T16:00Z --cure covered",
    ):
        result = run(*command.split())
        assert result.exit_code == 0, result.output

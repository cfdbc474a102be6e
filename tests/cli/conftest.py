import os
import shutil
from collections.abc import Iterator
from contextlib import chdir
from functools import cache

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from inspector.cli import app
from inspector.cli.surroundings import Surroundings
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_CLASSIC, DRAWN_ENGINE


@pytest.fixture(scope="session", autouse=True)
def commands_made_once() -> Iterator[None]:
    """Read the options out of the functions once, as a shell does, and not for each of many commands."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("typer.testing._get_command", cache(get_command))
        yield


@pytest.fixture
def folder(tmp_path, monkeypatch, empty_database):
    """The folder that commands run in; their log lies in `data` in it."""
    (tmp_path / "data").mkdir()
    shutil.copy(empty_database, tmp_path / "data")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run_in(folder, *args, answer=None, demo=None, fault=None, classic_fault=None, **environ):
    environ = {**os.environ, **environ, "INSPECTOR_DATA": str(folder / "data"), "COLUMNS": "200"}
    surroundings = Surroundings(
        engine=DRAWN_ENGINE,
        classic=DRAWN_CLASSIC,
        engine_fault=fault,
        classic_fault=classic_fault,
        find_demo_folders=lambda: demo,
    )
    arguments = [str(arg) for arg in args]
    return CliRunner().invoke(app, arguments, obj=surroundings, input=answer, env=environ, catch_exceptions=False)


@pytest.fixture
def run(folder):
    """Run a command line with the drawn engine, as the shell would."""

    def run(*args, **world):
        return run_in(folder, *args, **world)

    return run


@pytest.fixture(scope="session")
def drawn_photos(tmp_path_factory):
    """A folder of drawn photos: r1, r2 good ones; chip, crack and good pieces; night too dark; list no photo."""
    drawn = {
        "r1": drawn_photo(shade=200),
        "r2": drawn_photo(shade=210),
        "chip": drawn_photo((255, 0, 0), taken_at="2026:05:05 18:30:00 +00:00"),
        "crack": drawn_photo((0, 0, 255), taken_at="2026:05:06 16:00:00 +00:00"),
        "good": drawn_photo(taken_at="2026:05:06 17:00:00 +00:00"),
        "night": drawn_photo(background=0, taken_at="2026:05:06 23:00:00 +00:00"),
        "list": b"eggs, milk, cement",
    }
    kept_in = tmp_path_factory.mktemp("drawn")
    for name, data in drawn.items():
        (kept_in / f"{name}.jpg").write_bytes(data)
    return kept_in


@pytest.fixture
def photos(folder, drawn_photos):
    """The drawn photos in the folder that commands run in."""
    shutil.copytree(drawn_photos, folder, dirs_exist_ok=True)
    return folder


@pytest.fixture(scope="session")
def heron_data(tmp_path_factory, drawn_photos):
    """The data folder of `heron`, made once and copied for each test."""
    made_in = tmp_path_factory.mktemp("heron")
    with chdir(drawn_photos):
        for command in (
            "mold add heron r1.jpg r2.jpg --title Heron --material silicone --view side --yes",
            "mix add grey --cement-class N --water-cement-ratio 0.45 --admixture plasticizer=0.8%",
            "pour add --mix grey --mold heron --poured-at 2026-05-04T16:00Z --cure covered",
        ):
            result = run_in(made_in, *command.split())
            assert result.exit_code == 0, result.output
    return made_in / "data"


@pytest.fixture
def heron(photos, heron_data):
    """A log with the mold `heron`, its two references, the mix `grey` and pour 1."""
    shutil.copytree(heron_data, photos / "data", dirs_exist_ok=True)

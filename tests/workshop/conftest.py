import shutil
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

# Worker processes import the engine by its name, so it has to be found on the path.
sys.path.insert(0, str(Path(__file__).parents[1] / "doubles"))

from drawing import drawn_photo
from drawn_engine import DRAWN_ENGINE

from inspector.log import LogPlace, open_log
from inspector.workshop import Workshop
from tests.doubles.places import ON_BOTH


@pytest.fixture
def engine():
    return DRAWN_ENGINE


@pytest.fixture
def draw():
    return drawn_photo


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory):
    """The database of an empty log; copied for each test, since making one takes longer than most tests."""
    folder = tmp_path_factory.mktemp("empty")
    open_log(folder).close()
    return folder / "log.sqlite3"


# What writes to the log in ways of its own; what only reads or reckons goes over SQLite, to save time.
OVER_BOTH = {"test_inspecting", "test_recording", "test_reviewing"}


def pytest_generate_tests(metafunc):
    said = any(mark.name == "parametrize" and mark.args[0] == "place" for mark in metafunc.definition.iter_markers())
    if "place" in metafunc.fixturenames and not said:
        over_both = metafunc.module.__name__.rpartition(".")[2] in OVER_BOTH
        metafunc.parametrize("place", ON_BOTH if over_both else ["sqlite"], indirect=True)


@pytest.fixture
def place(request, tmp_path):
    """Where the log of an empty workshop lies."""
    (tmp_path / "data").mkdir()
    if request.param == "postgresql":
        return LogPlace(tmp_path / "data", request.getfixturevalue("reused_database").empty())
    shutil.copy(request.getfixturevalue("empty_database"), tmp_path / "data")
    return LogPlace(tmp_path / "data")


@pytest.fixture
def shop(place):
    with Workshop.open(place, engine=DRAWN_ENGINE) as opened:
        yield opened


def furnish(shop: Workshop) -> None:
    shop.add_mold("heron", title="Heron, long bill", material="silicone", views=["side"])
    check = shop.add_reference(drawn_photo(shade=200), name="r1.jpg", mold="heron")
    shop.confirm_reference(check.reference.id)
    shop.add_mix("grey", cement_class="N", water_cement_ratio=0.45)
    shop.add_pour(mix="grey", molds=["heron"], poured_at=datetime(2026, 5, 4, 16, 0, tzinfo=UTC))


@pytest.fixture(scope="session")
def heron_data(tmp_path_factory):
    """The data folder of `heron`, made once and copied for each test."""
    made_in = tmp_path_factory.mktemp("heron") / "data"
    with Workshop.open(made_in, engine=DRAWN_ENGINE) as shop:
        furnish(shop)
    return made_in


@pytest.fixture
def heron(request, place):
    """A workshop with the mold `heron`, one reference that somebody said yes to, a mix and pour 1."""
    if place.database is None:
        shutil.copytree(request.getfixturevalue("heron_data"), place.folder, dirs_exist_ok=True)
    with Workshop.open(place, engine=DRAWN_ENGINE) as opened:
        if place.database is not None:
            furnish(opened)
        yield opened

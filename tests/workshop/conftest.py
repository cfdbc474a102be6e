import shutil
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

# Worker processes import the engine by its name, so it has to be found on the path.
sys.path.insert(0, str(Path(__file__).parents[1] / "doubles"))

from drawing import drawn_photo
from drawn_engine import DRAWN_ENGINE

from inspector.log import open_log
from inspector.workshop import Workshop


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


@pytest.fixture
def shop(tmp_path, empty_database):
    (tmp_path / "data").mkdir()
    shutil.copy(empty_database, tmp_path / "data")
    with Workshop.open(tmp_path / "data", engine=DRAWN_ENGINE) as opened:
        yield opened


@pytest.fixture(scope="session")
def heron_data(tmp_path_factory):
    """The data folder of `heron`, made once and copied for each test."""
    made_in = tmp_path_factory.mktemp("heron") / "data"
    with Workshop.open(made_in, engine=DRAWN_ENGINE) as shop:
        shop.add_mold("heron", title="Heron, long bill", material="silicone", views=["side"])
        check = shop.add_reference(drawn_photo(shade=200), name="r1.jpg", mold="heron")
        shop.confirm_reference(check.reference.id)
        shop.add_mix("grey", cement_class="N", water_cement_ratio=0.45)
        shop.add_pour(mix="grey", molds=["heron"], poured_at=datetime(2026, 5, 4, 16, 0, tzinfo=UTC))
    return made_in


@pytest.fixture
def heron(tmp_path, heron_data):
    """A workshop with the mold `heron`, one reference that somebody said yes to, a mix and pour 1."""
    shutil.copytree(heron_data, tmp_path / "data")
    with Workshop.open(tmp_path / "data", engine=DRAWN_ENGINE) as opened:
        yield opened

import shutil
from datetime import UTC, datetime

import pytest

from inspector.workshop import Workshop
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.places import ON_BOTH, run_over


@pytest.fixture
def engine():
    return DRAWN_ENGINE


# What writes to the log in ways of its own; what only reads or reckons goes over SQLite, to save time.
OVER_BOTH = {
    "test_access",
    "test_curing",
    "test_inspecting",
    "test_lessons",
    "test_molds",
    "test_recording",
    "test_reinspecting",
    "test_reviewing",
}


def pytest_generate_tests(metafunc):
    over_both = metafunc.module.__name__.rpartition(".")[2] in OVER_BOTH
    run_over(metafunc, ON_BOTH if over_both else ["sqlite"])


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

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest

from inspector import log
from inspector.log import Log, LogPlace, NewFinding, NewInspection, NewPhoto, NewPiecePhoto, NewReference, open_log
from tests.doubles.places import ON_BOTH, run_over


def pytest_generate_tests(metafunc):
    run_over(metafunc, ON_BOTH)


@pytest.fixture(params=ON_BOTH)
def new_place(request, tmp_path):
    """Where a log is to lie, whose schema may be changed."""
    if request.param == "postgresql":
        return LogPlace(tmp_path / "new", request.getfixturevalue("postgresql_server").new_database())
    return LogPlace(tmp_path / "new")


@pytest.fixture
def opened(place):
    with_log = open_log(place)
    yield with_log
    with_log.close()


def stock(opened: Log) -> None:
    log.add_mold(
        opened, "heron", title="Heron, long bill", material="silicone", release_agent="paste wax", views=["side", "top"]
    )
    log.add_mold(opened, "finial", title="Finial", material="latex", release_agent="", views=["front"])
    log.add_mix(
        opened, "grey", cement_class="N", water_cement_ratio=0.45, aggregate="sand 0-2 mm", admixtures=[], fibres=""
    )
    log.add_pour(
        opened, mix="grey", molds=["heron"], poured_at=datetime(2026, 5, 4, 16, 0, tzinfo=UTC), cure_notes="covered"
    )


@pytest.fixture(scope="session")
def stocked_database(tmp_path_factory):
    """The database of `stocked`, made once and copied for each test."""
    folder = tmp_path_factory.mktemp("stocked")
    opened = open_log(folder)
    stock(opened)
    opened.close()  # and nothing is left in its write-ahead log
    return folder / "log.sqlite3"


@pytest.fixture
def stocked(request, place) -> Iterator[Log]:
    """A log with the mold `heron`, the mix `grey` and pour 1 of it."""
    if place.database is None:
        shutil.copy(request.getfixturevalue("stocked_database"), place.folder)
    with_log = open_log(place)
    if place.database is not None:
        stock(with_log)
    yield with_log
    with_log.close()


def photo(opened: Log, content: bytes = b"\xff\xd8\xff one", *, name: str = "a.jpg", taken_at: datetime | None = None):
    return NewPhoto.kept(opened, content, name=name, width_px=400, height_px=300, taken_at=taken_at)


def inspection(*findings: NewFinding, status="inspected", score=0.9, reference=None) -> NewInspection:
    return NewInspection(
        engine_version="test",
        compared_with="references",
        status=status,
        reason=None if status == "inspected" else "The photo is blurred. Hold still and take it again.",
        score=score,
        px_per_mm=5.0,
        reference=reference,
        seconds=0.1,
        findings=findings,
        photo_from_reference=((1.0, 0.0, 3.0), (0.0, 1.0, 4.0), (0.0, 0.0, 1.0)),
    )


CHIP = NewFinding(
    kind="chip",
    polygon_xy=((10.0, 10.0), (20.5, 10.0), (20.5, 18.25)),
    confidence=0.8,
    area_mm2=3.2,
    length_mm=2.5,
    width_mm=1.25,
    feature="bill",
)


def piece_photo(opened: Log, content: bytes = b"\xff\xd8\xff one", **changes) -> NewPiecePhoto:
    values = {
        "photo": photo(opened, content, name=changes.pop("name", "a.jpg")),
        "mold": "heron",
        "pour_id": 1,
        "demolded_at": datetime(2026, 5, 5, 16, 30, tzinfo=UTC),
        "piece_id": None,
        "view": "side",
        "inspection": inspection(CHIP),
    }
    return NewPiecePhoto(**{**values, **changes})


def reference(opened: Log, content: bytes = b"\xff\xd8\xff ref", *, name: str = "r1.jpg") -> NewReference:
    return NewReference(
        photo=photo(opened, content, name=name), outline_xy=((1.0, 1.0), (90.0, 2.0), (50.0, 80.0)), px_per_mm=5.0
    )


@pytest.fixture
def make():
    """Makers of what goes into the log."""

    class Make:
        CHIP = CHIP
        photo = staticmethod(photo)
        inspection = staticmethod(inspection)
        piece_photo = staticmethod(piece_photo)
        reference = staticmethod(reference)

    return Make

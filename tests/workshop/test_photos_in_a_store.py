"""A workshop whose photos an object store keeps: inspected by processes, shown, and what happens while it is away."""

from pathlib import Path

import pytest

from inspector.errors import OutOfReachError
from inspector.log import LogPlace
from inspector.workshop import Workshop
from inspector.workshop.inspecting import InspectingProcesses
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE


@pytest.fixture
def stored_at(place, object_store, monkeypatch):
    """Where the log of a workshop with the mold `heron` is kept, its photos in a store."""
    monkeypatch.setattr("inspector.log.photo_objects._TRIES", 1)
    at = LogPlace(place.folder, place.database, object_store.new_url())
    with Workshop.open(at, engine=DRAWN_ENGINE) as shop:
        shop.add_mold("heron", views=["side"])
        shop.confirm_reference(shop.add_reference(drawn_photo(), name="r.jpg", mold="heron").reference.id)
    return at


def test_a_photo_in_a_store_is_inspected_by_a_process_and_shown(stored_at, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[2]))
    sent = drawn_photo((255, 0, 0))
    engine = "tests.doubles.drawn_engine:DRAWN_ENGINE"
    with (
        Workshop.open(stored_at, engine=DRAWN_ENGINE) as shop,
        InspectingProcesses(stored_at, workers=1, engine=engine) as inspecting,
    ):
        photo_id = shop.queue.keep(sent, name="a.jpg", mold="heron").photo_id
        done = inspecting.finished(photo_id)
        inspecting.wake()
        if shop.queue.find(photo_id) is not None:
            done.result(timeout=120)
        piece = shop.piece(shop.photo(photo_id).piece_id)
        assert piece.inspections[0].status == "inspected"
        assert shop.photo_file(photo_id).data == sent
        assert shop.reference_in_photo(photo_id) is not None
    assert not (stored_at.folder / "photos").exists()


def test_while_the_store_is_away_photos_wait_on_and_none_is_given_up(stored_at, object_store):
    with Workshop.open(stored_at, engine=DRAWN_ENGINE) as shop:
        photo_id = shop.queue.keep(drawn_photo((255, 0, 0)), name="a.jpg", mold="heron").photo_id
        object_store.refuses = True
        for _ in range(4):  # more often than a photo may end its program
            with pytest.raises(OutOfReachError):
                shop.queue.inspect_next(worker="one")
        with pytest.raises(OutOfReachError, match="could not be kept"):
            shop.queue.keep(drawn_photo((0, 0, 255)), name="b.jpg", mold="heron")
        assert shop.queue.count() == 1
        object_store.refuses = False
        assert shop.queue.inspect_next(worker="two") == photo_id
        assert shop.piece(1).inspections[0].status == "inspected"

"""Who works off the photos that wait: a process that ends, is killed or has done its share is followed by another."""

import os
import signal
from concurrent.futures import FIRST_COMPLETED, wait
from contextlib import suppress
from datetime import timedelta
from functools import partial
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from inspector.log import LogPlace, check_log, claim_photo
from inspector.workshop import Workshop
from inspector.workshop.inspecting import InspectingProcesses, InspectingThread
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.places import only_postgresql, only_sqlite

YELLOW, WHITE = (255, 255, 0), (255, 255, 255)  # what ends the process of the drawn engine, and what it fails on
LONGEST_S = 120


@pytest.fixture
def kept_at(place: LogPlace) -> LogPlace:
    """Where the log of a workshop with the mold `heron` is kept."""
    with Workshop.open(place, engine=DRAWN_ENGINE) as shop:
        shop.add_mold("heron", views=["side"])
        shop.confirm_reference(shop.add_reference(drawn_photo(), name="r.jpg", mold="heron").reference.id)
    return place


def keep(shop: Workshop, number: int, **facts) -> int:
    data = drawn_photo((255, 0, 0)) + str(number).encode()  # a phone may append anything to a JPEG
    return shop.queue.keep(data, name=f"{number}.jpg", **{"mold": "heron", **facts}).photo_id


def all_of(colour: tuple[int, int, int]) -> bytes:
    file = BytesIO()
    Image.new("RGB", (64, 64), colour).save(file, "PNG")
    return file.getvalue()


def inspections(shop: Workshop) -> list[int]:
    """How many inspections each photo of a piece has, and whether it still waits."""
    with shop._log.reading() as session:
        rows = session.connection().exec_driver_sql(
            "SELECT count(inspection.id) FROM photo LEFT JOIN inspection ON photo_id = photo.id "
            "WHERE piece_id IS NOT NULL GROUP BY photo.id"
        )
        return [count for (count,) in rows]


@only_sqlite
def test_processes_inspect_each_photo_once_whatever_ends_them(
    kept_at: LogPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[2]))
    engine = "tests.doubles.drawn_engine:DRAWN_ENGINE"
    with (
        Workshop.open(kept_at, engine=DRAWN_ENGINE) as shop,
        InspectingProcesses(kept_at, workers=1, photos_a_process=3, engine=engine) as inspecting,
    ):
        photos = [keep(shop, number) for number in range(3)]
        for photo_id in photos:
            asked = inspecting.finished(photo_id)
            inspecting.wake()
            if shop.queue.find(photo_id) is not None:
                asked.result(timeout=LONGEST_S)
        for pid in inspecting.process_ids():  # the one that has inspected its three photos, or the next
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        deadly = shop.queue.keep(all_of(YELLOW), name="deadly.png", mold="heron").photo_id
        later = keep(shop, 5)
        asked = [inspecting.finished(photo_id) for photo_id in (deadly, later)]
        inspecting.wake()
        for future in asked:
            future.result(timeout=LONGEST_S)
        assert shop.queue.count() == 0
        assert inspections(shop) == [1] * 5
        (inspection,) = shop.piece(shop.photo(deadly).piece_id).inspections
        assert inspection.status == "unusable"
        assert "deadly.png ended the program that inspected it" in inspection.reason
        assert shop.piece(shop.photo(later).piece_id).piece.kinds == ("chip",)
    assert check_log(kept_at).troubles == ()


@only_postgresql
def test_servers_beside_each_other_inspect_each_photo_once(kept_at: LogPlace, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two programs with a process each, as at two machines; one ends while it is at a photo."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[2]))
    engine = "tests.doubles.drawn_engine:DRAWN_ENGINE"
    with Workshop.open(kept_at, engine=DRAWN_ENGINE) as shop:
        photos = [keep(shop, number) for number in range(8)]
        with InspectingProcesses(kept_at, workers=1, engine=engine) as first:
            with InspectingProcesses(kept_at, workers=1, engine=engine) as second:
                told = [program.finished(photo_id) for photo_id in photos for program in (first, second)]
                wait(told, timeout=LONGEST_S, return_when=FIRST_COMPLETED)
            while shop.queue.count():
                first.wake()
                wait(told, timeout=0.1)
        assert inspections(shop) == [1] * len(photos)
    assert check_log(kept_at).troubles == ()


def test_what_was_left_when_the_program_ended_is_picked_up(kept_at: LogPlace) -> None:
    with Workshop.open(kept_at, engine=DRAWN_ENGINE) as shop:
        photos = [keep(shop, number) for number in range(3)]
    with Workshop.open(kept_at, engine=DRAWN_ENGINE) as shop, InspectingThread(shop) as inspecting:
        asked = {photo_id: inspecting.finished(photo_id) for photo_id in photos}
        for photo_id, future in asked.items():
            if shop.queue.find(photo_id) is not None:
                future.result(timeout=LONGEST_S)
        assert inspections(shop) == [1, 1, 1]


def test_two_programs_on_one_log_inspect_each_photo_once(kept_at: LogPlace) -> None:
    with Workshop.open(kept_at, engine=DRAWN_ENGINE) as one, Workshop.open(kept_at, engine=DRAWN_ENGINE) as other:
        photos = [keep(one, number) for number in range(12)]
        with InspectingThread(one) as first, InspectingThread(other) as second:
            first.wake()
            second.wake()
        while one.queue.inspect_next(worker="a third") is not None:  # what the two had no turn for
            pass
        assert inspections(one) == [1] * len(photos)


def test_a_fault_of_the_program_costs_one_photo(kept_at: LogPlace) -> None:
    with Workshop.open(kept_at, engine=DRAWN_ENGINE) as shop:
        faulty = shop.queue.keep(all_of(WHITE), name="faulty.png", mold="heron").photo_id
        good = keep(shop, 1)
        assert [shop.queue.inspect_next(worker="a") for _ in range(3)] == [faulty, good, None]
        (inspection,) = shop.piece(shop.photo(faulty).piece_id).inspections
        assert inspection.status == "unusable"
        assert "The program failed on photo faulty.png (ZeroDivisionError" in inspection.reason


@only_sqlite
def test_a_claim_that_ran_out_is_no_fault_of_the_photo_unless_it_never_ends(kept_at: LogPlace) -> None:
    lapse = partial(claim_photo, worker="slow", lease=timedelta(seconds=-1))
    with Workshop.open(kept_at, engine=DRAWN_ENGINE) as shop:
        for number, (lapses, wanted) in enumerate([(5, "inspected"), (12, "unusable")]):
            photo_id = keep(shop, number)
            for _ in range(lapses):  # a machine that is too busy to renew, a process after the other
                assert lapse(shop._log) is not None
            assert shop.queue.inspect_next(worker="in time") == photo_id
            (inspection,) = shop.piece(shop.photo(photo_id).piece_id).inspections
            assert inspection.status == wanted
        assert inspection.reason.startswith("Photo 1.jpg was begun 12 times and never ended.")


def test_a_mold_that_was_not_said_is_found_out_or_asked_for(kept_at: LogPlace) -> None:
    with Workshop.open(kept_at, engine=DRAWN_ENGINE) as shop:
        known = keep(shop, 1, mold=None)
        other = shop.queue.keep(drawn_photo(size=(400, 400)), name="other.jpg").photo_id
        while shop.queue.inspect_next(worker="a") is not None:
            pass
        assert shop.piece(shop.photo(known).piece_id).piece.mold == "heron"
        (asked,) = shop.queue.unrecognised()
        assert (asked.photo.id, shop.photo(other).piece_id) == (other, None)
        assert "is like no registered mold" in asked.refused
        shop.queue.name_mold(other, mold="heron")
        assert shop.queue.inspect_next(worker="a") == other
        assert shop.queue.unrecognised() == ()
        assert shop.photo(other).piece_id is not None

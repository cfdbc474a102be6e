"""The shortened form of `python -m tests.load.phones`: the engine is a drawn one that can be held up."""

import re
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import httpx2
import pytest
import uvicorn
from fastapi import FastAPI

from inspector.settings import Settings
from inspector.web import create_app, photo_routes
from inspector.workshop import Workshop
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE, inspect_photo

PHONES = 20
SIZE = (800, 600)  # the script sends 12 megapixels; here it is about what is answered when
FOR_A_PROGRAM = {"Accept": "application/json"}
LONGEST_S = 120


@dataclass
class HeldUp:
    """A workshop that is served, and what lets its inspections go on."""

    address: str
    shop: Workshop
    app: FastAPI
    go_on: threading.Event


@pytest.fixture
def held_up(tmp_path: Path) -> Iterator[HeldUp]:
    go_on = threading.Event()

    def inspect_later(photo, references):
        assert go_on.wait(LONGEST_S)
        return inspect_photo(photo, references)

    engine = replace(DRAWN_ENGINE, inspect_photo=inspect_later)
    with Workshop.open(tmp_path / "data", engine=engine) as shop, socket.socket() as listening:
        shop.add_mold("heron", views=["side"])
        photo = drawn_photo(size=SIZE)
        shop.confirm_reference(shop.add_reference(photo, name="r.jpg", mold="heron").reference.id)
        listening.bind(("127.0.0.1", 0))
        listening.listen(PHONES + 2)
        app = create_app(Settings(data_dir=tmp_path / "data"), open_workshop=lambda _: shop)
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="on"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield HeldUp(f"http://127.0.0.1:{listening.getsockname()[1]}", shop, app, go_on)
        finally:
            go_on.set()
            server.should_exit = True
            thread.join(timeout=LONGEST_S)


def test_twenty_phones_at_once_are_told_that_their_photos_are_kept_and_reviews_go_on(
    held_up: HeldUp, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photo_routes, "_VERDICT_WITHIN_S", 0.1)  # none comes while inspections are held up
    photo = drawn_photo((255, 0, 0), size=SIZE)
    first = held_up.shop.queue.keep(photo, name="first.jpg", mold="heron")

    def send(phone: int) -> httpx2.Response:
        with httpx2.Client(base_url=held_up.address, headers=FOR_A_PROGRAM, timeout=LONGEST_S) as client:
            key = f"{phone:016}"
            return client.post(
                "/photos",
                data={"mold": "heron" if phone % 2 else "", "photo_key": key, "piece_key": key},
                files={"photos": (f"{phone}.jpg", photo + str(phone).encode())},
            )

    def review(name: str) -> list[int]:
        with httpx2.Client(base_url=held_up.address, cookies={"reviewer": name}, timeout=LONGEST_S) as client:
            page = client.get(f"/pieces/{first.piece_id}")
            seen = re.search(r'name="seen" value="([^"]+)"', page.text)
            assert seen
            note = {"note": f"seen by {name}", "seen": seen[1]}
            said = client.post(f"/pieces/{first.piece_id}/notes", data=note, follow_redirects=False)
            return [page.status_code, said.status_code]

    with ThreadPoolExecutor(PHONES + 2) as people:
        sending = [people.submit(send, phone) for phone in range(PHONES)]
        reviewing = [people.submit(review, name) for name in ("Ada", "Ben")]
        answers = [each.result() for each in sending]
        assert [each.result() for each in reviewing] == [[200, 303]] * 2
    told = [answer.json()["photos"][0] for answer in answers]
    assert [answer.status_code for answer in answers] == [202] * PHONES
    assert {photo["outcome"] for photo in told} == {"kept"}
    assert max(int(re.search(r"Busy: (\d+) before yours", photo["message"])[1]) for photo in told) == PHONES
    assert held_up.shop.queue.count() == PHONES + 1
    page = httpx2.get(held_up.address).text
    assert f"{PHONES + 1} photos wait to be inspected" in page

    finished = [held_up.app.state.inspecting.finished(int(photo["verdict"].split("/")[2])) for photo in told]
    held_up.go_on.set()
    for each in finished:
        each.result(timeout=LONGEST_S)
    verdicts = [httpx2.get(held_up.address + photo["verdict"]).json() for photo in told]
    assert {verdict["outcome"] for verdict in verdicts} == {"flagged"}
    assert len({verdict["piece"] for verdict in verdicts}) == PHONES

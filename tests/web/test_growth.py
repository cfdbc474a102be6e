"""No page asks the database more often because there are more pieces: that is what makes pages slow after years."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import current_thread

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import event

from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import Workshop
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.every_address import get_addresses, with_parts
from tests.doubles.large_log import fill_log

pytestmark = pytest.mark.uncounted

MOLDS = 4
FEW, MANY = 20, 300
# The first piece is there in both logs; the photos of the references come before its own.
PARTS = {
    "piece_id": 1, "photo_id": MOLDS + 1, "mold": "leaf-00", "pour_id": 1, "reference_id": 1, "size_px": 400,
    "picture": "where-pieces-break",
}  # fmt: skip
# Each photo is read when its turn to be sent comes, so that one at a time is in memory.
AS_MANY_AS_PHOTOS = "/molds/{mold}/export.zip"


@contextmanager
def serving(data_dir: Path) -> Iterator[tuple[TestClient, Workshop]]:
    with Workshop.open(data_dir, engine=DRAWN_ENGINE) as shop:
        app = create_app(Settings(data_dir=data_dir), open_workshop=lambda _: shop)
        with TestClient(app, base_url="http://127.0.0.1:8417", cookies={"reviewer": "Ada"}) as client:
            yield client, shop


def queries_by_address(data_dir: Path, *, pieces: int) -> dict[str, int]:
    fill_log(data_dir, pieces=pieces, molds=MOLDS)
    counts = {}
    with serving(data_dir) as (client, shop):
        asked: list[str] = []  # the names of the threads that asked
        event.listen(shop._log._engine, "before_cursor_execute", lambda *_: asked.append(current_thread().name))
        for address in get_addresses(client.app):  # type: ignore[arg-type]
            asked.clear()
            assert client.get(with_parts(address, PARTS)).status_code == 200, address
            # The thread that inspects looks now and then whether a photo waits, and makes references ready.
            counts[address] = sum(thread != "inspecting" for thread in asked)
    return counts


def test_no_page_asks_more_often_where_there_are_more_pieces(tmp_path: Path) -> None:
    few, many = (queries_by_address(tmp_path / str(pieces), pieces=pieces) for pieces in (FEW, MANY))
    # Reading what belongs to some pieces is one query for each kind of thing, and none where no piece has such a thing.
    grown = {address: (few[address], many[address]) for address in few if many[address] > few[address] + 3}
    grown.pop(AS_MANY_AS_PHOTOS, None)
    assert grown == {}

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
from inspector.workshop import Workshop, losses
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.every_address import get_addresses, with_parts
from tests.doubles.large_log import fill_log

MOLDS = 4
FEW, MANY = 20, 300
# The first piece is there in both logs; the photos of the references come before its own.
PARTS = {
    "piece_id": 1, "photo_id": MOLDS + 1, "mold": "leaf-00", "pour_id": 1, "reference_id": 1, "size_px": 400,
    "picture": "where-pieces-break",
}  # fmt: skip
# Each photo is read when its turn to be sent comes, so that one at a time is in memory.
AS_MANY_AS_PHOTOS = "/molds/{mold}/export.zip"
FILES = (".pdf", ".zip", ".svg", ".jpg", ".js", ".webmanifest")
STEPS_AT_ONCE = 10
FIRST_OF_SITE = {
    "piece_id": "SELECT min(piece_id) FROM piece_standing WHERE site_id = 2",
    "photo_id": "SELECT min(photo.id) FROM photo WHERE site_id = 2 AND piece_id IS NOT NULL",
    "pour_id": "SELECT min(pour_id) FROM site_pour WHERE site_id = 2",
    "reference_id": "SELECT max(id) FROM reference",
}


@contextmanager
def serving(data_dir: Path) -> Iterator[tuple[TestClient, Workshop]]:
    with Workshop.open(data_dir, engine=DRAWN_ENGINE) as shop:
        app = create_app(Settings(data_dir=data_dir), open_workshop=lambda _: shop)
        with TestClient(app, base_url="http://127.0.0.1:8417", cookies={"reviewer": "Ada"}) as client:
            yield client, shop


def queries_by_address(data_dir: Path) -> dict[str, int]:
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


def steps_by_address(data_dir: Path) -> dict[str, int]:
    """How many steps SQLite takes for each page of a site that is added to a log.

    They are those of its virtual machine (https://sqlite.org/opcode.html): a row that is read and left out counts.
    """
    fill_log(data_dir, pieces=FEW, molds=MOLDS, site="hall 2")
    counts = {}
    with serving(data_dir) as (client, shop):
        engine, taken = shop._log._engine, [0]

        def count_step() -> None:
            # The thread that inspects makes references ready meanwhile, over connections that others had before it.
            if current_thread().name != "inspecting":
                taken[0] += 1

        def take(connection, _record):
            connection.set_progress_handler(count_step, STEPS_AT_ONCE)

        event.listen(engine, "connect", take)
        engine.dispose()
        site = shop.sites.named("hall 2")
        client.cookies["inspector-site"] = str(site.id)
        with engine.connect() as connection:
            first = {name: connection.exec_driver_sql(query).scalar() for name, query in FIRST_OF_SITE.items()}
        for address in get_addresses(client.app):  # type: ignore[arg-type]
            if address.endswith(FILES):
                continue
            target = with_parts(address, PARTS | first)
            client.get(target)  # what is kept until the log changes is there, and changes
            shop.at(site.id).reviewing.decide(first["piece_id"], "sell", decided_by="Ada")
            taken[0] = 0
            assert client.get(target).status_code == 200, address
            counts[address] = taken[0] * STEPS_AT_ONCE
    return counts


@pytest.fixture(scope="module")
def few_and_many(tmp_path_factory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("growth")
    for pieces in (FEW, MANY):
        fill_log(folder / str(pieces), pieces=pieces, molds=MOLDS)
    return folder / str(FEW), folder / str(MANY)


def test_no_page_asks_more_often_where_there_are_more_pieces(few_and_many: tuple[Path, Path]) -> None:
    few, many = map(queries_by_address, few_and_many)
    # Reading what belongs to some pieces is one query for each kind of thing, and none where no piece has such a thing.
    grown = {address: (few[address], many[address]) for address in few if many[address] > few[address] + 3}
    grown.pop(AS_MANY_AS_PHOTOS, None)
    assert grown == {}


def test_no_page_of_a_site_reads_more_where_another_site_has_more_pieces(
    few_and_many: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(losses, "_MOST_PIECES_IN_A_PAGE", 0)  # as a log of a million pieces does it
    few, many = map(steps_by_address, few_and_many)
    grown = {address: (few[address], many[address]) for address in few if many[address] > 1.1 * few[address] + 300}
    assert grown == {}

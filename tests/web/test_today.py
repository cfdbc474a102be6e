import re
from dataclasses import replace
from datetime import datetime, timedelta

from fastapi.testclient import TestClient

from inspector.workshop import Workshop
from tests.windows import WINDOW as A_WINDOW

WINDOW = replace(A_WINDOW, mold="oak-leaf", earliest_h=31.0, evidence={"pieces": 40, "lost": 3, "target_loss": 0.05})


def shop_of(client: TestClient) -> Workshop:
    return client.app.state.workshop  # type: ignore[attr-defined,no-any-return]


def test_what_is_strong_enough_can_come_out_and_what_is_not_yet_comes_later(client: TestClient) -> None:
    shop = shop_of(client)
    now = datetime.now().astimezone()
    for name in ("finial", "tile"):
        shop.add_mold(name, title=name.capitalize())
    # EN 1992-1-1, class N at 20 degC: half of the strength after 47 h, which is the start from practice.
    shop.add_pour(mix="grey", molds=["oak-leaf"], poured_at=now - timedelta(hours=60))
    shop.add_pour(mix="grey", molds=["finial"], poured_at=now - timedelta(hours=30))
    shop.add_pour(mix="grey", molds=["tile"], poured_at=now - timedelta(hours=2))
    page = client.get("/today").text
    now_part, rest = page.split("Within a day")
    soon_part, later_part = rest.split('<h2 id="later-title">')
    assert "1 can come out now" in now_part
    assert re.search(r"Since [^<]*\d\. It has \d+ % of its 28-day strength", now_part)
    assert "Oak leaf" in now_part
    assert "/photograph?mold=oak-leaf&amp;pour=2" in now_part
    assert "Finial" in soon_part
    assert "Tile" in later_part
    assert "a start from practice" in now_part


def test_a_cold_pour_waits_longer_than_its_hours_say(client: TestClient) -> None:
    shop = shop_of(client)
    pour = shop.add_pour(mix="grey", molds=["oak-leaf"], poured_at=datetime.now().astimezone() - timedelta(hours=60))
    assert "1 can come out now" in client.get("/today").text
    shop.curing.add_temperature(pour.id, 5.0)
    assert "Nothing can come out yet" in client.get("/today").text


def test_an_empty_workshop_is_told_to_pour(client: TestClient) -> None:
    shop_of(client).withdraw_pour(1, withdrawn_by="Marta", why="never was")
    page = client.get("/today").text
    assert "No mold is filled" in page
    assert "no mold loses more than expected, and no window moved" in page


def test_a_window_that_moved_is_told_with_the_reason(client: TestClient) -> None:
    shop = shop_of(client)
    now = datetime.now().astimezone()
    tighter = replace(
        WINDOW, earliest_h=26.0, earliest_fraction=0.32, evidence={"pieces": 90, "lost": 4, "target_loss": 0.05}
    )
    shop.planning.change_windows([WINDOW], at=now - timedelta(days=9))
    assert "no window moved" in client.get("/today").text
    shop.planning.change_windows([tighter], at=now - timedelta(days=1))
    page = client.get("/today").text
    assert "the window opens at 26 h, before at 31 h" in page
    assert "50 more pieces known, 1 of them lost." in page

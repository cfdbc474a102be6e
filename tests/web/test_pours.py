from datetime import datetime, timedelta

import pytest
from fastapi.testclient import TestClient

from inspector.workshop import Workshop


@pytest.fixture
def shop(client: TestClient) -> Workshop:
    return client.app.state.workshop  # type: ignore[attr-defined,no-any-return]


def test_a_pour_is_recorded_now_with_how_warm_it_is(client: TestClient, shop: Workshop) -> None:
    page = client.post("/pours", data={"mix": "grey", "molds": "oak-leaf", "poured_at": "", "temperature_c": "12.5"})
    assert page.status_code == 200
    assert "12.5 °C all the while" in page.text
    pour = shop.pours(limit=1)[0]
    assert (pour.mix, pour.molds) == ("grey", ("oak-leaf",))
    assert datetime.now().astimezone() - pour.poured_at < timedelta(minutes=5)


def test_the_next_pour_is_filled_in_as_the_last_one_was(client: TestClient, shop: Workshop) -> None:
    shop.add_mix("buff", cement_class="R", water_cement_ratio=0.4)
    shop.add_mold("finial", title="Finial")
    shop.add_mold("tile", title="Tile")
    shop.add_pour(mix="buff", molds=["finial", "tile"], poured_at=datetime.now().astimezone())
    page = client.get("/pours").text
    assert "<option selected>buff</option>" in page
    # Both are filled now, and so not offered for the next pour.
    assert "checked" not in page
    shop.withdraw_pour(2, withdrawn_by="Marta", why="tapped twice")
    page = client.get("/pours").text
    assert "<option selected>grey</option>" in page
    assert "withdrawn: tapped twice" in page


def test_a_pour_that_is_sent_twice_is_one_pour(client: TestClient, shop: Workshop) -> None:
    for _ in range(2):
        client.post("/pours", data={"mix": "grey", "molds": "oak-leaf", "temperature_c": "12.5"})
    assert len(shop.pours()) == 2  # with that of the furnished workshop
    assert len(shop.curing.temperatures(2)) == 1


def test_a_pour_into_nothing_is_refused(client: TestClient) -> None:
    answer = client.post("/pours", data={"mix": "grey"})
    assert answer.status_code == 422
    assert "A pour goes into at least one mold" in answer.text


@pytest.mark.parametrize("poured_at", ["0001-01-01T00:00+14:00", "9999-12-31T23:59-12:00"])
def test_a_pour_in_a_year_without_workshops_is_refused(client: TestClient, poured_at: str) -> None:
    answer = client.post("/pours", data={"mix": "grey", "molds": "oak-leaf", "poured_at": poured_at})
    assert answer.status_code == 422
    assert "is no time of a workshop. Check the year." in answer.text


def test_a_pour_is_put_right_and_shows_what_stood_there(client: TestClient) -> None:
    fields = {"mix": "grey", "molds": "oak-leaf", "poured_at": "2026-11-23T06:30", "cure_notes": "under foil"}
    page = client.post("/pours/1/correction", data={**fields, "name": "Marta", "why": "wrong clock"}).text
    assert "under foil" in page
    assert "What stood here before" in page
    assert "Marta put it right" in page
    assert "wrong clock" in page


@pytest.mark.parametrize(("name", "why"), [("", "so"), ("Marta", " ")])
def test_nothing_is_put_right_without_a_name_and_a_reason(client: TestClient, name: str, why: str) -> None:
    fields = {"mix": "grey", "molds": "oak-leaf", "poured_at": "2026-11-23T06:30", "name": name, "why": why}
    assert client.post("/pours/1/correction", data=fields).status_code == 422
    assert client.post("/pours/1/withdrawal", data={"name": name, "why": why}).status_code == 422
    assert "What stood here before" not in client.get("/pours/1").text


def test_a_withdrawn_pour_says_so(client: TestClient) -> None:
    page = client.post("/pours/1/withdrawal", data={"name": "Marta", "why": "tapped twice"}).text
    assert "tapped twice. It fills no mold." in page
    assert "Something about this pour is wrong" not in page


def test_temperatures_are_written_down_and_withdrawn(client: TestClient) -> None:
    client.post("/pours/1/temperatures", data={"temperature_c": "9", "when": "all"})
    logger = b"time,degC\n2026-11-23T08:00+01:00,11\n2026-11-23T12:00+01:00,14\n"
    page = client.post("/pours/1/temperatures", files={"logger": ("night.csv", logger)}).text
    assert "9 °C all the while" in page
    assert "2 readings" in page
    assert "night.csv" in page
    page = client.post("/pours/1/temperatures/1/withdrawal", data={"why": "of another room"}).text
    assert "withdrawn: of another room" in page
    assert client.post("/pours/1/temperatures/9/withdrawal", data={"why": "x"}).status_code == 404
    answer = client.post("/pours/1/temperatures", data={"when": "now"})
    assert "Neither a temperature nor a logger" in answer.text


def test_break_tests_are_written_down_and_withdrawn(client: TestClient) -> None:
    page = client.post("/pours/1/break-tests", data={"word": "snaps clean"}).text
    assert "snaps clean" in page
    page = client.post("/pours/1/break-tests", data={"strength_mpa": "11.5", "note": "cube"}).text
    assert "11.5 MPa, cube" in page
    page = client.post("/pours/1/break-tests/1/withdrawal", data={"why": "of pour 7"}).text
    assert "withdrawn: of pour 7" in page
    assert client.post("/pours/1/break-tests/9/withdrawal", data={"why": "x"}).status_code == 404


def test_a_wet_cure_is_written_down(client: TestClient) -> None:
    assert "Until 72 h after the pour" in client.post("/pours/1/wet-cure", data={"until_h": "72"}).text
    assert client.post("/pours/1/wet-cure", data={"until_h": "-3"}).status_code == 422


def test_what_is_not_there_is_not_found(client: TestClient) -> None:
    assert client.get("/pours/9").status_code == 404
    assert client.post("/pours/9/wet-cure", data={"until_h": "3"}).status_code == 404


def test_a_mix_is_added(client: TestClient, shop: Workshop) -> None:
    fields = {"name": "buff", "cement_class": "R", "water_cement_ratio": "0.42"}
    page = client.post("/mixes", data={**fields, "admixture": "plasticizer", "dose_percent": "0.8"}).text
    assert "plasticizer 0.8 %" in page
    assert shop.mix("buff").cement_class == "R"
    assert "There is a mix buff already" in client.post("/mixes", data=fields).text

from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from fastapi.testclient import TestClient

from inspector.log import NotedDefect, PastPiece, PastPour


@pytest.fixture
def stocked(client: TestClient) -> TestClient:
    """The furnished workshop after sixty pieces of the past, every tenth of them lost."""
    first = datetime.fromisoformat("2025-01-06T15:30:00+01:00")
    pours = []
    for number in range(60):
        at = first + timedelta(days=number)
        age = timedelta(hours=20 + number % 30)
        defects = (NotedDefect("chip", "tip"),) if number % 10 == 0 else ()
        piece = PastPiece(mold="oak-leaf", demolded_at=at + age, defects=defects)
        pours.append(
            PastPour(mix="grey", poured_at=at, temperature_degc=20.0, wet_until_h=None, cure_notes="", pieces=(piece,))
        )
    client.app.state.workshop.add_past(pours, source="book")  # type: ignore[attr-defined]
    return client


def test_all_molds_show_when_to_demold(stocked: TestClient) -> None:
    page = stocked.get("/molds").text
    assert 'href="/molds/oak-leaf"' in page
    assert "6 of 60 lost" in page
    assert "earliest, at 20" in page


def test_a_mold_shows_advice_causes_and_pictures_with_numbers(stocked: TestClient) -> None:
    page = stocked.get("/molds/oak-leaf").text
    assert "Why pieces are lost" in page
    for title in ("Loss against demold age", "Strength gain of grey", "Losses month by month", "Where pieces break"):
        assert title in page
    assert page.count("<table ") == 4
    # Each cell carries its head, so that a phone can show a row as a list.
    assert '<td role="cell" data-head="lost">' in page
    pictures = [part.split('"')[0] for part in page.split('src="')[1:] if "/pictures/" in part]
    assert len(pictures) == 4
    for address in pictures:
        answer = stocked.get(address)
        assert answer.headers["content-type"].startswith("image/svg+xml")
        assert answer.content.startswith(b"<?xml")


@pytest.fixture
def hopeless(client: TestClient) -> TestClient:
    """Sixty pieces of a mold that loses every third at any age."""
    first = datetime.fromisoformat("2025-01-06T15:30:00+01:00")
    pours = [
        PastPour(
            mix="grey", poured_at=first + timedelta(days=number), temperature_degc=20.0, wet_until_h=None,
            cure_notes="",
            pieces=(
                PastPiece(
                    mold="oak-leaf", demolded_at=first + timedelta(days=number, hours=30 + 10 * (number % 7)),
                    defects=() if number % 3 else (NotedDefect("chip", "tip"),),
                ),
            ),
        )
        for number in range(60)
    ]  # fmt: skip
    client.app.state.workshop.add_past(pours, source="book")  # type: ignore[attr-defined]
    return client


def test_a_page_speaks_its_own_terms(hopeless: TestClient) -> None:
    for address in ("/molds", "/molds/oak-leaf"):
        page = hopeless.get(address).text
        assert "At no age is the loss surely under" in page
        assert "#why" in page
        assert "`" not in page.partition("<main")[2]
        assert "degC" not in page
    assert 'id="why"' in page


def test_a_window_is_taken_over_by_a_button_and_looking_changes_nothing(stocked: TestClient) -> None:
    stocked.get("/molds/oak-leaf")
    planning = stocked.app.state.workshop.planning  # type: ignore[attr-defined]
    assert planning.window_changes("oak-leaf") == ()
    answer = stocked.post("/molds/oak-leaf/window", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/molds/oak-leaf")
    page = stocked.get("/molds/oak-leaf").text
    assert "Windows so far" in page
    assert "6 of 60 lost" in page


def test_a_mold_that_nobody_has_filled_says_where_to_start(client: TestClient, add: Callable[..., int]) -> None:
    page = client.get("/molds/oak-leaf").text
    assert "Not enough evidence yet" in page


@pytest.mark.parametrize(
    "address", ["/molds/swan", "/molds/swan/pictures/loss-by-age.svg", "/molds/oak-leaf/pictures/x.svg"]
)
def test_what_is_not_there_is_said_plainly(client: TestClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 404
    assert "<h1>Not found</h1>" in answer.text

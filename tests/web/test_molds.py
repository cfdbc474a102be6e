from collections.abc import Callable
from contextlib import closing
from datetime import datetime, timedelta

import pytest
from fastapi.testclient import TestClient

from inspector.log import NotedDefect, list_changes, open_log
from inspector.settings import Settings
from inspector.workshop import Workshop, losses
from tests.doubles.past_pours import past_pour

FIRST = datetime.fromisoformat("2025-01-06T15:30:00+01:00")
CHIP = NotedDefect("chip", "tip")


@pytest.fixture
def stocked(client: TestClient) -> TestClient:
    """The furnished workshop after sixty pieces of the past, every tenth of them lost."""
    pours = [
        past_pour(FIRST + timedelta(days=number), *[CHIP] * (number % 10 == 0), mold="oak-leaf", age_h=20 + number % 30)
        for number in range(60)
    ]
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
    assert page.count("<table ") == 5  # that of each picture, and the features
    # Each cell carries its head, so that a phone can show a row as a list.
    assert '<td role="cell" data-head="lost">' in page
    pictures = [part.split('"')[0] for part in page.split('src="')[1:] if "/pictures/" in part]
    assert len(pictures) == 4
    for address in pictures:
        answer = stocked.get(address)
        assert answer.headers["content-type"].startswith("image/svg+xml")
        assert answer.content.startswith(b"<?xml")
        again = stocked.get(address, headers={"If-None-Match": answer.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")


def test_a_picture_shows_the_log_as_it_is(stocked: TestClient, add: Callable[..., int]) -> None:
    address = "/molds/oak-leaf/pictures/loss-by-age.svg"
    before = stocked.get(address)
    assert stocked.get(f"{address}?v={'0' * 64}").content == before.content
    stocked.app.state.workshop.reviewing.decide(2, "scrap", decided_by="Marta")  # type: ignore[attr-defined]
    after = stocked.get(address)
    assert after.headers["etag"] != before.headers["etag"]
    assert after.content != before.content


def test_features_are_ranked_by_losses_with_intervals(stocked: TestClient) -> None:
    page = stocked.get("/molds/oak-leaf").text
    row = page[page.index('<th scope="row" role="rowheader">tip') :].partition("</tr>")[0]
    # 6 of 60: Clopper-Pearson 90 %, 0.0445 to 0.1879 by scipy.stats.binomtest(6, 60).proportion_ci(0.9).
    assert "10 % (4.4 to 19 %)" in row


def test_every_piece_is_shown_page_by_page(stocked: TestClient, add: Callable[..., int]) -> None:
    add(chips=1)
    beginning = stocked.get("/molds/oak-leaf/pieces")
    first, second = beginning.text, stocked.get(beginning.links["next"]["url"]).text
    assert stocked.get("/molds/oak-leaf/pieces?page=2").text == second
    assert "61 pieces of Oak leaf, curled tips" in first
    shown = [part.split('"')[0] for page in (first, second) for part in page.split('<a href="/pieces/')[1:]]
    assert len(shown) == len(set(shown)) == 61
    assert 'src="/photos/2/400.jpg"' in first
    assert first.count("no photo") == 47
    chips = stocked.get("/molds/oak-leaf/pieces?kind=chip").text
    assert "7 pieces of Oak leaf, curled tips" in chips
    assert stocked.get("/molds/swan/pieces").status_code == 404


def test_the_pieces_that_were_compared_with_a_reference_are_shown(client: TestClient, add: Callable[..., int]) -> None:
    add()
    add(seed=1)
    setup = client.get("/molds/oak-leaf/setup").text
    assert 'href="/molds/oak-leaf/pieces?reference=r1.png">nearest to 2 photos</a>' in setup
    page = client.get("/molds/oak-leaf/pieces?reference=r1.png").text
    assert 'href="/pieces/1"' in page
    assert "compared with r1.png" in page
    assert "No piece is like that." in client.get("/molds/oak-leaf/pieces?reference=r2.png").text


def test_before_and_after_a_day(stocked: TestClient) -> None:
    page = stocked.get("/molds/oak-leaf/compare?since=2025-02-05").text
    assert "Before and from 5 Feb 2025 on" in page
    assert "That can be chance" in page
    assert '<td role="cell" data-head="before">30</td><td role="cell" data-head="from then on">30</td>' in page
    for day in ("yesterday", "2025-02-30", "0001-01-01T00:00:00+14:00"):
        answer = stocked.get("/molds/oak-leaf/compare", params={"since": day})
        assert answer.status_code == 422
        assert "is no day" in answer.text


def test_two_molds_beside_each_other(stocked: TestClient) -> None:
    stocked.app.state.workshop.add_mold("swan", title="Swan", release_agent="soft soap")  # type: ignore[attr-defined]
    assert 'value="swan"' in stocked.get("/molds/oak-leaf/compare").text
    page = stocked.get("/molds/oak-leaf/compare?other=swan").text
    assert "Swan: no piece with a known age yet" in page
    assert "soft soap" in page
    assert stocked.get("/molds/oak-leaf/compare?other=heron").status_code == 404


@pytest.fixture
def hopeless(client: TestClient) -> TestClient:
    """Sixty pieces of a mold that loses every third at any age."""
    pours = [
        past_pour(
            FIRST + timedelta(days=number), *[CHIP] * (number % 3 == 0), mold="oak-leaf", age_h=30 + 10 * (number % 7)
        )
        for number in range(60)
    ]
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
    "address",
    [
        "/molds/swan", "/molds/swan/pieces", "/molds/swan/compare", "/molds/swan/month", "/molds/swan/month.pdf",
        "/molds/swan/month-map.svg", "/molds/oak-leaf/pictures/x.svg", f"/molds/swan/pictures/x.svg?v={'0' * 64}",
    ],
)  # fmt: skip
def test_what_is_not_there_is_said_plainly(client: TestClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 404
    assert "<h1>Not found</h1>" in answer.text


def test_a_new_release_agent_is_proposed_for_comparing(stocked: TestClient) -> None:
    answer = stocked.post(
        "/molds/oak-leaf/release-agent",
        data={"release_agent": "paste wax", "from_day": "2025-02-01", "name": "Marta"},
        follow_redirects=False,
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/molds/oak-leaf/setup#release-agent")
    assert "paste wax. Pours before a change keep theirs" in stocked.get("/molds/oak-leaf/setup").text
    page = stocked.get("/molds/oak-leaf/compare").text
    assert "release agent paste wax instead of none at all" in page
    assert "?since=2025-02-01T" in page
    for wrong in (
        {"release_agent": "wax", "name": "Marta"},
        {"release_agent": " ", "from_day": "2025-02-01", "name": "M"},
    ):
        assert stocked.post("/molds/oak-leaf/release-agent", data=wrong).status_code == 422


def test_parts_are_named_on_good_pieces_only_and_what_is_not_there_is_said(client: TestClient) -> None:
    client.app.state.workshop.add_mold("finial", title="Finial")  # type: ignore[attr-defined]
    assert "There is no good piece to name parts on yet" in client.get("/molds/finial/features").text
    before = client.get("/references/1/outline.jpg")
    known = {"If-None-Match": before.headers["etag"]}
    assert client.get("/references/1/outline.jpg", headers=known).status_code == 304
    drawn = client.post("/references/1/features", data={"name": "tip", "outline": "50,50 250,50 250,150"})
    assert (drawn.status_code, drawn.url.path) == (200, "/molds/oak-leaf/features")
    assert client.get("/references/1/outline.jpg", headers=known).status_code == 200  # with the part on it
    unread = client.post("/references/1/features", data={"name": "stalk", "outline": "50,50 somewhere"})
    assert unread.status_code == 422
    assert 'value="stalk"' in unread.text
    for address in ("/references/77/features", "/references/77/features/removal"):
        assert client.post(address, data={"name": "tip", "outline": "1,1 9,1 9,9"}).status_code == 404
    gone = client.post("/references/1/features/removal", data={"name": "stalk"})
    assert gone.status_code == 422


def test_a_large_log_says_as_of_when_all_molds_are_and_what_it_waits_for(
    stocked: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(losses, "_MOST_PIECES_IN_A_PAGE", 0)
    waiting = stocked.get("/molds").text
    assert "inspector refit" in waiting
    assert '<a href="/molds/oak-leaf">' in waiting
    shop: Workshop = stocked.app.state.workshop  # type: ignore[attr-defined]
    at = datetime.now().astimezone()
    shop.losses.refit(now=at)
    monkeypatch.setattr(losses, "learn_shop", None)  # no page learns from all molds now
    for page, words in (("/molds", "As of"), ("/molds/oak-leaf", "What other molds tell"), ("/today", "as of")):
        text = stocked.get(page).text
        assert words in text
        assert f"{at:%H:%M}" in text
    assert "6 of 60 lost" in stocked.get("/molds").text


def test_what_a_form_changes_stands_in_the_history_under_the_name_that_it_gave(
    client: TestClient, settings: Settings
) -> None:
    drawn = {"outline": "250,5 310,5 310,100 250,100", "how": "take away"}
    for form in ({**drawn, "name": " Zoë "}, {**drawn, "how": "add", "name": "Jo"}):
        assert client.post("/references/1/outline", data=form).status_code == 200
    client.post("/references/1/outline/found", data={"name": "Marta"})
    assert "As it was found." in client.get("/references/1/outline").text
    with closing(open_log(settings.data_dir)) as opened, opened.reading() as session:
        changes = list_changes(session, row_table="reference_outline", limit=9)
    assert [change.by for change in changes] == ["Marta", "Jo", "Zoë"]
    assert [change.after["said_by"] for change in changes if change.after] == ["Marta", "Jo", "Zoë"]

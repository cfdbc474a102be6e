import html
import re
from collections.abc import Callable

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response

from inspector.settings import Settings
from inspector.web import create_app, waiting_routes
from inspector.workshop import Workshop


def test_pieces_wait_worst_first_with_age_and_words(client: TestClient, add: Callable[..., int]) -> None:
    clean, damaged = add(seed=1), add(chips=2, cracks=1, seed=2)
    page = client.get("/").text
    assert "2 pieces waiting" in page
    assert page.index(f'href="/pieces/{damaged}"') < page.index(f'href="/pieces/{clean}"')
    assert "2 chips, 1 hairline crack" in page
    assert "Very likely damaged (95\N{NO-BREAK SPACE}%) · 3 to look at" in page
    assert "Nothing flagged" in page
    assert page.count("<strong>31 h</strong><span>demold age</span>") == 2


def test_a_decided_piece_waits_no_longer(
    reviewer: TestClient, add: Callable[..., int], say: Callable[..., Response]
) -> None:
    piece = add(chips=1)
    say(f"/pieces/{piece}/dispositions", outcome="repair")
    page = reviewer.get("/").text
    assert "No piece is waiting" in page
    assert f'href="/pieces/{piece}"' not in page


def test_photos_can_be_added_for_each_mold_and_its_pours(client: TestClient) -> None:
    page = client.get("/").text
    assert '<option value="oak-leaf">Oak leaf, curled tips</option>' in page
    assert 'data-molds="oak-leaf"' in page
    assert 'capture="environment"' in page


def test_the_list_can_be_narrowed_to_a_mold(client: TestClient, add: Callable[..., int]) -> None:
    add(seed=1)
    workshop_of(client).add_mold("finial")
    assert "1 piece waiting" in client.get("/", params={"mold": "oak-leaf"}).text
    assert "No piece is waiting" in client.get("/", params={"mold": "finial"}).text
    assert "1 piece waiting" in client.get("/", params={"mold": ""}).text
    unknown = client.get("/", params={"mold": "<b>swan</b>"})
    assert unknown.status_code == 422
    assert "<b>swan" not in unknown.text


def test_a_long_list_is_turned_by_pages(
    client: TestClient, add: Callable[..., int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(waiting_routes, "PIECES_A_PAGE", 2)
    for seed in range(3):
        add(seed=seed)
    first = client.get("/")
    assert first.text.count('<li class="tag">') == 2
    second = client.get(first.links["next"]["url"])
    assert second.text.count('<li class="tag">') == 1
    assert "next" not in second.links
    again = client.get(second.links["prev"]["url"])
    assert again.text.count('<li class="tag">') == 2
    assert "prev" not in again.links
    for page, link in ((first, "next"), (second, "prev")):
        assert f'rel="{link}" href="{html.escape(page.links[link]["url"])}"' in page.text
    # A link of before, by the number of a page.
    assert client.get("/", params={"page": 2}).text.count('<li class="tag">') == 1
    assert client.get("/", params={"place": "nowhere"}).status_code == 422


def test_the_least_sure_come_first_in_a_browser_that_chose_it(
    reviewer: TestClient, add: Callable[..., int], say: Callable[..., Response], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(waiting_routes, "PIECES_A_PAGE", 2)
    # Scores of 0.05, 0.35, 0.95 and 0.65.
    clean, one, three, two = (add(chips=chips, seed=chips) for chips in (0, 1, 3, 2))

    def shown(page: Response) -> list[int]:
        return [int(number) for number in re.findall(r'<h2><a href="/pieces/(\d+)">', page.text)]

    worst_first = reviewer.get("/")
    assert shown(worst_first) == [three, two]
    assert "Review, worst first" in worst_first.text
    assert reviewer.post("/waiting-order", data={"first": "heaviest"}).status_code == 422
    chosen = reviewer.post(
        "/waiting-order", data={"first": "unsure", "back": "/?mold=oak-leaf#pieces"}, follow_redirects=False
    )
    assert (chosen.status_code, chosen.headers["location"]) == (303, "/?mold=oak-leaf#pieces")
    unsure_first = reviewer.get("/?mold=oak-leaf")
    assert shown(unsure_first) == [one, two]
    assert f'href="/pieces/{one}">Review, least sure first</a>' in unsure_first.text
    (pressed,) = re.findall(r'<button[^>]*aria-pressed="true">(.*?)</button>', unsure_first.text)
    assert "Least sure first" in pressed
    assert "chosen" in pressed
    rest = reviewer.get(unsure_first.links["next"]["url"])
    assert shown(rest) == [clean, three]
    assert ">Less sure ones</a>" in rest.text
    # A page that was left open turns in the order that it was shown in; so does a script, which keeps no cookies.
    assert shown(reviewer.get(worst_first.links["next"]["url"])) == [one, clean]
    assert shown(reviewer.get("/?first=worst")) == [three, two]
    # From piece to piece it goes the same way.
    assert f'href="/pieces/{two}" data-next' in reviewer.get(f"/pieces/{one}").text
    decided = say(f"/pieces/{two}/dispositions", outcome="sell")
    assert decided.url.path == f"/pieces/{clean}"
    reviewer.cookies.clear()
    reviewer.cookies.set("first-to-review", "heaviest")
    assert shown(reviewer.get("/")) == [three, one]


def test_a_new_workshop_says_how_to_begin(settings: Settings, open_workshop: Callable[..., Workshop]) -> None:
    app = create_app(settings, open_workshop=open_workshop)
    with TestClient(app, base_url="http://127.0.0.1:8417") as client:
        assert "There is no mold yet" in client.get("/").text


def test_names_cannot_carry_markup(client: TestClient, add: Callable[..., int], say: Callable[..., Response]) -> None:
    piece = add(chips=1)
    shop = workshop_of(client)
    shop.add_mold("sly", title='<script>alert("mold")</script>')
    client.post("/reviewer", data={"reviewer": '"><script>alert("name")</script>'})
    say(f"/pieces/{piece}/findings/1/reviews", verdict="confirmed")
    note = "<img src=x onerror=alert(1)>"
    say(f"/pieces/{piece}/dispositions", outcome="second", note=note)
    for address in ("/", f"/pieces/{piece}"):
        page = client.get(address).text
        assert "<script>alert" not in page
        assert "<img src=x" not in page
    assert "&lt;img src=x" in page


def workshop_of(client: TestClient) -> Workshop:
    workshop: Workshop = client.app.state.workshop  # type: ignore[attr-defined]
    return workshop

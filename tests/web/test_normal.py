"""What is normal for a mold, and what reviews changed, as the pages tell it."""

import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from inspector.settings import Settings
from inspector.web import create_app, normal_routes
from inspector.workshop import PieceDetail, Workshop
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE

RED = (255, 0, 0)
PAGE = "/molds/heron/normal"

Record = Callable[[], PieceDetail]


@pytest.fixture
def shop(settings: Settings, empty_database: Path) -> Iterator[Workshop]:
    settings.data_dir.mkdir()
    shutil.copy(empty_database, settings.data_dir)
    with Workshop.open(settings.data_dir, engine=DRAWN_ENGINE) as opened:
        opened.add_mold("heron", title="Heron, long bill")
        reference = opened.add_reference(drawn_photo(shade=200), name="r1.jpg", mold="heron").reference
        opened.confirm_reference(reference.id)
        yield opened


@pytest.fixture
def browser(settings: Settings, shop: Workshop) -> Iterator[TestClient]:
    app = create_app(settings, open_workshop=lambda _: shop)
    with TestClient(app, base_url="http://127.0.0.1:8417", raise_server_exceptions=False) as client:
        client.post("/reviewer", data={"reviewer": "Marta"})
        yield client


@pytest.fixture
def record(shop: Workshop) -> Record:
    """Records a piece with a chip at the same place as ever."""
    shades = iter(range(150, 200))
    return lambda: shop.record(drawn_photo(RED, shade=next(shades)), name="p.jpg", mold="heron").detail


def dismiss(browser: TestClient, detail: PieceDetail) -> None:
    address = f"/pieces/{detail.piece.id}/findings/{detail.inspections[0].findings[0].id}/reviews"  # type: ignore[union-attr]
    answer = browser.post(address, data={"verdict": "dismissed", "seen": str(detail.version)})
    assert answer.status_code == 200


def shown(browser: TestClient, address: str) -> str:
    """A page with plain blanks for those that keep a number and its sign together."""
    return browser.get(address).text.replace("\xa0", " ")


def test_a_mold_without_dismissed_marks_says_so(browser: TestClient) -> None:
    page = browser.get(PAGE)
    assert "No mark was dismissed on a piece of this mold yet" in page.text
    assert browser.get("/molds/crane/normal").status_code == 404


def test_a_mold_of_many_pieces_says_that_the_latest_teach(
    browser: TestClient, record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    dismiss(browser, record())
    record()
    assert "What was said on the latest" not in browser.get(PAGE).text
    monkeypatch.setattr(normal_routes, "LATEST_PIECES_TEACH", 1)
    assert "What was said on the latest 1 pieces counts." in browser.get(PAGE).text


def test_a_place_is_listed_with_the_pieces_that_taught_it(browser: TestClient, record: Record) -> None:
    for _ in range(2):
        dismiss(browser, record())
    page = browser.get(PAGE).text
    assert "chip: dismissed on 2 pieces" in page
    assert '<a href="/pieces/1">Piece 1</a>: Marta dismissed it' in page
    assert page.count('<polygon class="line kind-chip"') == 2
    assert "Taken as normal" in page


def test_a_lowered_finding_says_why(browser: TestClient, record: Record) -> None:
    dismiss(browser, record())
    page = shown(browser, f"/pieces/{record().piece.id}")
    assert "Almost certain (90 %) by itself, but marks here were dismissed on 1 piece of this mold." in page
    assert f'href="{PAGE}"' in page


def test_a_mark_that_was_not_counted_is_told_and_can_be_counted(
    browser: TestClient, shop: Workshop, record: Record
) -> None:
    for _ in range(2):
        dismiss(browser, record())
    detail = record()
    address = f"/pieces/{detail.piece.id}"
    page = shown(browser, address)
    assert "1 mark was not counted, since marks there were dismissed on earlier pieces" in page
    assert "Chip, 6.0 × 3.0 mm. Almost certain (90 %) by itself; dismissed at this place on 2 pieces." in page
    corners = " ".join(f"{x:g},{y:g}" for x, y in detail.inspections[0].not_counted[0].polygon_xy)  # type: ignore[union-attr]
    browser.post(
        f"{address}/photos/{detail.photos[0].id}/findings",
        data={"kind": "chip", "outline": corners, "seen": str(detail.version)},
    )
    assert shop.piece(detail.piece.id).piece.kinds == ("chip",)
    assert "not counted" not in browser.get(address).text
    assert "dismissed on 2 pieces, confirmed on 1" in browser.get(PAGE).text


def test_a_place_is_switched_off_and_on_by_name(browser: TestClient, shop: Workshop, record: Record) -> None:
    dismiss(browser, record())
    (place,) = shop.lessons.places("heron")
    answer = browser.post(f"{PAGE}/{place.id}", data={"normal": "no", "name": "Jonas"})
    assert "Not taken as normal" in answer.text
    assert "(Jonas," in answer.text
    assert "by itself" not in browser.get(f"/pieces/{record().piece.id}").text
    browser.post(f"{PAGE}/{place.id}", data={"normal": "yes", "name": "Jonas"})
    assert "by itself" in browser.get(f"/pieces/{record().piece.id}").text


@pytest.mark.parametrize(
    ("address", "fields", "status", "said"),
    [
        (f"{PAGE}/1", {"normal": "no"}, 422, "The name is empty"),
        (f"{PAGE}/7", {"normal": "no", "name": "Jonas"}, 422, "no place 7"),
        (f"{PAGE}/1", {"normal": "maybe", "name": "Jonas"}, 422, ""),
        ("/molds/crane/normal/1", {"normal": "no", "name": "Jonas"}, 404, "no mold crane"),
    ],
)
def test_a_switch_that_says_nothing_clear_is_refused(
    browser: TestClient, record: Record, address: str, fields: dict[str, str], status: int, said: str
) -> None:
    dismiss(browser, record())
    answer = browser.post(address, data=fields)
    assert answer.status_code == status
    assert said in answer.text


def test_a_place_of_a_retired_reference_rests(browser: TestClient, shop: Workshop, record: Record) -> None:
    dismiss(browser, record())
    shop.confirm_reference(shop.add_reference(drawn_photo(shade=210), name="r2.jpg", mold="heron").reference.id)
    shop.retire_reference(shop.mold("heron").references[0].id, said_by="Marta", why="stained")
    page = browser.get(PAGE).text
    assert "Reference r1.jpg is retired. These places rest" in page


def test_a_piece_passed_as_good_is_proposed_and_compared_with_after_its_outline_was_seen(
    browser: TestClient, shop: Workshop, record: Record
) -> None:
    detail = record()
    dismiss(browser, detail)
    shop.reviewing.decide(detail.piece.id, "sell", decided_by="Marta")
    page = shown(browser, PAGE)
    assert "1 mark dismissed. Marta passed it" in page
    photo_id = detail.photos[0].id
    answer = browser.post("/molds/heron/passed", data={"photo_id": photo_id})
    assert answer.url.path == "/molds/heron/setup"
    assert "Yes, that is the piece on p.jpg" in answer.text
    assert "There is none to add" in shown(browser, PAGE)
    (reference,) = [item for item in shop.mold("heron").references if item.photo_id == photo_id]
    shop.confirm_reference(reference.id)
    shop.reviewing.decide(detail.piece.id, "scrap", decided_by="Jonas")
    assert "Reference p.jpg shows a piece that nobody passes as good any more" in shown(browser, PAGE)


def test_a_piece_that_was_not_passed_makes_no_reference(browser: TestClient, shop: Workshop, record: Record) -> None:
    answer = browser.post("/molds/heron/passed", data={"photo_id": record().photos[0].id})
    assert answer.status_code == 422
    assert "shows no piece that is passed as good" in answer.text
    assert len(shop.mold("heron").references) == 1


def test_many_places_are_turned_by_where_they_lie(
    browser: TestClient, shop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    blue = (0, 0, 255)
    for shade, colours in enumerate([(RED, blue), (RED,)], start=150):
        detail = shop.record(drawn_photo(*colours, shade=shade), name="p.jpg", mold="heron").detail
        for finding in detail.inspections[0].findings:  # type: ignore[union-attr]
            shop.reviewing.say(finding.id, verdict="dismissed", reviewer="Marta")
    whole = browser.get(PAGE)
    assert (whole.text.count('<li id="place-'), whole.links) == (2, {})
    monkeypatch.setattr(normal_routes, "_PLACES_A_PAGE", 1)
    first = browser.get(PAGE)
    assert "chip: dismissed on 2 pieces" in first.text
    assert "hairline crack: dismissed" not in first.text
    assert "1 to 1 of 2" in first.text
    second = browser.get(first.links["next"]["url"])
    assert "<strong>2</strong> hairline crack: dismissed on 1 piece" in second.text
    assert "next" not in second.links
    assert browser.get(second.links["prev"]["url"]).text.count('<li id="place-') == 1
    # Who switches a place on the second page stays there.
    address = re.search(r'formaction="([^"]+)"', second.text)[1]  # type: ignore[index]
    began = re.search(r'<input type="hidden" name="place" value="([^"]+)"', second.text)[1]  # type: ignore[index]
    switched = browser.post(address, data={"normal": "no", "name": "Marta", "place": began})
    assert switched.url.params["place"] == began
    assert "Not taken as normal" in switched.text
    assert browser.get(f"{PAGE}?place=nowhere").status_code == 422


def test_of_many_words_on_a_place_the_latest_are_shown(
    browser: TestClient, record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(normal_routes, "_WORDS_SHOWN", 1)
    dismiss(browser, record())
    assert "words are shown" not in shown(browser, PAGE)
    dismiss(browser, record())
    page = shown(browser, PAGE)
    assert "The latest 1 of 2 words are shown." in page
    assert 'href="/pieces/2">' in page
    assert 'href="/pieces/1">Piece 1</a>: Marta dismissed' not in page

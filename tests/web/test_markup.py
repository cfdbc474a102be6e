"""What holds for the markup of every page: nothing inline, a label on every control, no address elsewhere."""

from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from inspector import web
from inspector.workshop import Workshop
from tests.web.conftest import ADDRESS, draw_piece

STATIC = Path(web.__file__).parent / "static"
PAGES = [
    "/", "/today", "/photograph", "/unreachable", "/pours", "/pours/1", "/mixes", "/pieces/1", "/pieces/2",
    "/pieces/99", "/molds", "/molds/new", "/molds/oak-leaf", "/molds/oak-leaf/setup",
]  # fmt: skip


class Reader(HTMLParser):
    """All tags of a page with their attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def named(self, *names: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.tags if tag in names]


@pytest.fixture(scope="module")
def pages(shared_client: TestClient) -> list[Reader]:
    """Every page, as seen before and after a name was given."""
    shop: Workshop = shared_client.app.state.workshop  # type: ignore[attr-defined]
    first = shop.record(draw_piece(chips=2, cracks=1, seed=1), name="1.png", mold="oak-leaf", pour_id=1).detail
    shop.record(draw_piece(seed=2), name="2.png", mold="oak-leaf", pour_id=1)
    nameless = TestClient(shared_client.app, base_url=ADDRESS)
    before = [Reader(nameless.get(address).text) for address in PAGES]
    (inspection,) = first.inspections
    assert inspection is not None
    shop.reviewing.say(inspection.findings[0].id, verdict="dismissed", reviewer="Marta")
    after = [Reader(shared_client.get(address).text) for address in PAGES]
    files = [("photos", ("leaf.png", draw_piece(seed=3))), ("photos", ("list.png", b"no photo"))]
    added = Reader(shared_client.post("/photos", data={"mold": "oak-leaf"}, files=files).text)
    return [*before, *after, added]


def test_nothing_is_inline(pages: list[Reader]) -> None:
    for page in pages:
        assert not page.named("style")
        # A block of data is no script: browsers run none of it (HTML, 4.12.1).
        assert all(script.get("src") or script.get("type") == "application/json" for script in page.named("script"))
        attributes = {name for _, tag in page.tags for name in tag}
        assert not [name for name in attributes if name == "style" or name.startswith("on")]


def test_nothing_is_fetched_from_elsewhere(pages: list[Reader]) -> None:
    for page in pages:
        addresses = [tag.get(name) for _, tag in page.tags for name in ("href", "src", "action") if name in tag]
        assert addresses
        assert all(address and address.startswith(("/", "#")) for address in addresses)
        assert not [address for address in addresses if address and address.startswith("//")]


def test_every_control_has_a_label(pages: list[Reader]) -> None:
    for page in pages:
        labelled = {label.get("for") for label in page.named("label")}
        for control in page.named("input", "select", "textarea"):
            inside_its_label = control.get("type") == "checkbox"
            assert control.get("type") == "hidden" or inside_its_label or control.get("id") in labelled


def test_ids_are_unique_and_every_picture_is_described(pages: list[Reader]) -> None:
    for page in pages:
        ids = Counter(tag["id"] for _, tag in page.tags if "id" in tag)
        assert not [name for name, count in ids.items() if count > 1]
        assert all("alt" in picture for picture in page.named("img"))


def test_there_is_one_heading_and_one_caution(pages: list[Reader]) -> None:
    for page in pages:
        assert len(page.named("h1")) == 1
        assert [footer.get("class") for footer in page.named("footer")] == ["caution"]


@pytest.mark.parametrize("name", sorted(path.name for path in STATIC.iterdir()))
def test_everything_that_pages_load_is_served_from_here(shared_client: TestClient, name: str) -> None:
    answer = shared_client.get(f"/static/{name}")
    assert answer.status_code == 200
    assert "http" not in answer.text.replace("http://www.w3.org/2000/svg", "").replace("XMLHttpRequest", "")

"""What holds for every page: found by asking the program itself which pages it has, so that none is forgotten."""

import itertools
from collections.abc import Callable, Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from inspector.web import create_app
from tests.browser.conftest import LAPTOP, MOLD, PHONE, OpenPage, Served

# What stands for each part of an address in braces; a new one needs its line here.
ADDRESS_PARTS = {
    "piece_id": ["1", "2", "3", "99"],
    "mold": [MOLD],
    "photo_id": ["2"],
    "size_px": ["400"],
    "name": ["0" * 64],
}
# WCAG 2.2 A and AA, and what its makers hold to be good practice besides. https://www.w3.org/TR/WCAG22/
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
# 1366 px at 200 % leave 683 px to the page. WCAG 2.2, 1.4.4; 320 px are asked for by 1.4.10.
AT_200_PERCENT = {"viewport": {"width": 683, "height": 384}, "device_scale_factor": 2}
MOST_BYTES = 300_000
BYTES_WITHOUT_PHOTOS = """[...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
    .filter(entry => !entry.name.includes("/photos/") && !entry.name.includes("/pictures/"))
    .reduce((sum, entry) => sum + entry.decodedBodySize, 0)"""
MOVING = """[...document.querySelectorAll("*")].filter(element => {
    const style = getComputedStyle(element);
    return parseFloat(style.transitionDuration) > 0 || style.animationName !== "none";
}).map(element => element.tagName)"""
NARROWEST = {"viewport": {"width": 320, "height": 640}}


def addresses() -> list[str]:
    """Every address that the program answers GET at, with its parts filled in."""
    filled = []
    for path, methods in create_app().openapi()["paths"].items():
        if "get" in methods:
            names = [name for name in ADDRESS_PARTS if f"{{{name}}}" in path]
            for values in itertools.product(*(ADDRESS_PARTS[name] for name in names)):
                address = path.format_map(dict(zip(names, values, strict=True)))
                filled.append(address)
    return filled


@pytest.fixture
def pieces(served: Served) -> Served:
    """Piece 1 has findings that were looked at and a decision, piece 2 nothing, piece 3 a photo that is too dark."""
    first = served.add(chip=True, crack=True)
    served.add()
    served.add(dark=True)
    (inspection,) = served.shop.piece(first).inspections
    assert inspection is not None
    served.shop.reviewing.say(inspection.findings[0].id, verdict="dismissed", reviewer="Jonas")
    served.shop.reviewing.decide(first, "second", decided_by="Jonas", note="tip short")
    return served


@pytest.fixture
def visit(pieces: Served, open_page: OpenPage) -> Callable[..., Iterator[Page]]:
    """Go to every page of the workshop, one after the other: `for page in visit(PHONE)`."""

    def visit_all(device: dict[str, object], *, reviewer: str | None = "Marta") -> Iterator[Page]:
        page = open_page("/", device, reviewer=reviewer)
        answers = [(address, page.context.request.get(address)) for address in addresses()]
        shown = [address for address, answer in answers if "text/html" in answer.headers["content-type"]]
        assert {"/", "/molds", "/pieces/1"} <= set(shown)
        for address in shown:
            page.goto(address)
            yield page

    return visit_all


def complaints_of(page: Page) -> list[str]:
    """What is wrong with a page, wherever it is looked at."""
    results = Axe().run(page, options=RULES)
    found = [results.generate_report()] if results.violations_count else []
    wanted_px, given_px = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    if wanted_px > given_px:
        found.append(f"{wanted_px} px wide in {given_px} px")
    byte_count = page.evaluate(BYTES_WITHOUT_PHOTOS)
    if not 0 < byte_count <= MOST_BYTES:
        found.append(f"{byte_count} bytes without photos")
    if moving := page.evaluate(MOVING):
        found.append(f"moves although less motion is wanted: {moving}")
    return found


@pytest.mark.parametrize(
    ("device", "scheme", "reviewer"),
    [(PHONE, "light", "Marta"), (PHONE, "dark", None), (LAPTOP, "light", None), (LAPTOP, "dark", "Marta")],
    ids=["phone", "phone in the dark, nameless", "laptop, nameless", "laptop in the dark"],
)
def test_pages_shut_nobody_out(
    visit: Callable[..., Iterator[Page]], device: dict[str, object], scheme: str, reviewer: str | None
) -> None:
    seen = visit({**device, "color_scheme": scheme, "reduced_motion": "reduce"}, reviewer=reviewer)
    assert {page.url: found for page in seen if (found := complaints_of(page))} == {}


@pytest.mark.parametrize("device", [AT_200_PERCENT, NARROWEST], ids=["at 200 %", "320 px"])
def test_nothing_is_cut_off(visit: Callable[..., Iterator[Page]], device: dict[str, object]) -> None:
    cut = {page.url for page in visit(device) if page.evaluate("document.documentElement.scrollWidth > innerWidth")}
    assert cut == set()


def test_a_poor_page_would_be_noticed(served: Served, open_page: OpenPage) -> None:
    page = open_page("/", {**LAPTOP, "reduced_motion": "reduce"})
    assert complaints_of(page) == []
    page.evaluate(
        """() => {
            const wide = document.querySelector("main").appendChild(document.createElement("p"));
            wide.textContent = "pale and wide";
            wide.style.cssText = "color: #bbb; background: #fff; width: 3000px; transition: color 1s";
        }"""
    )
    contrast, width, motion = complaints_of(page)
    assert "color-contrast" in contrast
    assert "3" in width
    assert "P" in motion


def test_the_dark_preference_is_followed(served: Served, open_page: OpenPage) -> None:
    brightness = "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).reduce((sum, part) => sum + +part, 0)"
    dark, light = (
        open_page("/", {**LAPTOP, "color_scheme": scheme}).evaluate(brightness) for scheme in ("dark", "light")
    )
    assert dark < 200 < 600 < light  # of 3 x 255

"""What holds for every page: found by asking the program itself which pages it has, so that none is forgotten."""

import itertools
from datetime import datetime, timedelta

import httpx2
import pytest
from axe_playwright_python.base import AxeResults
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from inspector.web import create_app
from inspector.workshop import Workshop
from tests.browser.conftest import LAPTOP, MOLD, PHONE, PHOTO_SIZE, POURED_AT, WAIT_MS, OpenPage, Served
from tests.doubles.drawing import drawn_photo

# What stands for each part of an address in braces; a new one needs its line here.
ADDRESS_PARTS = {
    "piece_id": ["1", "2", "3", "99"],
    "mold": [MOLD],
    "pour_id": ["1"],
    "reference_id": ["1"],
    "photo_id": ["2"],
    "size_px": ["400"],
    "picture": ["loss-by-age"],
}
# Pages that show something else when they are asked for more.
ASKED_FOR_MORE = {
    "/molds/{mold}/compare": ["?other=finial", "?since=2026-11-24"],
    "/molds/{mold}/month": ["?month=2026-11"],
    "/molds/{mold}/pieces": ["?kind=chip"],
}
AXE = Axe()
# WCAG 2.2 A and AA, and what its makers hold to be good practice besides. https://www.w3.org/TR/WCAG22/
# What is in order is not told: to bring every element of a page over here takes longer than to look at it.
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
}
# 1366 px at 200 % leave 683 px to the page (WCAG 2.2, 1.4.4); 320 px are asked for by 1.4.10.
NARROW_PX = (683, 320)
BELOW_PX = 300  # room for the bar at the foot of a page, below all of it
# A name that no line of a phone has room for.
LONG_WORD = "Akanthusblattrankenverzierungsabschlussornamentform" * 2
MOST_BYTES = 300_000
BYTES_WITHOUT_PHOTOS = """[...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
    .filter(entry => !entry.name.includes("/photos/") && !entry.name.includes("/pictures/"))
    .reduce((sum, entry) => sum + entry.decodedBodySize, 0)"""
# Nobody looks at the pixels, and painting four of them in place of one takes its time.
PLAIN_PHONE = {**PHONE, "device_scale_factor": 1}
MOVING = """[...document.querySelectorAll("*")].filter(element => {
    const style = getComputedStyle(element);
    return parseFloat(style.transitionDuration) > 0 || style.animationName !== "none";
}).map(element => element.tagName)"""


def addresses() -> dict[str, bool]:
    """Every address that the program answers GET at, with its parts filled in, and whether it is said to be a page."""
    filled = {}
    for path, methods in create_app().openapi()["paths"].items():
        if "get" in methods:
            names = [name for name in ADDRESS_PARTS if f"{{{name}}}" in path]
            is_page = "text/html" in methods["get"]["responses"]["200"].get("content", {})
            for values in itertools.product(*(ADDRESS_PARTS[name] for name in names)):
                for more in ["", *ASKED_FOR_MORE.get(path, [])]:
                    filled[path.format_map(dict(zip(names, values, strict=True))) + more] = is_page
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
    fill_the_pour_book(served.shop)
    served.shop.queue.keep(drawn_photo(size=(400, 400)), name="unlike any.jpg")  # for the page of photos without a mold
    served.shop.queue.inspect_next(worker="test")
    return served


def fill_the_pour_book(shop: Workshop) -> None:
    """Give pages of pours and of the day something of everything that they show."""
    now = datetime.now().astimezone()
    shop.add_mold("finial", title=f"Finial {LONG_WORD}")
    shop.naming.draw(LONG_WORD, reference_id=1, outline_xy=((400, 300), (500, 300), (500, 380)))
    shop.add_mix(f"white {LONG_WORD}", cement_class="R", water_cement_ratio=0.4, aggregate=LONG_WORD)
    ready = shop.add_pour(mix="grey", molds=[MOLD], poured_at=now - timedelta(hours=60))
    shop.add_pour(mix="grey", molds=["finial"], poured_at=now - timedelta(hours=2))
    mistaken = shop.add_pour(mix="grey", molds=["finial"], poured_at=now)
    shop.withdraw_pour(mistaken.id, withdrawn_by="Jonas", why="tapped twice")
    shop.curing.add_temperature(ready.id, 19.0)
    shop.curing.add_temperature(1, 4.0)
    shop.curing.withdraw_temperature(2, why="of another room")
    shop.curing.add_temperature(1, 3.0)
    shop.curing.add_pour_break_test(1, tested_at=now, word="snaps clean")
    shop.correct_pour(
        1, mix="grey", molds=[MOLD], poured_at=POURED_AT, cure_notes="under foil", corrected_by="Jonas", why="forgot it"
    )
    second = shop.add_reference(drawn_photo(size=PHOTO_SIZE, shade=206), name="r2.jpg", mold=MOLD).reference
    third = shop.add_reference(drawn_photo(size=PHOTO_SIZE, shade=207), name="r3.jpg", mold=MOLD).reference
    shop.confirm_reference(second.id)
    shop.retire_reference(second.id, said_by="Jonas", why="its tip was chipped")
    assert not third.confirmed
    shop.access.add_account("Jonas", role="record", now=now)
    shop.access.add_token("door display", role="see", now=now)


def violations_of(page: Page) -> str:
    """What axe-core finds wrong with a page, with the elements; nothing where nothing is."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE.axe_script)
    violations = page.evaluate("rules => axe.run(document, rules).then(told => told.violations)", RULES)
    return AxeResults({"violations": violations}).generate_report() if violations else ""


def complaints_of(page: Page) -> list[str]:
    """What is wrong with a page, wherever it is looked at."""
    window = page.viewport_size
    assert window is not None
    # In a window as tall as the page: in a lower one the bar at its foot half covers what is to be scrolled up; one
    # much taller takes the browser longer to paint than to look at.
    tall_px = page.evaluate("document.documentElement.scrollHeight") + BELOW_PX
    page.set_viewport_size({"width": window["width"], "height": tall_px})
    violations = violations_of(page)
    found = [violations] if violations else []
    byte_count = page.evaluate(BYTES_WITHOUT_PHOTOS)
    if not 0 < byte_count <= MOST_BYTES:
        found.append(f"{byte_count} bytes without photos")
    if moving := page.evaluate(MOVING):
        found.append(f"moves although less motion is wanted: {moving}")
    for width_px in (window["width"], *NARROW_PX):
        page.set_viewport_size({"width": width_px, "height": window["height"]})
        wanted_px, given_px = page.evaluate(
            "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
        )
        if wanted_px > given_px:
            found.append(f"{wanted_px} px wide in {given_px} px")
    page.set_viewport_size(window)
    return found


def test_what_is_no_page_is_said_to_be_none(pieces: Served) -> None:
    with httpx2.Client(base_url=pieces.address, cookies={"reviewer": "Marta"}, timeout=WAIT_MS / 1000) as client:
        others = [address for address, is_page in addresses().items() if not is_page]
        kinds = {address: client.get(address).headers["content-type"] for address in others}
    # A picture or a piece that is not there is told by a page.
    pages = {address for address in others if "text/html" in kinds[address]}
    assert pages <= {f"/molds/{MOLD}/month-map.svg", "/pieces/99/sheet.pdf"}


def test_pages_shut_nobody_out(pieces: Served, open_page: OpenPage) -> None:
    """Each page on a laptop in the dark, then in daylight on a phone, which the same browser makes itself."""
    page = open_page("/", {**LAPTOP, "color_scheme": "dark", "reduced_motion": "reduce"}, reviewer="Marta")
    browser = page.context.new_cdp_session(page)
    found = {}
    visited = [address for address, is_page in addresses().items() if is_page]
    assert {"/", "/molds", "/pieces/1"} <= set(visited)
    for address in visited:
        page.goto(address)
        found[address] = complaints_of(page)
        page.emulate_media(color_scheme="light")
        browser.send("Emulation.setTouchEmulationEnabled", {"enabled": True})
        page.set_viewport_size(PHONE["viewport"])  # type: ignore[arg-type]
        assert page.evaluate("matchMedia('(pointer: coarse)').matches")
        # A phone would lay a page without this out as for a laptop.
        assert page.locator("meta[name=viewport]").get_attribute("content") == "width=device-width, initial-scale=1"
        found[f"{address} on a phone"] = complaints_of(page)
        browser.send("Emulation.setTouchEmulationEnabled", {"enabled": False})
        page.emulate_media(color_scheme="dark")
        page.set_viewport_size(LAPTOP["viewport"])
    assert {address: complaints for address, complaints in found.items() if complaints} == {}


def test_pages_shut_nobody_out_who_has_no_name_and_reads_spanish(pieces: Served, open_page: OpenPage) -> None:
    page = open_page("/", {**LAPTOP, "locale": "es-MX", "color_scheme": "light", "reduced_motion": "reduce"})
    found = {}
    for address, is_page in addresses().items():
        if is_page:
            page.goto(address)
            found[address] = complaints_of(page)
    assert {address: complaints for address, complaints in found.items() if complaints} == {}


# What a form is answered with that is no page of its own: of photos sent without scripts, a word that came too late, an
# outline that was refused, a failure.
ANSWERS = [
    ("/photos", {"mold": MOLD}, "h1"),
    ("/pieces/1/dispositions", {"outcome": "sell", "seen": "0.0.0"}, "h1"),
    ("/references/1/features", {"name": " ", "outline": "200,200 500,200 500,500"}, "[role=alert]"),
    ("/references/1/outline", {"how": "add", "outline": "200,200 500,200 500,500", "name": "Jo"}, "[role=alert]"),
    ("/pours/1/temperatures", {"temperature_c": "900"}, "h1"),
]


def test_what_forms_are_answered_with_shuts_nobody_out(pieces: Served, open_page: OpenPage) -> None:
    page = open_page("/today", {**PLAIN_PHONE, "reduced_motion": "reduce"}, reviewer="Marta")
    found = {}
    for address, fields, there in ANSWERS:
        page.evaluate(
            """([address, fields]) => {
                const form = Object.assign(document.createElement("form"), { method: "post", action: address });
                form.enctype = "multipart/form-data";
                for (const [name, value] of Object.entries(fields)) {
                    form.append(Object.assign(document.createElement("input"), { name, value }));
                }
                document.body.append(form);
                form.requestSubmit();
            }""",
            [address, fields],
        )
        page.wait_for_url(f"**{address}")
        page.wait_for_selector(there)
        found[address] = complaints_of(page)
    assert {address: complaints for address, complaints in found.items() if complaints} == {}


def test_a_poor_page_would_be_noticed(served: Served, open_page: OpenPage) -> None:
    page = open_page("/", {**LAPTOP, "reduced_motion": "reduce"})
    assert complaints_of(page) == []
    page.evaluate(
        """() => {
            const wide = document.querySelector("main").appendChild(document.createElement("p"));
            wide.textContent = "pale and wide";
            wide.style.cssText = "color: #bbb; background: #fff; width: 3000px; transition: color 1s";
            for (const words of ["one", "two"]) {
                const small = wide.after(document.createElement("button")) ?? wide.nextSibling;
                small.textContent = words;
                small.style.cssText = "min-height: 0; height: 14px; width: 14px; padding: 0; font-size: 6px";
            }
        }"""
    )
    contrast, motion, *widths = complaints_of(page)
    assert "color-contrast" in contrast
    assert "target-size" in contrast
    assert "P" in motion
    assert len(widths) == 1 + len(NARROW_PX)


def test_the_dark_preference_is_followed(served: Served, open_page: OpenPage) -> None:
    brightness = "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).reduce((sum, part) => sum + +part, 0)"
    dark, light = (
        open_page("/", {**LAPTOP, "color_scheme": scheme}).evaluate(brightness) for scheme in ("dark", "light")
    )
    assert dark < 200 < 600 < light  # of 3 x 255

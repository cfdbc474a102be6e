"""Real browser tests: Debian's Chromium, driven by Playwright, over a workshop that is served on a free port.

The workshop has the drawn stand-in for the engine. No test waits for a length of time: Playwright waits until what is
asked for is there. How to write one stands in DEVELOPERS.md.
"""

import os
import shutil
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import Workshop
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE

RED, BLUE = (255, 0, 0), (0, 0, 255)
PHOTO_SIZE = (1000, 750)
POURED_AT = datetime.fromisoformat("2026-11-23T08:00:00+01:00")
MOLD = "oak-leaf"

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True, "device_scale_factor": 2}
LAPTOP = {"viewport": {"width": 1366, "height": 768}}

# Without these Chromium calls out to its maker at every start; without a sandbox it also runs as root, as CI does.
QUIET = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
         "--disable-sync", "--no-first-run"]  # fmt: skip
WAIT_MS = 30_000  # for a machine that is busy with other things
expect.set_options(timeout=WAIT_MS)


Launch = Callable[..., Browser]


@pytest.fixture(scope="package")
def launch() -> Iterator[Launch]:
    """Start a Chromium, with more switches than the usual ones: `launch("--use-fake-ui-for-media-stream")`."""
    named = os.environ.get("CHROMIUM", "chromium")
    found = shutil.which(named)
    assert found, f"There is no browser {named!r} here: install Debian's chromium, or name one with CHROMIUM=/path."
    with sync_playwright() as playwright:
        started: list[Browser] = []

        def start(*switches: str) -> Browser:
            started.append(playwright.chromium.launch(executable_path=found, args=[*QUIET, *switches]))
            return started[-1]

        yield start
        for browser in started:
            browser.close()


@pytest.fixture(scope="package")
def browser(launch: Launch) -> Browser:
    """Give one Chromium for all tests of a process."""
    return launch()


@pytest.fixture(scope="package")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the data folder of a workshop with one mold and one pour, made once and copied for each test."""
    data_dir = tmp_path_factory.mktemp("furnished") / "workshop"
    with Workshop.open(data_dir, engine=DRAWN_ENGINE) as shop:
        shop.add_mold(MOLD, title="Oak leaf, curled tips")
        reference = shop.add_reference(drawn_photo(size=PHOTO_SIZE, shade=200), name="r1.jpg", mold=MOLD).reference
        shop.confirm_reference(reference.id)
        shop.add_mix("grey", cement_class="N", water_cement_ratio=0.45)
        shop.add_pour(mix="grey", molds=[MOLD], poured_at=POURED_AT)
    return data_dir


@dataclass
class Served:
    """A workshop and the address that its pages are served at."""

    address: str
    shop: Workshop
    _drawn: int = 0

    def add(self, *, chip: bool = False, crack: bool = False, dark: bool = False) -> int:
        """Record the photo of a new piece; give the piece's number."""
        self._drawn += 1
        marks = [RED] * chip + [BLUE] * crack
        # The shade makes each photo one of its own.
        photo = drawn_photo(*marks, size=PHOTO_SIZE, shade=170 + self._drawn, background=5 if dark else 90)
        recorded = self.shop.record(
            photo, name=f"leaf-{self._drawn}.jpg", mold=MOLD, pour_id=1, demolded_at=POURED_AT + timedelta(hours=31)
        )
        return recorded.detail.piece.id


@pytest.fixture
def served(tmp_path: Path, furnished: Path) -> Iterator[Served]:
    """Serve a copy of the furnished workshop."""
    yield from serving(Settings(data_dir=tmp_path / "workshop"), furnished)


def serving(settings: Settings, furnished: Path) -> Iterator[Served]:
    """Serve a copy of a workshop on a free port of this machine, whatever host the settings name."""
    shutil.copytree(furnished, settings.data_dir)
    with Workshop.open(settings.data_dir, engine=DRAWN_ENGINE) as shop, socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()  # a request that comes before the server is up waits here
        app = create_app(settings, open_workshop=lambda _: shop)
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="on"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield Served(f"http://127.0.0.1:{listening.getsockname()[1]}", shop)
        finally:
            server.should_exit = True
            thread.join(timeout=30)


OpenPage = Callable[..., Page]


@pytest.fixture
def open_page(browser: Browser, served: Served) -> Iterator[OpenPage]:
    """Open a page in a window of its own: `open_page("/", PHONE, reviewer="Marta")`."""
    yield from pages_of(browser, served.address)


def pages_of(browser: Browser, address: str) -> Iterator[OpenPage]:
    """Give what opens pages of an address in windows of their own, and close those windows.

    The test fails if a script of any page failed, or if a page wanted something that its own rules forbid.
    """
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def open_at(path: str, device: dict[str, object] = LAPTOP, *, reviewer: str | None = None) -> Page:
        context = browser.new_context(base_url=address, **{"locale": "en-GB", **device})
        contexts.append(context)
        context.set_default_timeout(WAIT_MS)
        if reviewer is not None:
            context.add_cookies([{"name": "reviewer", "value": reviewer, "url": address}])
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "console", lambda said: complaints.append(said.text) if "Content Security Policy" in said.text else None
        )
        page.goto(path)
        return page

    yield open_at
    for context in contexts:
        context.close()
    assert complaints == []

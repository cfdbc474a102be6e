"""When something is first seen of each page on a throttled phone, with 5,000 pieces in the log.

A mid-range phone is taken to be four times slower than this machine, and its Wi-Fi, at the far end of the workshop, to
give 4 Mbit/s with 80 ms a round trip (common practice, no source); Chromium's DevTools protocol throttles both.
"""

import os
import shutil
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import uvicorn
from playwright.sync_api import sync_playwright

from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import Workshop
from tests.benchmarks.conftest import PIECES
from tests.browser.conftest import PHONE, QUIET
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.every_address import with_parts
from tests.doubles.large_log import LARGE_MOLDS

LOADS = 5
MOST_MS = 1000
MOST_BYTES = 300_000
WIFI = {"offline": False, "latency": 80, "downloadThroughput": 4e6 / 8, "uploadThroughput": 1e6 / 8}
CPU_SLOWER = 4
PARTS = {"piece_id": 3, "photo_id": LARGE_MOLDS + 1, "mold": "leaf-03", "pour_id": 7, "name": "loss-by-age"}
FIRST_PAINT = """new Promise(done => new PerformanceObserver(seen => {
    const first = seen.getEntries().find(entry => entry.name === "first-contentful-paint");
    if (first) done(first.startTime);
}).observe({type: "paint", buffered: true}))"""
BYTES_WITHOUT_PHOTOS = """[...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
    .filter(entry => !entry.name.includes("/photos/") && !entry.name.includes("/pictures/"))
    .reduce((sum, entry) => sum + entry.decodedBodySize, 0)"""


@pytest.fixture(scope="module")
def address(large_log: Path) -> Iterator[str]:
    app = create_app(
        Settings(data_dir=large_log), open_workshop=lambda folder: Workshop.open(folder, engine=DRAWN_ENGINE)
    )
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="on"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        server.should_exit = True
        thread.join(timeout=30)


def pages() -> list[str]:
    paths = create_app().openapi()["paths"].items()
    return [
        with_parts(path, PARTS)
        for path, methods in paths
        if "get" in methods and "text/html" in methods["get"]["responses"]["200"].get("content", {})
    ]


def test_each_page_is_seen_within_a_second_on_a_throttled_phone(address: str) -> None:
    chromium = shutil.which(os.environ.get("CHROMIUM", "chromium"))
    slow, large = {}, {}
    print(f"\n{PIECES} pieces, {LOADS} loads each: first contentful paint, median and longest; bytes without photos")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=QUIET)
        for path in pages():
            seen_ms = []
            for _ in range(LOADS):
                context = browser.new_context(base_url=address, **PHONE)  # nothing of an earlier load is kept
                page = context.new_page()
                devtools = context.new_cdp_session(page)
                devtools.send("Network.enable")
                devtools.send("Network.emulateNetworkConditions", WIFI)
                devtools.send("Emulation.setCPUThrottlingRate", {"rate": CPU_SLOWER})
                page.goto(path)
                seen_ms.append(page.evaluate(FIRST_PAINT))
                size = page.evaluate(BYTES_WITHOUT_PHOTOS)
                context.close()
            print(f"{np.median(seen_ms):6.0f} {max(seen_ms):6.0f} ms {size / 1000:6.0f} kB  {path}")
            if np.median(seen_ms) > MOST_MS:
                slow[path] = seen_ms
            if size > MOST_BYTES:
                large[path] = size
        browser.close()
    assert (slow, large) == ({}, {})

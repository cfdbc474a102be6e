"""From the tap that takes a photo of 12 megapixels to its verdict on the page.

Chromium, the program as `inspector serve` starts it and the demo's oak leaf with three references are on this machine.
"""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Page, expect, sync_playwright

from inspector.imaging.reading import read_photo
from inspector.inspection import inspect_photo
from inspector.workshop import Workshop, add_demo_molds, find_demo_folders
from tests.benchmarks.bench_folder import model_of
from tests.browser.conftest import PHONE, QUIET

ROOT = Path(__file__).parents[2]
MOLD = "oak-leaf"
LARGE_PHOTO = ROOT / "sample_images" / f"{MOLD}-10.jpg"  # 4032 x 3024
PHOTOS = 7
# What was promised is two seconds; where a photo is read and inspected in 0.4 s, that is five times as long.
MOST_INSPECTIONS = 5.0
# From the moment in which the browser hands the photo over until the page says what came of it.
TIMED = """() => {
    const said = document.querySelector("[data-latest]");
    delete document.body.dataset.tookMs;
    document.querySelector("#camera").addEventListener("change", () => {
        const began = performance.now();
        const before = said.querySelector("img")?.src;
        new MutationObserver((_, watching) => {
            const picture = said.querySelector(".shot:is(.clear, .flagged, .again) img");
            if (!picture || picture.src === before) return;
            watching.disconnect();
            requestAnimationFrame(() => (document.body.dataset.tookMs = performance.now() - began));
        }).observe(said, { childList: true, subtree: true });
    }, { capture: true, once: true });
}"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    data_dir = tmp_path_factory.mktemp("verdict") / "data"
    with Workshop.open(data_dir) as shop:
        for _ in add_demo_molds(shop, find_demo_folders().molds):
            pass
    command = [sys.executable, "-c", "from inspector.cli import app; app()", "serve", "--port", "0", "--data", data_dir]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as serving:
        assert serving.stdout is not None
        yield next(word for word in serving.stdout.readline().split() if word.startswith("http://"))
        serving.terminate()


def photo_of_its_own(number: int) -> bytes:
    """A phone may append anything to a JPEG: the same pixels, yet no photo that was logged before."""
    return LARGE_PHOTO.read_bytes() + bytes([number])


def verdict_ms(page: Page, number: int) -> float:
    page.evaluate(TIMED)
    page.locator("#camera").set_input_files(
        {"name": f"{number}.jpg", "mimeType": "image/jpeg", "buffer": photo_of_its_own(number)}
    )
    return float(page.locator("body[data-took-ms]").get_attribute("data-took-ms") or "nan")


def inspection_s() -> tuple[float, float]:
    """The decoding of the photo, and reading and inspecting it: best of five each, in seconds."""
    data, model = LARGE_PHOTO.read_bytes(), model_of(ROOT / "reference_shapes" / MOLD)
    best = []
    for work in (
        lambda: cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR),
        lambda: inspect_photo(read_photo(data, name=LARGE_PHOTO.name), model),
    ):
        took = []
        for _ in range(5):
            began_s = time.perf_counter()
            work()
            took.append(time.perf_counter() - began_s)
        best.append(min(took))
    return best[0], best[1]


def test_what_was_flagged_is_told_within_two_seconds(address: str) -> None:
    decoding_s, alone_s = inspection_s()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which(os.environ.get("CHROMIUM", "chromium")), args=QUIET
        )
        page = browser.new_context(base_url=address, **PHONE).new_page()
        page.set_default_timeout(60_000)
        page.goto(f"/photograph?mold={MOLD}")
        first_s, *took_s = [verdict_ms(page, number) / 1000 for number in range(PHOTOS)]
        expect(page.locator(".shot .outcome").first).to_have_text("Clear")
        browser.close()
    median_s = float(np.median(took_s))
    print(
        f"\n12 megapixels, {os.cpu_count()} cores, from the tap to the verdict: median {median_s:.2f} s, longest "
        f"{max(took_s):.2f} s, the very first {first_s:.2f} s; {median_s / alone_s:.1f} times reading and inspecting "
        f"it alone ({alone_s:.2f} s), {median_s / decoding_s:.0f} times decoding it ({decoding_s:.3f} s)"
    )
    assert median_s <= MOST_INSPECTIONS * alone_s

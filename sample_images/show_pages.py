"""Takes the README's pictures of the pages: the demo workshop, served and opened in Chromium at phone and laptop size.

python -m sample_images.show_pages

Molds, pieces and losses are the demo's, the same each time. What lies in the molds was poured one and two days before
the day on which this runs, so that the picture of "Today" bears that day's date.
"""

import os
import shutil
import socket
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import uvicorn
from playwright.sync_api import Page, expect, sync_playwright

from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import (
    PieceFilter,
    Workshop,
    add_demo_molds,
    add_demo_past,
    fill_demo_molds,
    find_demo_folders,
    read_demo_photos,
    record_demo_photos,
)

FOLDER = Path(__file__).parent / "pages"
MOLD = "wading-bird"
# What the camera of the phone sees.
CAMERA_SEES = Path(__file__).parent / "wading-bird-05.jpg"
CAMERA_PX = (960, 720)
# The change of the window that the demo's past followed.
SINCE = "2025-03-01"
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844}, "device_scale_factor": 1.5, "has_touch": True, "is_mobile": True,
}  # fmt: skip
LAPTOP: dict[str, Any] = {"viewport": {"width": 1280, "height": 800}}
QUALITY = 82
WAIT_MS = 60_000


def _live(page: Page) -> None:
    expect(page.locator("[data-pose] .line")).to_have_count(1, timeout=WAIT_MS)
    page.locator("[data-viewfinder]").scroll_into_view_if_needed()
    page.evaluate("document.querySelector('.choices').scrollIntoView()")


def _first_finding(page: Page) -> None:
    page.keyboard.press("j")
    page.wait_for_load_state("networkidle")


def _as_it_is(page: Page) -> None:
    pass


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture."""

    name: str
    address: str
    """`{piece}` stands for a piece with a missing feature."""
    device: str
    """phone, laptop"""
    prepare: Callable[[Page], None] = _as_it_is


SHOTS = (
    Shot("today-phone", "/today", "phone"),
    Shot("photograph-phone", f"/photograph?mold={MOLD}", "phone", _live),
    Shot("review-phone", "/pieces/{piece}", "phone"),
    Shot("review-laptop", "/pieces/{piece}", "laptop", _first_finding),
    Shot("mold-laptop", f"/molds/{MOLD}", "laptop"),
    Shot("compare-laptop", f"/molds/{MOLD}/compare?since={SINCE}", "laptop"),
    Shot("features-laptop", f"/molds/{MOLD}/features", "laptop"),
)


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, Workshop.open(Path(folder) / "demo") as workshop:
        _build(workshop)
        (piece, *_) = workshop.pieces(PieceFilter(mold=MOLD, kind="missing feature"))
        with _served(workshop, Path(folder) / "demo") as address:
            _photograph(address, piece.id, Path(folder) / "camera.mjpeg")


def _build(workshop: Workshop) -> None:
    folders = find_demo_folders()
    photos = read_demo_photos(folders.photos)
    for _ in add_demo_molds(workshop, folders.molds):
        pass
    for _ in add_demo_past(workshop):
        pass
    for _ in record_demo_photos(workshop, photos):
        pass
    fill_demo_molds(workshop, now=datetime.now().astimezone())


@contextmanager
def _served(workshop: Workshop, data_dir: Path) -> Iterator[str]:
    app = create_app(Settings(data_dir=data_dir), open_workshop=lambda _: workshop)
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()  # a request that comes before the server is up waits here
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="on"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join()


def _photograph(address: str, piece_id: int, film: Path) -> None:
    from PIL import Image

    with Image.open(CAMERA_SEES) as photo:
        photo.resize(CAMERA_PX).save(film, "JPEG")
    switches = [
        "--no-sandbox", "--disable-gpu", "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-video-capture={film}",
    ]  # fmt: skip
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which(os.environ.get("CHROMIUM", "chromium")), args=switches
        )
        for shot in SHOTS:
            device = PHONE if shot.device == "phone" else LAPTOP
            context = browser.new_context(base_url=address, locale="en-GB", reduced_motion="reduce", **device)
            context.add_cookies([{"name": "reviewer", "value": "Marta", "url": address}])
            page = context.new_page()
            page.set_default_timeout(WAIT_MS)
            page.goto(shot.address.format(piece=piece_id))
            page.wait_for_load_state("networkidle")
            shot.prepare(page)
            target = FOLDER / f"{shot.name}.jpg"
            page.screenshot(path=target, type="jpeg", quality=QUALITY)
            print(f"{target}: {target.stat().st_size / 1000:.0f} kB")
            context.close()
        browser.close()


if __name__ == "__main__":
    main()

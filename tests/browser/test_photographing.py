"""Photos taken in a real browser: with a camera, without, without Wi-Fi, with answers that get lost."""

import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import cv2
import pytest
from playwright.sync_api import Browser, FilePayload, Locator, Page, expect

from inspector.web import photo_routes
from tests.browser.conftest import BLUE, MOLD, PHONE, PHOTO_SIZE, RED, Launch, OpenPage, Served, pages_of
from tests.doubles.drawing import drawn_photo

SMALL = (640, 480)


def photo_file(
    name: str = "leaf.jpg", *marks: tuple[int, int, int], shade: int = 190, dark: bool = False
) -> FilePayload:
    drawn = drawn_photo(*marks, size=PHOTO_SIZE, shade=shade, background=5 if dark else 90)
    return {"name": name, "mimeType": "image/jpeg", "buffer": drawn}


def shoot(page: Page, file: FilePayload) -> None:
    """Take a photo with the camera of the phone, as its own app hands it over."""
    page.get_by_label("Take it with the camera of this phone").set_input_files(file)


def shots(page: Page) -> Locator:
    return page.locator(".shot .outcome")


def wait_for_service_worker(page: Page) -> None:
    page.evaluate("navigator.serviceWorker.ready.then(() => caches.open('inspector-page-1')).then(kept => kept.keys())")


class CuttingProxy:
    """Stands between browser and program, and breaks answers to photos off half-way as long as it is told to."""

    def __init__(self, address: str) -> None:
        self.cuts_left = 0
        self.cut = 0
        self._target = (urlsplit(address).hostname, urlsplit(address).port)
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._listening.getsockname()[1]}"
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._listening.close()
        self._thread.join(timeout=10)

    def _accept(self) -> None:
        while True:
            try:
                browser, _ = self._listening.accept()
            except OSError:
                return
            threading.Thread(target=self._pass_on, args=(browser,), daemon=True).start()

    def _pass_on(self, browser: socket.socket) -> None:
        """One request and its answer, then the connection ends: simple, and enough here."""
        with browser, socket.create_connection(self._target) as program:
            head, body = self._read_head(browser)
            is_photo = head.startswith(b"POST /photos ")
            lines = [line for line in head.split(b"\r\n") if not line.lower().startswith(b"connection:")]
            # The program looks at where a request comes from: it sees the address that the browser asked.
            program.sendall(b"\r\n".join([*lines, b"Connection: close"]) + b"\r\n\r\n" + body)
            length = next((int(line[15:]) for line in lines if line.lower().startswith(b"content-length:")), 0)
            while length > len(body):
                more = browser.recv(65536)
                if not more:
                    return
                body += more
                program.sendall(more)
            answer = b""
            while more := program.recv(65536):
                answer += more
            if is_photo and self.cuts_left:
                self.cuts_left -= 1
                self.cut += 1
                answer = answer[: len(answer) - 40]
            browser.sendall(answer)

    @staticmethod
    def _read_head(browser: socket.socket) -> tuple[bytes, bytes]:
        received = b""
        while b"\r\n\r\n" not in received:
            more = browser.recv(65536)
            if not more:
                return received, b""
            received += more
        head, body = received.split(b"\r\n\r\n", 1)
        return head, body


@pytest.fixture
def proxy(served: Served) -> Iterator[CuttingProxy]:
    proxy = CuttingProxy(served.address)
    yield proxy
    proxy.close()


@pytest.fixture
def open_through_proxy(browser: Browser, proxy: CuttingProxy) -> Iterator[OpenPage]:
    yield from pages_of(browser, proxy.address)


@pytest.fixture(scope="module")
def camera_browser(launch: Launch, tmp_path_factory: pytest.TempPathFactory) -> Browser:
    """Give a Chromium whose camera sees a drawn piece with a chip, all the while."""
    film: Path = tmp_path_factory.mktemp("camera") / "piece.mjpeg"
    film.write_bytes(drawn_photo(RED, size=SMALL, shade=200))
    return launch(
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-video-capture={film}",
    )


@pytest.fixture
def open_with_camera(camera_browser: Browser, served: Served) -> Iterator[OpenPage]:
    yield from pages_of(camera_browser, served.address)


def test_a_photo_from_the_phone_s_camera_is_told_of_at_once(served: Served, open_page: OpenPage) -> None:
    page = open_page("/photograph", PHONE)
    page.get_by_role("button", name="Oak leaf, curled tips").click()
    shoot(page, photo_file("a.jpg"))
    expect(shots(page).first).to_have_text("Clear")
    shoot(page, photo_file("b.jpg", RED, shade=191))
    expect(shots(page).first).to_have_text("Flagged: 1 chip")
    page.get_by_role("link", name="Look at piece 2").click()
    expect(page.get_by_role("heading", name="Oak leaf, curled tips")).to_be_visible()
    assert [(piece.mold, piece.pour_id) for piece in served.shop.pieces()] == [(MOLD, 1)] * 2
    assert all(piece.demold_age_h is not None for piece in served.shop.pieces())


def test_the_mold_is_found_out_from_the_photo(served: Served, open_page: OpenPage) -> None:
    served.shop.add_mold("tile", title="Tile")
    reference = served.shop.add_reference(drawn_photo(size=(800, 800)), name="t.jpg", mold="tile").reference
    served.shop.confirm_reference(reference.id)
    page = open_page("/photograph", PHONE)
    page.get_by_label("Mold", exact=True).select_option(label="Find out from the photo")
    shoot(page, photo_file())
    expect(shots(page).first).to_have_text("Clear")
    assert served.shop.piece(1).piece.mold == MOLD


def test_a_photo_whose_mold_is_not_sure_waits_for_a_word_and_is_then_taken(served: Served, open_page: OpenPage) -> None:
    served.shop.add_mold("twin", title="Twin leaf")
    reference = served.shop.add_reference(drawn_photo(size=PHOTO_SIZE, shade=201), name="t.jpg", mold="twin").reference
    served.shop.confirm_reference(reference.id)
    page = open_page("/photograph", PHONE)
    page.get_by_label("Mold", exact=True).select_option("")
    shoot(page, photo_file())
    expect(shots(page).first).to_have_text("Not taken")
    page.reload()
    page.get_by_role("button", name="It is Twin leaf").click()
    expect(shots(page).first).to_have_text("Clear")
    assert served.shop.piece(1).piece.mold == "twin"


def test_where_many_are_before_it_a_photo_is_kept_and_its_verdict_comes_later(
    served: Served, open_page: OpenPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    may_inspect = threading.Event()
    monkeypatch.setattr(photo_routes, "_WAITS_BEHIND", 0)
    inspect = served.shop.queue.inspect_next

    def inspect_when_it_may(*, worker: str) -> int | None:
        return inspect(worker=worker) if may_inspect.is_set() else None

    monkeypatch.setattr(served.shop.queue, "inspect_next", inspect_when_it_may)
    served.shop.queue.keep(photo_file("before.jpg", shade=150)["buffer"], name="before.jpg", mold=MOLD)
    page = open_page("/photograph", PHONE)
    shoot(page, photo_file("leaf.jpg", RED))
    expect(shots(page).first).to_have_text("Kept, not inspected yet")
    expect(page.locator(".shot").first).to_contain_text("Busy: 1 before yours.")
    page.goto("/")
    expect(page.get_by_text("2 photos wait to be inspected")).to_be_visible()
    may_inspect.set()
    page.goto("/photograph")
    expect(shots(page).first).to_have_text("Flagged: 1 chip")
    assert len(served.shop.pieces()) == 2


def test_a_dark_photo_says_what_to_do_and_the_next_one_is_of_the_same_piece(
    served: Served, open_page: OpenPage
) -> None:
    page = open_page("/photograph", PHONE)
    shoot(page, photo_file("dark.jpg", dark=True))
    expect(shots(page).first).to_have_text("Take it again")
    expect(page.locator(".shot").first).to_contain_text("Turn on a light.")
    expect(page.get_by_label("the same piece again")).to_be_checked()
    shoot(page, photo_file("light.jpg"))
    expect(shots(page).first).to_have_text("Clear")
    expect(page.get_by_label("a new piece")).to_be_checked()
    (piece,) = served.shop.pieces()
    assert piece.photo_names == ("dark.jpg", "light.jpg")


def test_several_sides_of_a_piece_belong_together_although_they_waited(served: Served, open_page: OpenPage) -> None:
    page = open_page("/photograph", PHONE)
    page.context.set_offline(True)
    shoot(page, photo_file("front.jpg", shade=190))
    expect(shots(page)).to_have_count(1)
    page.get_by_label("the same piece again").check()
    shoot(page, photo_file("back.jpg", shade=191))
    expect(shots(page)).to_have_count(2)
    shoot(page, photo_file("other.jpg", shade=192))
    expect(shots(page)).to_have_text(["Waits in this phone"] * 3)
    page.context.set_offline(False)
    expect(shots(page)).to_have_text(["Clear"] * 3)
    names = sorted(piece.photo_names for piece in served.shop.pieces())
    assert names == [("front.jpg", "back.jpg"), ("other.jpg",)]


def test_photos_outlast_a_reload_without_wi_fi_and_are_sent_once(served: Served, open_page: OpenPage) -> None:
    page = open_page("/photograph", PHONE)
    wait_for_service_worker(page)
    page.context.set_offline(True)
    page.reload()
    expect(page.get_by_role("heading", name="Photograph", exact=True)).to_be_visible()
    for number in range(3):
        shoot(page, photo_file(f"{number}.jpg", shade=180 + number))
        expect(shots(page)).to_have_count(number + 1)
    page.reload()
    expect(shots(page)).to_have_text(["Waits in this phone"] * 3)
    assert served.shop.pieces() == ()
    page.context.set_offline(False)
    expect(shots(page)).to_have_text(["Clear"] * 3)
    assert sorted(piece.photo_names for piece in served.shop.pieces()) == [("0.jpg",), ("1.jpg",), ("2.jpg",)]
    page.goto("/")
    expect(page.locator("[data-unsent]")).to_be_hidden()


def test_any_page_sends_what_was_left_over(served: Served, open_page: OpenPage) -> None:
    page = open_page("/photograph", PHONE)
    page.context.set_offline(True)
    shoot(page, photo_file())
    expect(shots(page)).to_have_text(["Waits in this phone"])
    expect(page.get_by_role("link", name="1 photo not sent yet")).to_be_visible()
    page.context.set_offline(False)
    # The word of what is unsent is hidden until the page has looked for it: the answer to the photo tells.
    with page.expect_response(lambda answer: answer.request.method == "POST"):
        page.goto("/molds")
    expect(page.locator("[data-unsent]")).to_be_hidden()
    assert len(served.shop.pieces()) == 1


def test_other_pages_say_that_the_program_is_out_of_reach(served: Served, open_page: OpenPage) -> None:
    page = open_page("/photograph", PHONE)
    wait_for_service_worker(page)
    page.context.set_offline(True)
    page.goto("/molds")
    expect(page.get_by_role("heading", name="The program is out of reach")).to_be_visible()
    page.get_by_role("main").get_by_role("link", name="Photograph").click()
    expect(page.get_by_role("heading", name="Photograph", exact=True)).to_be_visible()


def test_an_answer_that_breaks_off_loses_nothing_and_adds_nothing_twice(
    served: Served, proxy: CuttingProxy, open_through_proxy: OpenPage
) -> None:
    page = open_through_proxy("/photograph", PHONE)
    proxy.cuts_left = 2
    shoot(page, photo_file("a.jpg", RED))
    shoot(page, photo_file("b.jpg", BLUE, shade=191))
    expect(shots(page)).to_have_text(["Flagged: 1 hairline crack", "Flagged: 1 chip"])
    assert proxy.cut == 2
    assert sorted(piece.photo_names for piece in served.shop.pieces()) == [("a.jpg",), ("b.jpg",)]
    # The second try is no second photo, and the page does not say so.
    expect(page.get_by_text("in the log already")).to_have_count(0)


def test_the_same_photo_again_is_not_added_again(served: Served, open_page: OpenPage) -> None:
    page = open_page("/photograph", PHONE)
    shoot(page, photo_file())
    expect(shots(page)).to_have_text(["Clear"])
    shoot(page, photo_file("renamed.jpg"))
    expect(shots(page)).to_have_text(["Clear", "Clear"])
    expect(page.get_by_text("in the log already")).to_have_count(1)
    assert len(served.shop.pieces()) == 1


def test_a_file_that_is_no_photo_stays_until_it_is_thrown_away(served: Served, open_page: OpenPage) -> None:
    page = open_page("/photograph", PHONE)
    shoot(page, {"name": "notes.jpg", "mimeType": "image/jpeg", "buffer": b"no photo"})
    expect(shots(page)).to_have_text(["Not taken"])
    expect(page.get_by_role("link", name="1 photo to look at")).to_be_visible()
    page.once("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Throw it away").click()
    expect(shots(page)).to_have_count(0)


def test_the_live_picture_shows_the_outline_and_takes_a_photo(served: Served, open_with_camera: OpenPage) -> None:
    # A reference of the size that the camera has.
    served.shop.add_mold("small", title="Small leaf")
    reference = served.shop.add_reference(drawn_photo(size=SMALL, shade=201), name="s.jpg", mold="small").reference
    served.shop.confirm_reference(reference.id)
    page = open_with_camera("/photograph?mold=small", PHONE)
    # The camera was allowed before, so that it starts by itself.
    expect(page.locator("[data-pose] .line")).to_have_count(1)
    expect(page.locator("[data-pose]")).to_have_attribute("viewBox", "0 0 640 480")
    points = page.locator("[data-pose] .line").get_attribute("points")
    assert points == "60,40 580,40 580,440 60,440"
    page.get_by_role("button", name="Take the photo").click()
    expect(shots(page).first).to_have_text("Flagged: 1 chip")
    assert [piece.mold for piece in served.shop.pieces()] == ["small"]


def test_without_a_camera_the_page_says_what_to_do_instead(served: Served, open_page: OpenPage) -> None:
    page = open_page("/photograph", PHONE)
    page.get_by_role("button", name="Show the live picture").click()
    expect(page.get_by_text("Take the photo with the phone's own camera instead")).to_be_visible()


# Chromium on a phone reads codes itself, that of Debian does not.
READS_CODES = """window.BarcodeDetector = class {
    static getSupportedFormats() { return Promise.resolve(["qr_code"]); }
    detect() { return Promise.resolve(window.seen ? [{ rawValue: window.seen }] : []); }
};"""


def label_file(address: str) -> FilePayload:
    """The photo of a label whose code says this."""
    code = cv2.copyMakeBorder(cv2.QRCodeEncoder.create().encode(address), 4, 4, 4, 4, cv2.BORDER_CONSTANT, value=255)
    drawn = cv2.imencode(".png", cv2.resize(code, None, fx=8, fy=8, interpolation=cv2.INTER_NEAREST))[1].tobytes()
    return {"name": "label.png", "mimeType": "image/png", "buffer": drawn}


def test_a_label_is_photographed_in_place_of_choosing(served: Served, open_page: OpenPage) -> None:
    served.shop.add_mold("finial", title="Finial")
    page = open_page("/photograph", PHONE)
    mold, pour = page.get_by_label("Mold", exact=True), page.get_by_label("Pour", exact=True)
    expect(pour).to_have_value("")
    label = page.get_by_label("Scan a label")
    label.set_input_files(label_file("https://printed-elsewhere.example/photograph?pour=1"))
    expect(page.get_by_text("Chosen: Oak leaf, curled tips, Mon, 23 Nov")).to_be_visible()
    expect(mold).to_have_value(MOLD)
    expect(pour).to_have_value("1")
    label.set_input_files(label_file("https://printed-elsewhere.example/photograph?mold=heron"))
    expect(page.get_by_text("The label is of mold heron, which has no good piece")).to_be_visible()
    label.set_input_files(label_file("https://elsewhere.example/"))
    expect(page.get_by_text("That code is no label of these molds and pours.")).to_be_visible()
    expect(mold).to_have_value(MOLD)
    page.context.set_offline(True)
    label.set_input_files(label_file(f"{served.address}/photograph?mold={MOLD}"))
    expect(page.get_by_text("the program is out of reach to look closer")).to_be_visible()
    page.evaluate(f"{READS_CODES} window.seen = '{served.address}/photograph?mold={MOLD}'")
    label.set_input_files(label_file("the same"))
    expect(page.get_by_text("Chosen: Oak leaf, curled tips")).to_be_visible()
    assert served.shop.pieces() == ()


def test_a_label_is_read_from_the_live_picture(served: Served, open_with_camera: OpenPage) -> None:
    page = open_with_camera("/photograph", PHONE)
    expect(page.get_by_role("button", name="Take the photo")).to_be_visible()
    page.evaluate(f"{READS_CODES} window.seen = undefined")
    page.get_by_text("Scan a label").tap()
    expect(page.get_by_text("Looking for a label.")).to_be_visible()
    page.evaluate(f"window.seen = '{served.address}/photograph?pour=1'")
    expect(page.get_by_label("Pour", exact=True)).to_have_value("1")
    expect(page.get_by_label("Mold", exact=True)).to_have_value(MOLD)


def test_the_pages_can_be_put_on_the_home_screen(served: Served, open_page: OpenPage) -> None:
    """Chromium itself says what is missing: manifest, icons, start address."""
    page = open_page("/photograph", PHONE)
    wait_for_service_worker(page)
    session = page.context.new_cdp_session(page)
    errors = {error["errorId"] for error in session.send("Page.getInstallabilityErrors")["installabilityErrors"]}
    assert errors <= {"in-incognito"}  # each test has a window that leaves nothing behind
    manifest = session.send("Page.getAppManifest")
    assert manifest["errors"] == []
    assert manifest["url"].endswith("/app.webmanifest")

"""A mold set up in the browser: named, its good pieces checked, its thin parts named, its targets set."""

from datetime import datetime, timedelta

import pytest
from playwright.sync_api import FilePayload, Locator, Page, expect

from inspector.log import NotedDefect
from inspector.workshop import Points
from tests.browser.conftest import PHONE, PHOTO_SIZE, RED, OpenPage, Served
from tests.doubles.drawing import drawn_photo
from tests.doubles.past_pours import past_pour

# Seconds of the keystroke-level model (S. K. Card, T. P. Moran, A. Newell: The Psychology of Human-Computer
# Interaction, 1983, chapter 8; from memory): to make up one's mind, to point at something, to press; a sign that is
# typed is one of random letters, since few type on a phone as on a keyboard.
THINK_S, POINT_S, PRESS_S, SIGN_S = 1.35, 1.1, 0.1, 0.5
# Each answer of the program, and finding the outline on a photo of 12 megapixels on an old laptop.
ANSWER_S, OUTLINE_S = 1.0, 2.0
# To lay a good piece on the mat, photograph it and take it away again (common practice, no source).
PHOTO_S = 45.0


class Steps:
    """What a person does on the page, counted."""

    def __init__(self) -> None:
        self.taps = self.signs = self.answers = self.photos = 0

    def tap(self, what: Locator, *, answered: bool = True) -> None:
        what.tap()
        self.taps += 1
        self.answers += answered

    def write(self, field: Locator, words: str) -> None:
        self.tap(field, answered=False)
        field.fill(words)
        self.signs += len(words)

    def choose(self, field: Locator, photos: list[FilePayload]) -> None:
        """The field, each photo among those of the phone, and that these are all."""
        field.set_input_files(photos)
        self.taps += 2 + len(photos)
        self.photos += len(photos)

    def seconds(self) -> float:
        by_hand_s = self.taps * (THINK_S + POINT_S + PRESS_S) + self.signs * SIGN_S
        return by_hand_s + self.answers * ANSWER_S + self.photos * (OUTLINE_S + PHOTO_S)


def good_piece(number: int) -> FilePayload:
    drawn = drawn_photo(size=(800, 600), shade=180 + number)
    return {"name": f"good-{number}.jpg", "mimeType": "image/jpeg", "buffer": drawn}


def season(served: Served, *, first: str, ages_h: list[int], lost_under_h: int) -> None:
    """Log sixty pours of the new mold; every second piece that came out sooner than that is lost."""
    start = datetime.fromisoformat(first)
    lost = NotedDefect("chip", "stem")
    pours = [
        past_pour(
            start + timedelta(days=day),
            *[lost] * (age_h < lost_under_h and day % 2),
            mold="ivy-tile-small",
            age_h=age_h,
        )
        for day, age_h in enumerate(ages_h)
    ]
    served.shop.add_past(pours, source=first)


def test_the_whole_job_from_a_new_mold_to_a_window_that_moved(served: Served, open_page: OpenPage) -> None:
    page = open_page("/molds", PHONE, reviewer="Marta")
    steps = Steps()
    steps.tap(page.get_by_role("link", name="Set up a mold"))
    steps.write(page.get_by_label("What you call it"), "Ivy tile, small")
    steps.write(page.get_by_label("Made of"), "silicone")
    steps.choose(page.get_by_label("Photos of good pieces"), [good_piece(number) for number in range(3)])
    steps.tap(page.get_by_role("button", name="Find their outlines"))
    for number in range(3):
        steps.tap(page.get_by_role("button", name=f"Yes, that is the piece on good-{number}.jpg"))
        expect(page.get_by_role("img", name=f"good-{number}.jpg with its outline and features")).to_be_visible()
    steps.tap(page.get_by_role("link", name="Name parts that can break"))
    steps.write(page.get_by_label("1 2.0 mm thin"), "stem")
    steps.write(page.get_by_label("2 2.0 mm thin"), "tip of the leaf")
    steps.tap(page.get_by_role("button", name="Keep these names"))
    expect(page.get_by_text("Named: stem, tip of the leaf.")).to_be_visible()
    steps.write(page.get_by_label("At most lost, in %"), "3")
    steps.write(page.get_by_label("A lost piece costs"), "18")
    steps.tap(page.get_by_role("button", name="Keep these"))
    expect(page.get_by_label("At most lost, in %")).to_have_value("3")
    # Wanted: under five minutes, with the three photos.
    assert (steps.taps, steps.signs, steps.photos) == (19, 45, 3)
    assert steps.seconds() == pytest.approx(220, abs=1)
    page.get_by_role("link", name="Photograph its pieces").tap()
    page.get_by_label("Take it with the camera of this phone").set_input_files(good_piece(9))
    expect(page.locator(".shot .outcome").first).to_have_text("Clear")

    detail = served.shop.mold("ivy-tile-small")
    assert (detail.mold.title, detail.mold.references) == ("Ivy tile, small", 3)
    assert [feature.name for feature in detail.features] == ["stem", "tip of the leaf"]
    setting = served.shop.planning.mold_setting("ivy-tile-small")
    assert (setting.target_loss, setting.piece_cost) == (0.03, 18.0)
    assert [piece.mold for piece in served.shop.pieces()] == ["ivy-tile-small"]

    # Poured, demolded, photographed, looked at, decided.
    page.get_by_role("link", name="Pours").tap()
    page.get_by_label("Oak leaf, curled tips").uncheck()
    page.get_by_label("Ivy tile, small").check()
    page.get_by_text("Earlier than now").tap()
    page.get_by_label("Poured at").fill(f"{datetime.now().astimezone() - timedelta(hours=40):%Y-%m-%dT%H:%M}")
    page.get_by_role("button", name="Record this pour").tap()
    expect(page.get_by_role("heading", name="Pour 2")).to_be_visible()
    page.get_by_role("link", name="Photograph it").tap()
    broken: FilePayload = {
        "name": "b.jpg", "mimeType": "image/jpeg", "buffer": drawn_photo(RED, size=(800, 600), shade=195)
    }  # fmt: skip
    page.get_by_label("Take it with the camera of this phone").set_input_files(broken)
    expect(page.locator(".shot .outcome").first).to_have_text("Flagged: 1 chip")
    page.get_by_role("link", name="Look at piece 2").tap()
    page.get_by_role("button", name="Confirm finding 1").tap()
    expect(page.get_by_text("Confirmed", exact=True)).to_be_visible()
    page.get_by_role("button", name="Scrap").tap()
    expect(page.get_by_text("Piece 2 (Ivy tile, small): scrap.")).to_be_visible()
    assert served.shop.piece(2).piece.pour_id == 2

    page.route("**/pictures/*", lambda route: route.abort())  # drawing them takes as long as all else here
    # Two seasons later: nobody opens it too early any more, and none was lost.
    for first, ages_h, lost_under_h in (
        ("2025-01-06T15:30:00+01:00", [20 + day % 30 for day in range(60)], 30),
        ("2025-04-16T15:30:00+01:00", [26 + day % 8 for day in range(60)], 0),
    ):
        season(served, first=first, ages_h=ages_h, lost_under_h=lost_under_h)
        page.goto("/molds/ivy-tile-small")
        page.get_by_role("button", name="Go by this window from now on").tap()
        expect(page.get_by_role("heading", name="Windows so far, and what came of them")).to_be_visible()
    before, after = (change.window.earliest_h for change in served.shop.planning.window_changes("ivy-tile-small"))
    assert before is not None
    assert after is not None
    assert after < before
    page.get_by_role("link", name="Today").tap()
    moved = page.get_by_text("Ivy tile, small: the window opens at")
    expect(moved).to_contain_text(f"at {after:.0f} h, before at {before:.0f} h")


def test_a_photo_without_a_piece_is_told_and_the_others_are_taken(served: Served, open_page: OpenPage) -> None:
    page = open_page("/molds/new", PHONE)
    page.get_by_label("What you call it").fill("Ivy tile")
    empty: FilePayload = {
        "name": "empty.jpg", "mimeType": "image/jpeg", "buffer": drawn_photo(size=(800, 600), background=5)
    }  # fmt: skip
    page.get_by_label("Photos of good pieces").set_input_files([good_piece(1), empty])
    page.get_by_role("button", name="Find their outlines").tap()
    expect(page.get_by_text("Photo empty.jpg shows no piece.")).to_be_visible()
    page.get_by_role("button", name="No, leave good-1.jpg out").tap()
    expect(page.get_by_text("There is no good piece to compare with yet.")).to_be_visible()
    assert served.shop.mold("ivy-tile").references == ()


def test_a_reference_is_retired_and_taken_up_again(served: Served, open_page: OpenPage) -> None:
    served.add()  # laid against r1.jpg
    second = served.shop.add_reference(drawn_photo(size=(1600, 1200), shade=205), name="r2.jpg", mold="oak-leaf")
    served.shop.confirm_reference(second.reference.id)
    page = open_page("/molds/oak-leaf/setup", PHONE, reviewer="Marta")
    expect(page.get_by_text("nearest to 1 photo")).to_be_visible()
    first = page.locator("#reference-1")
    first.get_by_text("Retire it").first.tap()
    first.get_by_label("Why").fill("its tip was chipped")
    first.get_by_role("button", name="Retire r1.jpg").tap()
    expect(page.get_by_text("its tip was chipped; nearest to 1 photo")).to_be_visible()
    assert [item.name for item in served.shop.mold("oak-leaf").references if item.in_use] == ["r2.jpg"]
    page.get_by_role("button", name="Use r1.jpg again").tap()
    expect(page.locator("#reference-1").get_by_text("Retire it").first).to_be_visible()
    assert served.shop.mold("oak-leaf").mold.references == 2


def test_the_last_reference_stays(served: Served, open_page: OpenPage) -> None:
    page = open_page("/molds/oak-leaf/setup", PHONE, reviewer="Marta")
    page.get_by_text("Retire it").first.tap()
    page.get_by_label("Why").fill("no reason")
    page.get_by_role("button", name="Retire r1.jpg").tap()
    expect(page.get_by_text("Reference r1.jpg is the last one of view front")).to_be_visible()


def on_photo(page: Page, x_px: float, y_px: float) -> tuple[float, float]:
    """Where a place of the first reference photo is in the window."""
    box = page.locator("[data-layer]").first.bounding_box()
    assert box is not None
    return box["x"] + x_px / PHOTO_SIZE[0] * box["width"], box["y"] + y_px / PHOTO_SIZE[1] * box["height"]


def swipe(page: Page, corners: list[tuple[int, int]]) -> None:
    # A browser goes by what a place did when it was last painted: that the photo is drawn on, not scrolled.
    page.evaluate("() => new Promise(painted => requestAnimationFrame(() => requestAnimationFrame(painted)))")
    finger = page.context.new_cdp_session(page)
    first, *others = [dict(zip("xy", on_photo(page, *corner), strict=True)) for corner in corners]
    finger.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [first]})
    for place in others:
        finger.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [place]})
    finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def features_of(served: Served) -> dict[str, Points]:
    return {feature.name: feature.polygon_xy for feature in served.shop.mold("oak-leaf").features}


def test_a_part_that_was_not_proposed_is_drawn_by_thumb_and_taken_away(served: Served, open_page: OpenPage) -> None:
    page = open_page("/molds/oak-leaf/features", PHONE, reviewer="Marta")
    page.get_by_role("button", name="Zoom in").tap()
    swipe(page, [(400, 300), (500, 400)])
    page.get_by_role("button", name="Draw a part").tap()
    expect(page.get_by_role("button", name="Corner 4 of 4")).to_be_visible()
    swipe(page, [(200, 200), (350, 200), (275, 320)])
    expect(page.get_by_role("button", name="Corner 3 of 3")).to_be_visible()
    page.get_by_label("What this part is called").fill("tip")
    page.get_by_role("button", name="Keep this part").tap()  # at once: no tap after a swift line is lost
    expect(page.get_by_role("listitem").filter(has_text="tip")).to_contain_text("A tip")
    drawn = features_of(served)["tip"]
    assert min(x for x, _ in drawn) == pytest.approx(200, abs=8)
    assert max(y for _, y in drawn) == pytest.approx(320, abs=8)
    page.get_by_text("tip", exact=True).last.tap()
    page.get_by_role("button", name="Take tip away").tap()
    expect(page.locator(".part-rows")).to_have_count(0)
    assert features_of(served) == {}


def test_a_part_is_drawn_and_corrected_by_keys_and_what_is_refused_stays(served: Served, open_page: OpenPage) -> None:
    served.shop.naming.draw("tip", reference_id=1, outline_xy=((400, 300), (500, 300), (500, 380)))
    page = open_page("/molds/oak-leaf/features", reviewer="Marta")
    page.get_by_role("button", name="Draw a part").press("Enter")
    expect(page.get_by_role("button", name="Corner 1 of 4")).to_be_focused()
    for key in ("Shift+ArrowRight", "+", "ArrowLeft", "Tab", "Delete", "Enter"):  # without a name yet
        page.keyboard.press(key)
    expect(page.get_by_label("What this part is called")).to_be_focused()
    page.keyboard.type("tip")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("has a feature 'tip' already")
    expect(page.get_by_role("button", name="Corner 1 of 4")).to_be_focused()  # what was drawn is there still
    page.get_by_label("What this part is called").fill("stalk")
    page.keyboard.press("Enter")
    expect(page.locator(".part-rows").get_by_text("stalk", exact=True)).to_be_visible()
    before = features_of(served)
    assert set(before) == {"tip", "stalk"}
    page.wait_for_load_state()  # the address names a place on the page, and going there takes the focus
    page.locator("summary").filter(has_text="tip").press("Enter")
    page.get_by_role("button", name="Correct the outline of tip").press("Enter")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    expect(page.locator("[data-editor]")).to_have_count(0)
    after = features_of(served)
    assert after["stalk"] == before["stalk"]
    assert after["tip"][0][1] > before["tip"][0][1]
    assert after["tip"][1:] == before["tip"][1:]


def test_the_outline_of_a_good_piece_is_corrected_by_thumb(served: Served, open_page: OpenPage) -> None:
    page = open_page("/molds/oak-leaf/setup", PHONE, reviewer="Marta")
    page.get_by_role("link", name="Correct the outline on r1.jpg").tap()
    right_before = max(x for x, _ in served.shop.reference(1).outline_xy)
    page.get_by_role("button", name="Take away what is not the piece").tap()
    expect(page.get_by_text("Draw around what is not the piece, over the line.")).to_be_visible()
    swipe(page, [(850, 200), (980, 200), (980, 450), (850, 450)])
    page.get_by_role("button", name="Take it away").tap()
    expect(page.get_by_text("Corrected by Marta.")).to_be_visible()
    assert right_before == pytest.approx(940, abs=2)
    assert max(x for x, y in served.shop.reference(1).outline_xy if 230 < y < 420) == pytest.approx(850, abs=10)
    page.get_by_role("button", name="Take away what is not the piece").tap()
    swipe(page, [(950, 200), (990, 200), (990, 300)])  # off the piece: refused, and it stays to be moved
    page.get_by_role("button", name="Take it away").tap()
    expect(page.get_by_role("alert")).to_contain_text("lies outside the outline already")
    expect(page.get_by_role("button", name="Corner 1 of 3")).to_be_focused()
    page.get_by_role("button", name="Leave it").tap()
    page.get_by_role("button", name="Take the outline again that was found").tap()
    expect(page.get_by_text("As it was found.")).to_be_visible()
    assert served.shop.reference(1).outlined_by is None

"""A mold set up in the browser: named, its good pieces checked, its thin parts named, its targets set."""

from playwright.sync_api import FilePayload, expect

from tests.browser.conftest import PHONE, OpenPage, Served
from tests.doubles.drawing import drawn_photo


def good_piece(number: int) -> FilePayload:
    drawn = drawn_photo(size=(800, 600), shade=180 + number)
    return {"name": f"good-{number}.jpg", "mimeType": "image/jpeg", "buffer": drawn}


def test_a_mold_is_set_up_and_its_pieces_are_inspected(served: Served, open_page: OpenPage) -> None:
    page = open_page("/molds", PHONE, reviewer="Marta")
    page.get_by_role("link", name="Set up a mold").tap()
    page.get_by_label("What you call it").fill("Ivy tile, small")
    page.get_by_label("Photos of good pieces").set_input_files([good_piece(number) for number in range(3)])
    page.get_by_role("button", name="Find their outlines").tap()
    for number in range(3):
        page.get_by_role("button", name=f"Yes, that is the piece on good-{number}.jpg").tap()
        expect(page.get_by_role("img", name=f"good-{number}.jpg with its outline and features")).to_be_visible()
    page.get_by_role("link", name="Name thin parts").tap()
    page.get_by_label("1 2.0 mm thin").fill("stem")
    page.get_by_role("button", name="Keep these names").tap()
    expect(page.get_by_text("Named: stem.")).to_be_visible()
    page.get_by_label("At most lost, in %").fill("3")
    page.get_by_label("A lost piece costs").fill("18")
    page.get_by_role("button", name="Keep these").tap()
    expect(page.get_by_label("At most lost, in %")).to_have_value("3")
    page.get_by_role("link", name="Photograph its pieces").tap()
    page.get_by_label("Take it with the camera of this phone").set_input_files(good_piece(9))
    expect(page.locator(".shot .outcome").first).to_have_text("Clear")

    detail = served.shop.mold("ivy-tile-small")
    assert (detail.mold.title, detail.mold.references) == ("Ivy tile, small", 3)
    assert [feature.name for feature in detail.features] == ["stem"]
    setting = served.shop.planning.mold_setting("ivy-tile-small")
    assert (setting.target_loss, setting.piece_cost) == (0.03, 18.0)
    assert [piece.mold for piece in served.shop.pieces()] == ["ivy-tile-small"]


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

"""A pour recorded in a few taps, and put right when it was wrong."""

from datetime import datetime, timedelta

from playwright.sync_api import expect

from tests.browser.conftest import MOLD, PHONE, OpenPage, Served


def test_the_next_pour_is_one_tap_away(served: Served, open_page: OpenPage) -> None:
    """Counts what a person taps, from the page of the day, for a pour as the last one was."""
    served.add()  # the last piece came out, so that the mold is empty
    page = open_page("/today", PHONE)
    taps = 0
    for control in (
        page.get_by_role("navigation").get_by_role("link", name="Pours"),
        page.get_by_role("button", name="Record this pour"),
    ):
        control.tap()
        taps += 1
    expect(page.get_by_role("heading", name="Pour 2")).to_be_visible()
    pour = served.shop.pour(2)
    assert (pour.mix, pour.molds) == ("grey", (MOLD,))
    assert datetime.now().astimezone() - pour.poured_at < timedelta(minutes=5)
    # At two seconds a tap that is four; README and issue ask for ten.
    assert taps == 2


def test_a_scrap_is_snapped_and_a_mistake_withdrawn(served: Served, open_page: OpenPage) -> None:
    page = open_page("/pours/1", PHONE)
    page.get_by_role("button", name="It snaps with a sandy face").tap()
    expect(page.get_by_text(": snaps with a sandy face")).to_be_visible()
    page.get_by_text("That was a mistake").tap()
    page.get_by_label("Why").first.fill("of another pour")
    page.get_by_role("button", name="Withdraw break test 1").tap()
    expect(page.get_by_text("withdrawn: of another pour")).to_be_visible()
    (test,) = served.shop.curing.break_tests()
    assert test.withdrawn_why == "of another pour"


def test_a_pour_is_put_right_by_keyboard_alone(served: Served, open_page: OpenPage) -> None:
    page = open_page("/pours/1", reviewer="Marta")
    page.get_by_text("Something about this pour is wrong").focus()
    page.keyboard.press("Enter")
    page.get_by_label("How it is cured").focus()
    page.keyboard.type("under foil")
    page.keyboard.press("Tab")
    page.keyboard.type("forgot it")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="What stood here before")).to_be_visible()
    (before,) = served.shop.pour_corrections(1)
    assert (before.corrected_by, before.why, before.cure_notes) == ("Marta", "forgot it", "")

"""What reviewers dismiss teaches: on a phone, from the dismissals to the place that is switched off."""

import re

from playwright.sync_api import expect

from tests.browser.conftest import MOLD, PHONE, OpenPage, Served
from tests.browser.test_every_page import violations_of


def test_what_was_dismissed_twice_is_not_counted_then_shown_counted_and_switched_off(
    served: Served, open_page: OpenPage
) -> None:
    for piece_id in (served.add(chip=True), served.add(chip=True)):
        page = open_page(f"/pieces/{piece_id}", PHONE, reviewer="Marta")
        page.get_by_role("button", name="Dismiss finding 1").click()
        expect(page.get_by_text("Dismissed", exact=True)).to_be_visible()

    third = served.add(chip=True)
    page = open_page(f"/pieces/{third}", PHONE, reviewer="Jonas")
    expect(page.get_by_role("heading", name="Nothing flagged")).to_be_visible()
    page.get_by_text("1 mark was not counted").click()
    expect(page.get_by_role("img", name="Not counted, close up: chip")).to_be_visible()
    assert violations_of(page) == ""
    page.get_by_role("button", name="It is damage: count it (chip)").click()
    expect(page.get_by_role("heading", name="1 place flagged")).to_be_visible()
    expect(page.get_by_text("not counted")).to_have_count(0)
    assert served.shop.piece(third).piece.kinds == ("chip",)

    page.goto(f"/molds/{MOLD}/normal")
    expect(page.get_by_text("dismissed on 2 pieces, confirmed on 1")).to_be_visible()
    page.get_by_role("button", name="Do not take place 1 as normal").click()
    expect(page.get_by_text(re.compile("Not taken as normal"))).to_be_visible()
    page.get_by_text("Who said so").click()
    page.get_by_role("link", name="Piece 1").click()
    expect(page.get_by_role("heading", name="piece 1")).to_be_visible()

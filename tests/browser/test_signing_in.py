"""Signing in, in a real browser, over pages that are served to a network."""

from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from inspector.log import list_changes, open_log
from inspector.settings import Settings
from tests.browser.conftest import LAPTOP, PHONE, OpenPage, Served, pages_of, serving
from tests.browser.test_every_page import complaints_of
from tests.browser.test_photographing import photo_file, shoot, shots

PASSWORD = "four words in a row"
CALM = {"reduced_motion": "reduce"}


@pytest.fixture
def network(tmp_path: Path, furnished: Path) -> Iterator[Served]:
    """Serve pages as to a network, so that everybody has to sign in; this machine can reach them all the same."""
    yield from serving(Settings(data_dir=tmp_path / "workshop", host="0.0.0.0"), furnished)


@pytest.fixture
def open_network_page(browser: Browser, network: Served) -> Iterator[OpenPage]:
    yield from pages_of(browser, network.address)


def set_password(page: Page) -> None:
    page.get_by_label("New password").fill(PASSWORD)
    page.get_by_label("The same again").fill(PASSWORD)
    page.get_by_role("button", name="Keep it and sign in").click()


def sign_in(page: Page, name: str) -> None:
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")


def add_account(network: Served, name: str, role: str) -> None:
    now = datetime.now(UTC)
    access = network.shop.access
    access.use_link(access.add_account(name, role=role, now=now)[1], name="", password=PASSWORD, now=now)  # type: ignore[arg-type]


def test_from_the_printed_link_to_a_colleague_who_signs_in(network: Served, open_network_page: OpenPage) -> None:
    code = network.shop.access.make_first_link(now=datetime.now(UTC))
    found = {}
    manager = open_network_page(f"/set-password?code={code}", {**LAPTOP, **CALM})
    found["first account"] = complaints_of(manager)
    manager.get_by_label("Your name").fill("Marta")
    set_password(manager)
    manager.get_by_role("link", name="Accounts").click()
    manager.get_by_label("Name", exact=True).fill("Jonas")
    manager.get_by_role("button", name="Add, and show the link").click()
    expect(manager.locator(".once")).to_be_visible()
    found["link"] = complaints_of(manager)
    link = manager.locator(".once").inner_text()
    manager.get_by_role("link", name="Tokens of scripts").click()
    manager.get_by_label("What it is for").fill("door display")
    manager.get_by_role("button", name="Make it, and show it once").click()
    expect(manager.locator(".once")).to_contain_text("inspector-token-")
    found["token"] = complaints_of(manager)

    phone = open_network_page("/today", {**PHONE, **CALM})
    found["sign in"] = complaints_of(phone)
    phone.goto(link)
    found["set a password"] = complaints_of(phone)
    set_password(phone)
    expect(phone.get_by_role("link", name="Accounts")).to_have_count(0)
    phone.goto("/account")
    found["own account"] = complaints_of(phone)
    phone.get_by_text("Signed in: Jonas").click()
    phone.get_by_role("button", name="Sign out").click()
    sign_in(phone, "Mona")
    expect(phone.get_by_role("alert")).to_contain_text("do not belong together")
    found["refused"] = complaints_of(phone)
    sign_in(phone, "Jonas")
    expect(phone.get_by_role("link", name="Today")).to_be_visible()
    assert {page: complaints for page, complaints in found.items() if complaints} == {}


def test_who_may_only_look_sees_no_form_that_would_be_refused(network: Served, open_network_page: OpenPage) -> None:
    add_account(network, "Marta", "manage")
    add_account(network, "Sven", "see")
    piece = network.add(chip=True)
    page = open_network_page(f"/pieces/{piece}", {**PHONE, **CALM})
    sign_in(page, "Sven")
    expect(page.get_by_text("You may look.")).to_be_visible()
    expect(page).to_have_url(f"{network.address}/pieces/{piece}")
    for address in (f"/pieces/{piece}", "/", "/pours", "/molds/new", "/molds/oak-leaf/setup"):
        page.goto(address)
        # What somebody may choose who only looks: the language, and which pieces come first in their browser.
        forms = page.locator('form[method="post"]:visible:not(.languages, [action="/waiting-order"])')
        assert forms.count() == 0, address
        assert complaints_of(page) == []


def test_photos_outlast_a_session_and_are_sent_after_signing_in(network: Served, open_network_page: OpenPage) -> None:
    add_account(network, "Marta", "manage")
    page = open_network_page("/photograph", {**PHONE, **CALM})
    sign_in(page, "Marta")
    expect(page.get_by_role("heading", name="Photograph", exact=True)).to_be_visible()
    end_sessions(page)
    for number in range(2):
        shoot(page, photo_file(f"{number}.jpg", shade=180 + number))
        expect(shots(page)).to_have_count(number + 1)
    expect(shots(page)).to_have_text(["Waits in this phone"] * 2)
    expect(page.get_by_text("It is sent once you have signed in.")).to_be_visible()
    expect(page.get_by_role("link", name="2 photos not sent yet: sign in to send")).to_be_visible()
    assert network.shop.pieces() == ()
    assert complaints_of(page) == []
    page.reload()  # leads to the page that signs in
    sign_in(page, "Marta")
    expect(shots(page)).to_have_text(["Clear"] * 2)
    expect(page.locator("[data-unsent]")).to_be_hidden()
    names = sorted(piece.photo_names for piece in network.shop.pieces())
    assert names == [("0.jpg",), ("1.jpg",)]


def test_photos_keep_the_name_that_they_were_taken_under(
    network: Served, open_network_page: OpenPage, tmp_path: Path
) -> None:
    add_account(network, "Marta", "manage")
    add_account(network, "Jonas", "record")
    page = open_network_page("/photograph", {**PHONE, **CALM})
    sign_in(page, "Marta")
    expect(page.get_by_role("heading", name="Photograph", exact=True)).to_be_visible()
    end_sessions(page)
    for number in range(2):
        shoot(page, photo_file(f"{number}.jpg", shade=180 + number))
        expect(shots(page)).to_have_count(number + 1)
    page.reload()
    sign_in(page, "Jonas")
    marta = "Marta took it. It is sent when Marta signs in on this phone."
    expect(page.locator(".shot").filter(has_text=marta)).to_have_count(2)
    assert network.shop.pieces() == ()
    assert complaints_of(page) == []
    page.get_by_role("button", name="Send it under my name").first.click()
    expect(shots(page).filter(has_text="Clear")).to_have_count(1)
    page.get_by_text("Signed in: Jonas").click()
    page.get_by_role("button", name="Sign out").click()
    sign_in(page, "Marta")
    page.get_by_role("link", name="Photograph", exact=True).click()
    expect(shots(page)).to_have_text(["Clear"] * 2)
    with closing(open_log(tmp_path / "workshop")) as opened, opened.reading() as session:
        assert [change.by for change in list_changes(session, row_table="photo", limit=2)] == ["Marta", "Jonas"]


def end_sessions(page: Page) -> None:
    """As at the end of a session, which the program forgets by itself: the cookie names none any more."""
    cookies = [cookie for cookie in page.context.cookies() if cookie["name"] == "inspector-session"]
    assert cookies
    page.context.add_cookies([{**cookies[0], "value": "over"}])

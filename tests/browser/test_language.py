"""A language that somebody chooses: on every page, in what scripts say, and while the program is out of reach."""

import re

from playwright.sync_api import FilePayload, expect

from tests.browser.conftest import PHONE, PHOTO_SIZE, RED, OpenPage, Served
from tests.doubles.drawing import drawn_photo


def test_the_pages_and_their_scripts_speak_the_language_that_was_chosen(served: Served, open_page: OpenPage) -> None:
    page = open_page("/photograph", PHONE, reviewer="Marta")
    expect(page.locator("html")).to_have_attribute("lang", "en")
    page.get_by_role("button", name="Español").click()
    expect(page.get_by_role("heading", level=1, name="Fotografiar")).to_be_visible()
    expect(page.locator("html")).to_have_attribute("lang", "es")
    page.get_by_label("Molde", exact=True).select_option(index=1)
    photo: FilePayload = {
        "name": "hoja.jpg",
        "mimeType": "image/jpeg",
        "buffer": drawn_photo(RED, size=PHOTO_SIZE, background=90),
    }
    page.get_by_label("Tómala con la cámara de este teléfono").set_input_files(photo)
    expect(page.locator(".shot").first).to_contain_text("Señalado: 1 desportilladura")
    page.get_by_role("link", name=re.compile("Mirar la pieza")).click()
    expect(page.get_by_role("heading", name="1 lugar señalado")).to_be_visible()
    page.get_by_role("button", name="Confirmar el hallazgo 1").click()
    expect(page.locator(".verdict")).to_have_text("Confirmado")
    page.get_by_role("button", name="English").click()
    expect(page.locator(".verdict")).to_have_text("Confirmed")

"""Sheets as a browser prints them."""

import pypdfium2
import pytest

from tests.browser.conftest import LAPTOP, OpenPage, Served


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_piece_is_printed_on_one_sheet_without_the_page_around_it(
    served: Served, open_page: OpenPage, scheme: str
) -> None:
    served.add(chip=True, crack=True)
    page = open_page("/pieces/1", {**LAPTOP, "color_scheme": scheme}, reviewer="Marta")
    page.get_by_role("link", name="Its record on one sheet").click()
    page.get_by_role("heading", name="What was found").wait_for()
    with pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True, print_background=True)) as printed:
        (sheet,) = printed
        words = " ".join(sheet.get_textpage().get_text_bounded().split())
        size = [round(points) for points in sheet.get_size()]
        paper = sheet.render(scale=0.5).to_pil().convert("L").getpixel((5, 5))
    assert "What was found" in words
    assert "Your local rules come first" in words
    assert "Photograph" not in words
    assert size == [595, 842]  # A4 in points (ISO 216: 210 x 297 mm)
    assert paper > 250

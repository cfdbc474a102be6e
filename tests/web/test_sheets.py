"""Sheets: page and PDF tell the same, and no more than the log knows. PDFs are read back with PDFium."""

import html
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import pypdfium2
import pytest
from fastapi.testclient import TestClient
from httpx2 import Response

from inspector.log import NotedDefect
from inspector.web.month_sheet import month_sheet
from inspector.workshop import Facts, Grid, Heading, Month, Paper, Words, Workshop, paper_pdf
from tests.doubles.past_pours import past_pour
from tests.web.conftest import DEMOLDED_AT


def shop_of(client: TestClient) -> Workshop:
    workshop: Workshop = client.app.state.workshop  # type: ignore[attr-defined]
    return workshop


def words_of_pdf(data: bytes) -> str:
    """All words of a PDF, whatever lines they were broken into."""
    return " ".join(" ".join(pages_of_pdf(data)).split())


def pages_of_pdf(data: bytes) -> list[str]:
    with pypdfium2.PdfDocument(data) as document:
        return [page.get_textpage().get_text_bounded() for page in document]


def words_of_page(page: str) -> list[str]:
    """The words of each paragraph, heading and cell of the sheet on a page."""
    sheet = page[page.index('<article class="sheet">') : page.index("</article>")]
    parts = re.findall(r"<(?:h1|h2|p|dt|dd|td|th|figcaption)\b[^>]*>(.*?)</(?:h1|h2|p|dt|dd|td|th|figcaption)>", sheet)
    return [html.unescape(part) for part in parts]


def squeezed(text: str) -> str:
    """Without blanks and hyphens, since a PDF breaks lines in other places."""
    return re.sub(r"[\s­-]", "", text)


def assert_same_words(page: Response, pdf: Response) -> None:
    assert (page.status_code, pdf.status_code) == (200, 200)
    assert pdf.headers["content-type"] == "application/pdf"
    printed = squeezed(words_of_pdf(pdf.content))
    told = words_of_page(page.text)
    assert len(told) > 5
    minute = re.compile(r"\d\d:\d\d\.?$")  # the sheet says when it was made; that minute may have passed
    missing = [part for part in told if squeezed(minute.sub("", part)) not in printed]
    assert missing == []


@pytest.fixture
def told(reviewer: TestClient, add: Callable[..., int], say: Callable[..., Response]) -> TestClient:
    """Piece 1: of two chips one was dismissed, one confirmed; nobody looked at the crack; it became a second."""
    add(chips=2, cracks=1)
    shop = shop_of(reviewer)
    (inspection,) = shop.piece(1).inspections
    assert inspection is not None
    for finding, verdict in zip(inspection.findings, ("dismissed", "confirmed"), strict=False):
        say(f"/pieces/1/findings/{finding.id}/reviews", verdict=verdict)
    shop.curing.add_temperature(1, 18.0)
    shop.curing.add_wet_cure(until_h=48, pour_id=1)
    shop.reviewing.note(1, "customer Smith complained before", written_by="Marta")
    say("/pieces/1/dispositions", outcome="second")
    return reviewer


def test_a_piece_on_one_sheet_as_page_and_pdf(told: TestClient) -> None:
    page, pdf = told.get("/pieces/1/sheet"), told.get("/pieces/1/sheet.pdf")
    assert_same_words(page, pdf)
    assert len(pages_of_pdf(pdf.content)) == 1
    sheet = " ".join(words_of_page(page.text))
    assert "confirmed by a person" in sheet
    assert "flagged by the program, likely (74\N{NO-BREAK SPACE}%); nobody has looked yet" in sheet
    assert "1 place was flagged by the program besides, and held to be no damage" in sheet
    assert "31 h, as old as" in sheet
    assert "at 18 °C until it left the mold; kept wet until an age of 48 h" in sheet
    assert "grey: normal cement (class N), water-cement ratio 0.45" in sheet
    assert "A second, decided" in sheet
    assert page.text.count("Your local rules come first") == 1
    assert page.text.count("<polygon") == 4  # each of the two places that stand has an edge and a line


def test_what_the_log_does_not_know_is_not_claimed(client: TestClient, piece_photo: Callable[..., bytes]) -> None:
    shop_of(client).record(piece_photo(), name="p.png", mold="oak-leaf")
    sheet = " ".join(words_of_page(client.get("/pieces/1/sheet").text))
    for words in (
        "No damage that still stands was found on the photos.",
        "not known, since its age is not",
        "Nobody has decided yet.",
        "not written down",
    ):
        assert words in sheet
    assert "confirmed" not in sheet


def test_an_unusable_photo_is_no_clean_piece(client: TestClient, black_photo: bytes) -> None:
    shop_of(client).record(black_photo, name="p.png", mold="oak-leaf")
    sheet = " ".join(words_of_page(client.get("/pieces/1/sheet").text))
    assert "No photo of this piece could be inspected." in sheet
    assert "No damage" not in sheet


def test_strength_is_called_reckoned_whatever_went_into_it(told: TestClient) -> None:
    assert "It was not measured, on this piece or its mix." in told.get("/pieces/1/sheet").text
    shop_of(told).curing.add_pour_break_test(1, tested_at=DEMOLDED_AT, word="snaps clean")
    assert "break tests of its mix. It was not measured on this piece." in told.get("/pieces/1/sheet").text


def test_names_and_notes_of_the_workshop_stay_in_it(told: TestClient) -> None:
    for text in (
        " ".join(words_of_page(told.get("/pieces/1/sheet").text)),
        words_of_pdf(told.get("/pieces/1/sheet.pdf").content),
    ):
        assert "Marta" not in text
        assert "Smith" not in text


@pytest.fixture
def months(told: TestClient) -> TestClient:
    """Piece 1 of November, and twenty pieces of October, two of them lost."""
    first = datetime.fromisoformat("2026-10-01T08:00:00+02:00")
    chip = NotedDefect("chip", "tip")
    pours = [
        past_pour(first + timedelta(days=number), *[chip] * (number in (3, 9)), mold="oak-leaf", age_h=30)
        for number in range(20)
    ]
    shop_of(told).add_past(pours, source="book")
    return told


@pytest.mark.parametrize("month", ["2026-10", "2026-11", "2020-01"])
def test_a_month_as_page_and_pdf(months: TestClient, month: str) -> None:
    address = f"/molds/oak-leaf/month{{}}?month={month}"
    page, pdf = months.get(address.format("")), months.get(address.format(".pdf"))
    assert_same_words(page, pdf)
    assert page.text.count("Your local rules come first") == 1


def test_a_month_tells_what_came_out_and_what_was_lost(months: TestClient) -> None:
    october = " ".join(words_of_page(months.get("/molds/oak-leaf/month?month=2026-10").text))
    assert "Oak leaf, curled tips, October 2026" in october
    assert "20 pieces" in october
    # 2 of 20: scipy.stats.binomtest(2, 20).proportion_ci(0.9) gives 0.0181 to 0.2826.
    assert "2 of 20, 10 % (90 % interval 1.8 to 28 %)" in october
    assert "2 chips" in october
    november = months.get("/molds/oak-leaf/month?month=2026-11").text
    assert "than in October 2026" in november
    assert "1 a second" in november
    assert 'href="/molds/oak-leaf/export.zip?month=2026-11"' in november
    assert months.get("/molds/oak-leaf/month?month=November").status_code == 404
    assert months.get("/molds/oak-leaf/month").status_code == 200


def test_what_was_to_be_expected_of_a_month_says_of_when_it_is_where_pieces_came_since(months: TestClient) -> None:
    now = datetime.now().astimezone()
    found = shop_of(months).mold_month("oak-leaf", Month.read("2026-10"), now=now)
    assert found.expected is not None
    for pieces, told in ((20, False), (19, True)):
        as_kept = replace(found, expected=replace(found.expected, pieces=pieces), expected_as_of=DEMOLDED_AT)
        facts = month_sheet(as_kept, picture=None, address="", now=now).blocks[0]
        assert isinstance(facts, Facts)
        assert dict(facts.rows)["To be expected"].endswith(", of the 19 pieces known then.") == told


def test_a_month_shows_where_its_pieces_broke(months: TestClient) -> None:
    page = months.get("/molds/oak-leaf/month?month=2026-10").text
    assert 'src="/molds/oak-leaf/month-map.svg?month=2026-10"' in page
    answer = months.get("/molds/oak-leaf/month-map.svg?month=2026-10")
    assert answer.content.startswith(b"<?xml")
    kept = months.get("/molds/oak-leaf/month-map.svg?month=2026-10", headers={"If-None-Match": answer.headers["etag"]})
    assert kept.status_code == 304


def test_what_people_wrote_is_no_markup_in_a_pdf() -> None:
    hostile = '<img src="/etc/passwd"/><b>bold</b> & <a href="file:///etc">x</a> Łódź ½'
    paper = Paper(hostile, hostile, (Heading(hostile), Facts(((hostile, hostile),)), Words(hostile)), hostile)
    assert squeezed(words_of_pdf(paper_pdf(paper))).count(squeezed(hostile)) == 7


def test_a_long_table_runs_over_pages_under_its_head() -> None:
    rows = tuple((f"row {number}", "value " * 8) for number in range(120))
    data = paper_pdf(Paper("Long", "", (Heading("All"), Grid(("name", "what"), rows, (1, 2))), "Take care."))
    texts = pages_of_pdf(data)
    assert len(texts) > 2
    assert all("name" in text and "Take care." in text for text in texts)
    assert sum(text.count("row ") for text in texts) == 120
    assert paper_pdf(Paper("Long", "", (Heading("All"), Grid(("name", "what"), rows, (1, 2))), "Take care.")) == data


def test_a_piece_that_is_not_there_has_no_sheet(client: TestClient) -> None:
    assert client.get("/pieces/99/sheet").status_code == 404
    assert client.get("/pieces/99/sheet.pdf").status_code == 404

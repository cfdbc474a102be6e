"""The language of the pages: who reads which, catalogues that are whole, and pages that leave nothing in English."""

import re
import time
from collections.abc import Callable
from datetime import datetime

import pytest
from babel.messages.catalog import Message
from babel.messages.pofile import read_po
from fastapi.testclient import TestClient

from inspector.web import quantities, words
from inspector.web.language import LANGUAGES, asked_language, catalogue_path, source_path, speaking, texts_in
from tests.catalogue import WEB, extracted, updated, written

TRANSLATED = [language for language in LANGUAGES if language != "en"]
PLACE = re.compile(r"%(?:\((\w+)\)s|%)")


def messages(language: str) -> list[Message]:
    with catalogue_path(language).open("rb") as file:
        return [message for message in read_po(file, locale=language) if message.id]


def forms(text: str | tuple[str, ...] | list[str]) -> list[str]:
    return [text] if isinstance(text, str) else list(text)


@pytest.fixture(scope="module")
def now_in_the_code() -> bytes:
    return written(extracted())


def test_the_source_catalogue_is_what_stands_in_code_and_templates(now_in_the_code: bytes) -> None:
    assert source_path().read_bytes() == now_in_the_code, "run: python -m tests.catalogue"


@pytest.mark.parametrize("language", TRANSLATED)
def test_a_catalogue_is_up_to_date(language: str) -> None:
    assert catalogue_path(language).read_bytes() == written(updated(language)), "run: python -m tests.catalogue"


@pytest.mark.parametrize("language", TRANSLATED)
def test_every_text_is_translated(language: str) -> None:
    untranslated = [message.id for message in messages(language) if message.fuzzy or not all(forms(message.string))]
    assert untranslated == []


@pytest.mark.parametrize("language", TRANSLATED)
def test_translations_have_the_places_of_their_texts(language: str) -> None:
    """The same names, and the same markup."""
    wrong = []
    for message in messages(language):
        for source, text in zip(forms(message.id), forms(message.string), strict=True):
            places = {name for name in PLACE.findall(source) if name}
            if {name for name in PLACE.findall(text) if name} != places or "%" in PLACE.sub("", text):
                wrong.append(text)
            if sorted(re.findall(r"<[^>]*>", text)) != sorted(re.findall(r"<[^>]*>", source)):
                wrong.append(text)
    assert wrong == []


@pytest.mark.parametrize("language", TRANSLATED)
def test_a_catalogue_is_read_in_a_moment(language: str) -> None:
    """Nothing is compiled beforehand: that it takes under half a second of processor time is why."""
    texts_in.cache_clear()
    began = time.process_time()
    assert texts_in(language).gettext("Pours") != "Pours"
    assert time.process_time() - began < 0.5


@pytest.mark.parametrize(
    ("asked", "chosen", "text", "tag"),
    [
        # RFC 9110, 12.5.4: weights from 0 to 1, 1 where none is given; 0 is not wanted.
        ("", None, "en", "en-GB"),
        ("es", None, "es", "es"),
        ("es-MX,es;q=0.9,en;q=0.8", None, "es", "es-MX"),
        ("en-US,en;q=0.5", None, "en", "en-US"),
        ("en;q=0.4, es-ES;q=0.9", None, "es", "es-ES"),
        ("es;q=0, en-GB", None, "en", "en-GB"),
        ("de-DE,de;q=0.9,en;q=0.5", None, "en", "en-DE"),  # texts that there are, dates and numbers as in Germany
        ("en-US", "es", "es", "es-US"),
        ("es-MX", "en", "en", "en-GB"),
        ("en-US", "tlh", "en", "en-US"),
        ("es;q=high, ;;,*", None, "en", "en-GB"),
    ],
)
def test_a_language_is_what_was_chosen_or_what_the_browser_asks_for(
    asked: str, chosen: str | None, text: str, tag: str
) -> None:
    language = asked_language(asked, chosen=chosen)
    assert (language.text, language.tag) == (text, tag)


def test_a_person_chooses_a_language_that_their_browser_keeps(client: TestClient) -> None:
    page = client.get("/pours", headers={"Accept-Language": "en-US"})
    assert '<html lang="en"' in page.text
    assert page.headers["Content-Language"] == "en"
    answer = client.post("/language", data={"language": "es", "back": "/pours"}, follow_redirects=False)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/pours")
    page = client.get("/pours", headers={"Accept-Language": "en-US"})
    assert '<html lang="es"' in page.text
    assert "<h1>Coladas</h1>" in page.text
    assert page.headers["Content-Language"] == "es"
    assert client.post("/language", data={"language": "de"}).status_code == 422


@pytest.mark.parametrize("back", ["//evil.example", "https://evil.example", "/\\evil.example", "/\t/evil.example"])
def test_a_choice_of_language_leads_nowhere_else(client: TestClient, back: str) -> None:
    answer = client.post("/language", data={"language": "es", "back": back}, follow_redirects=False)
    assert answer.headers["Location"] == "/"


def test_what_is_answered_to_scripts_of_a_page_is_in_its_language(
    client: TestClient, piece_photo: Callable[..., bytes]
) -> None:
    answer = client.post(
        "/photos",
        data={"mold": "oak-leaf"},
        files={"photos": ("leaf.png", piece_photo(chips=2))},
        headers={"Accept": "application/json", "Accept-Language": "es"},
    )
    (photo,) = answer.json()["photos"]
    assert (photo["outcome"], photo["message"]) == ("flagged", "2 desportilladuras")  # programs go by the outcome


# CLDR 48, which Babel 2.18 carries: https://unicode.org/cldr/charts/48/summary/es.html and en, es_MX, de.
@pytest.mark.parametrize(
    ("asked", "time_said", "small", "large"),
    [
        ("en-US", "Tue, Nov 24, 2026, 4:10\N{NO-BREAK SPACE}PM", "1234.5", "12,345.5"),
        ("en-GB", "Tue, 24 Nov 2026, 16:10", "1234.5", "12,345.5"),
        ("es-ES", "mar, 24 nov 2026, 16:10", "1234,5", "12.345,5"),
        ("es-MX", "mar, 24 de nov de 2026, 4:10\N{NO-BREAK SPACE}p.m.", "1234.5", "12,345.5"),
        ("de-DE", "Tue, 24 Nov 2026, 16:10", "1234,5", "12.345,5"),
    ],
)
def test_times_and_numbers_are_written_as_the_region_does(asked: str, time_said: str, small: str, large: str) -> None:
    here = datetime(2026, 11, 24, 16, 10).astimezone()
    with speaking(asked_language(asked)):
        assert quantities.clock(here) == time_said
        assert quantities.number(1234.5, 1) == small  # no mark of thousands that could be read as the other
        assert quantities.number(12345.5, 1) == large


def test_counts_follow_the_rules_of_the_language() -> None:
    with speaking(asked_language("es")):
        assert words.flagged(["chip"]) == "1 desportilladura"
        assert words.flagged(["chip", "chip"]) == "2 desportilladuras"
        assert words.pieces(0) == "0 piezas"


def test_no_text_of_a_page_or_script_is_left_out() -> None:
    """What a template or a script says goes through the catalogue."""
    left = {}
    for path in sorted((WEB / "templates").glob("*.html")):
        bare = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        said = [text for name, text in re.findall(r"\b(aria-label|alt|title|placeholder)=\"([^\"]*)\"", bare)]
        said += re.sub(r"<[^>]*>", "\n", bare).splitlines()
        texts = {text.strip(" ·:.,()“”") for text in said} - {"Inspector", ""}
        left[path.name] = {text for text in texts if re.search("[a-z]{2}", text)}
    for path in sorted((WEB / "static").glob("*.js")):
        code = re.sub(r"^\s*//.*$", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE)
        left[path.name] = set(re.findall(r"[\"`]([A-Z][a-z]+ [a-z][^\"`]*)[\"`]", code)) - {"Content Security Policy"}
    assert {name: texts for name, texts in left.items() if texts} == {}


def test_a_phone_is_told_what_the_pages_are_in_its_language(client: TestClient) -> None:
    manifest = client.get("/app.webmanifest", headers={"Accept-Language": "es"}).json()
    assert (manifest["lang"], manifest["description"]) == ("es", "Fotografiar lo que sale de los moldes")
    assert client.get("/app.webmanifest").json()["lang"] == "en"

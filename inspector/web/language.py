"""The language of a person: which texts they read, and how numbers and dates are written for them.

Texts are written in English in the code and the templates; `translations` holds a catalogue (gettext) for each other
language, read as it stands. What a person chose counts most, then what their browser asks for. Its region tells how
dates and numbers look: 24 Nov in Britain, Nov 24 in the States; 1,5 in Spain, 1.5 in Mexico.
"""

import io
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from babel import Locale, UnknownLocaleError
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.support import NullTranslations, Translations
from starlette.datastructures import Headers
from starlette.requests import Request, cookie_parser
from starlette.responses import Response
from starlette.types import Scope

__all__ = [
    "BELOW",
    "LANGUAGES",
    "Language",
    "as_written",
    "asked_language",
    "below",
    "catalogue_path",
    "language_of",
    "mark",
    "mark_many",
    "ntr",
    "remember_language",
    "source_path",
    "speaking",
    "speaking_to",
    "spoken",
    "texts_in",
    "tr",
]

LANGUAGES = {"en": "English", "es": "Español"}
"""Languages that the pages are written in, each by its own name. English is the source."""

BELOW = "below"
"""The context under which the catalogues hold sentences that come from below the pages."""

_COOKIE = "language"
_REMEMBERED_S = 365 * 24 * 3600
_TRANSLATIONS = Path(__file__).parent / "translations"
# Where the browser names no region: the day before the month and 24 hours, as most of the world writes them.
_WITHOUT_REGION = {"en": "en_GB", "es": "es"}


@dataclass(frozen=True, slots=True)
class Language:
    """What texts are in, and how numbers and dates are written."""

    text: str
    """One of `LANGUAGES`."""
    locale: Locale

    @property
    def tag(self) -> str:
        """Its name for a browser (RFC 5646): `es-MX`."""
        return str(self.locale).replace("_", "-")


_ENGLISH = Language("en", Locale.parse(_WITHOUT_REGION["en"]))
_spoken: ContextVar[Language] = ContextVar("spoken", default=_ENGLISH)


def spoken() -> Language:
    """The language of whoever is answered; English where nobody is."""
    return _spoken.get()


@contextmanager
def speaking(language: Language) -> Iterator[None]:
    """Have texts, numbers and dates come out in a language meanwhile."""
    token = _spoken.set(language)
    try:
        yield
    finally:
        _spoken.reset(token)


def tr(message: str, **values: object) -> str:
    """A text in the language of whoever is answered, with its values put in: `%(name)s`; `%%` is a percent sign."""
    return _texts().gettext(message) % values


def ntr(one: str, many: str, count: int, **values: object) -> str:
    """A text that depends on a count, by the plural rules of the language; `%(count)s` is put in."""
    return _texts().ngettext(one, many, count) % {"count": count, **values}


def below(message: str) -> str:
    """A form of a sentence from below the pages, its places still open."""
    return str(_texts().pgettext(BELOW, message))


def mark(message: str) -> str:
    """Mark a text for the catalogues that `tr` is given later."""
    return message


def mark_many(one: str, many: str) -> tuple[str, str]:
    """Mark a text that depends on a count for the catalogues."""
    return one, many


def as_written(one: str, many: str | None = None, *, count: int = 1) -> str:
    """A text with its places still open, for a script that fills them in."""
    return _texts().gettext(one) if many is None else _texts().ngettext(one, many, count)


def catalogue_path(text: str) -> Path:
    """Where the catalogue of a language lies."""
    return _TRANSLATIONS / text / "LC_MESSAGES" / "inspector.po"


def source_path() -> Path:
    """Where all texts stand in English, as they were found in the code and the templates."""
    return _TRANSLATIONS / "inspector.pot"


def asked_language(accept_language: str, *, chosen: str | None = None) -> Language:
    """The language that a browser asks for (RFC 9110, 12.5.4), or that a person chose in it.

    Parameters
    ----------
    accept_language : str
        What the browser asks for, best first by their weights; what cannot be read is left out.
    chosen : str, optional
        One of `LANGUAGES`; anything else counts as not chosen.
    """
    wanted = _ranges(accept_language)
    offered = [language for language, _ in wanted if language in LANGUAGES]
    text = chosen if chosen in LANGUAGES else (offered[0] if offered else "en")
    # The region goes with the language first: who asks for es-MX before en-US reads Mexican dates.
    regions = [region for language, region in wanted if region and language == text]
    regions += [region for _, region in wanted if region]
    for region in regions:
        if (locale := _locale(text, region)) is not None:
            return Language(text, locale)
    return Language(text, Locale.parse(_WITHOUT_REGION[text]))


def language_of(scope: Scope) -> Language:
    """The language of whoever sent a request."""
    headers = Headers(scope=scope)
    chosen = cookie_parser(headers.get("cookie", "")).get(_COOKIE)
    return asked_language(headers.get("accept-language", ""), chosen=chosen)


def remember_language(response: Response, text: str) -> None:
    """Have the browser send what a person chose with its next requests."""
    response.set_cookie(_COOKIE, text, max_age=_REMEMBERED_S, path="/", httponly=True, samesite="lax")


def speaking_to(request: Request) -> Language:
    """The language of a request, also where an answer is made after `SpeakAsAsked` has let go of it."""
    return request.scope.get("language") or language_of(request.scope)


def _ranges(accept_language: str) -> list[tuple[str, str]]:
    """Language and region of what a browser asks for, best first."""
    found: list[tuple[float, str, str]] = []
    for part in accept_language.split(",")[:20]:
        tag, _, weight = part.strip().partition(";")
        try:
            quality = float(weight.strip().removeprefix("q=")) if weight.strip() else 1.0
        except ValueError:
            continue
        subtags = tag.strip().lower().split("-")
        region = next((sub.upper() for sub in subtags[1:] if len(sub) == 2 or (len(sub) == 3 and sub.isdigit())), "")
        if quality > 0 and subtags[0].isalpha():
            found.append((quality, subtags[0], region))
    return [(language, region) for _, language, region in sorted(found, key=lambda item: -item[0])]


@lru_cache(maxsize=256)
def _locale(text: str, region: str) -> Locale | None:
    try:
        return Locale(text, region)
    except (UnknownLocaleError, ValueError):
        return None


def _texts() -> NullTranslations:
    return texts_in(_spoken.get().text)


@lru_cache(maxsize=len(LANGUAGES))
def texts_in(text: str) -> NullTranslations:
    """The catalogue of a language, read once; English has none, its texts stand in the code."""
    path = catalogue_path(text)
    if text == "en":
        return NullTranslations()
    compiled = io.BytesIO()
    with path.open("rb") as file:
        write_mo(compiled, read_po(file, locale=text))
    compiled.seek(0)
    return Translations(compiled)

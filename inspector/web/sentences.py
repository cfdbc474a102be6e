"""Sentences that come from below the pages, in the language and units of who reads them.

The workshop says in English what was wrong, why pieces are lost and what a photo lacks, and the log keeps such
sentences as they were said. Here they are known again by their form, as the catalogues hold it under the context
`below`: what stands in the places of its values is found, said in the other language, and measured in the workshop's
units. A sentence of no known form stays as it is.
"""

import calendar
import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache

from babel.dates import format_skeleton
from babel.messages.pofile import read_po

from inspector.web.language import BELOW, Language, below, source_path, speaking, spoken
from inspector.web.quantities import clock, crack_width, measuring_in, number, plain, strength, temperature, units
from inspector.web.units import inches_from_mm
from inspector.workshop import UnitSystem, with_degree_sign

__all__ = ["told", "told_all"]

_PLACE = re.compile(r"%\((\w+)\)s(?: (mm|degC|°C|MPa)\b)?|%%")
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
# Places that hold the number which a row of the log goes by.
_NUMBERED = re.compile(r"(?:\w+_)?id|pour")
_DATE = re.compile(r"(?:(\d{1,2}) )?([A-Z][a-z]+) (\d{4})")
_TIME = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d [+-]\d{4}")
_MONTHS = {name: number for number, name in enumerate(calendar.month_name) if name}
# A form with few letters of its own, as `%(low)s to %(high)s`, would fit much that people write: it takes figures only.
_FEW_LETTERS = 6
_FIGURE = re.compile(r"[-\d.,% ]+|(?:\d{1,2} )?[A-Z][a-z]+ \d{4}")
_LITERAL_DEGC = re.compile(r"(-?\d+(?:\.\d+)?) °C")
# A sentence is made of others at most so deep: advice, its parts, the shares in them.
_DEEPEST = 4
_CRACK_MM = 1.0
_KEPT = 2048
# Nothing that the workshop says is longer; what is comes from somebody who types much.
_LONGEST_SIGNS = 4000


@dataclass(frozen=True, slots=True)
class _Form:
    """A sentence with places for its values."""

    message: str
    fixed: tuple[str, ...]
    """What stands before, between and after its places."""
    names: tuple[str, ...]
    takes_figures_only: bool

    def values_in(self, text: str) -> dict[str, str] | None:
        """What stands in its places; None where a text is of another form.

        Each place takes as little as will do, and what was found is not looked at again: a regular expression would try
        all ways to cut a text up, and what people type may have very many.
        """
        first, *others = self.fixed
        if not text.startswith(first) or not text.endswith(self.fixed[-1]):
            return None
        values: dict[str, str] = {}
        start = len(first)
        for name, after in zip(self.names, others, strict=True):
            is_last = len(values) == len(self.names) - 1
            end = len(text) - len(after) if is_last else text.find(after, start)
            if end < start:
                return None
            values[name] = text[start:end]
            start = end + len(after)
        return values if start == len(text) and self._fits(values) else None

    def _fits(self, values: dict[str, str]) -> bool:
        if self.takes_figures_only:
            return all(_FIGURE.fullmatch(value) for value in values.values())
        # Whole sentences stand only where a form begins or ends with them.
        inner = [
            value
            for number, value in enumerate(values.values())
            if any(self.fixed[: number + 1]) and any(self.fixed[number + 1 :])
        ]
        return not any(". " in value for value in inner)


def told(sentence: str) -> str:
    """A sentence from below, as whoever is answered reads it; text that is none comes back unchanged."""
    return _told(sentence, spoken(), units())


def told_all(sentences: Iterable[str]) -> tuple[str, ...]:
    """Several sentences, or the cells of a row."""
    return tuple(map(told, sentences))


@lru_cache(maxsize=_KEPT)
def _told(sentence: str, language: Language, system: UnitSystem) -> str:
    with speaking(language), measuring_in(lambda: system):
        said = with_degree_sign(_said(sentence, depth=0))
        if system == "us":  # temperatures that stand in a sentence as they are
            said = _LITERAL_DEGC.sub(lambda found: temperature(float(found.group(1))), said)
        return said


def _said(text: str, *, depth: int) -> str:
    bare = text.strip()
    if not bare or depth > _DEEPEST or len(bare) > _LONGEST_SIGNS:
        return text
    figure = _NUMBER.match(bare)
    if figure is not None and bare[figure.end() :] in ("", " %"):
        return text.replace(figure.group(), _figure(figure.group()), 1)
    found_date = _DATE.fullmatch(bare)
    with suppress(ValueError, OverflowError):  # of a day that no calendar has: somebody's own words
        if found_date is not None and found_date.group(2) in _MONTHS:
            return text.replace(bare, _dated(*found_date.groups()))
        if _TIME.fullmatch(bare):
            return text.replace(bare, clock(datetime.strptime(bare, "%Y-%m-%d %H:%M %z")))
    for form in _forms():
        values = form.values_in(bare)
        if values is not None:
            return text.replace(bare, _filled(form, values, depth=depth))
    parts = _split(bare)
    if len(parts) > 1:
        return text.replace(bare, " ".join(_said(part, depth=depth + 1) for part in parts))
    return text


def _filled(form: _Form, values: dict[str, str], *, depth: int) -> str:
    def put(place: re.Match[str]) -> str:
        name, unit = place.groups()
        if name is None:
            return "%"
        value = values[name]
        if value.isdigit() and _NUMBERED.fullmatch(name):  # piece 12345 is no quantity
            return value
        if unit is not None and _NUMBER.fullmatch(value):
            return _measured(float(value), unit, value)
        said = _said(value, depth=depth + 1)
        return said if unit is None else f"{said} {unit}"

    return _PLACE.sub(put, below(form.message))


def _measured(value: float, unit: str, written: str) -> str:
    """A value with its unit, with as many decimals as it came with where it stays in it."""
    if unit == "MPa":
        return strength(value)
    if unit == "mm":
        if units() == "us":
            return crack_width(value) if value < _CRACK_MM else f"{number(inches_from_mm(value), 2)} in"
        return f"{_figure(written)} mm"
    return temperature(value)


def _figure(written: str) -> str:
    """A number as it was written, with the marks of the language."""
    _, _, decimals = written.partition(".")
    return number(float(written), len(decimals)) if decimals else plain(float(written))


def _dated(day_text: str | None, month_text: str, year_text: str) -> str:
    """A day or a month as the workshop writes it, `3 March 2026`, in the language."""
    at = date(int(year_text), _MONTHS[month_text], int(day_text or 1))
    return format_skeleton("yMMMM" if day_text is None else "yMMMMd", at, locale=spoken().locale)


def _split(text: str) -> Sequence[str]:
    """The sentences of a text, each with its full stop."""
    return re.split(r"(?<=[.:;]) (?=\S)", text)


@lru_cache(maxsize=1)
def _forms() -> tuple[_Form, ...]:
    """All forms, those that say most first."""
    with source_path().open("rb") as file:
        messages = [str(message.id) for message in read_po(file) if message.context == BELOW]
    return tuple(sorted(map(_form, messages), key=lambda form: -sum(map(len, form.fixed))))


def _form(message: str) -> _Form:
    pieces = re.split(r"%\((\w+)\)s", message)
    fixed = tuple(part.replace("%%", "%") for part in pieces[::2])
    letters = sum(sign.isalpha() for part in fixed for sign in part)
    return _Form(message, fixed, tuple(pieces[1::2]), takes_figures_only=letters < _FEW_LETTERS)

"""Turning the pages of a list: links on and back, in the page and as headers for programs."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Query

from inspector.workshop import ListPage, PlaceInList

__all__ = ["PageQuery", "PlaceQuery", "Turning", "place_in", "skipped", "turning"]

PlaceQuery = Annotated[str, Query(max_length=100)]
"""Where a list goes on, as a page of it gave it."""
PageQuery = Annotated[int, Query(ge=1, le=1_000_000)]
"""The number of a page, in addresses of before: what lies before it is read, so the list is not linked like that."""


@dataclass(frozen=True, slots=True)
class Turning:
    """Addresses of the pages beside one; None where there is none."""

    back: str | None
    on: str | None

    @property
    def headers(self) -> dict[str, str]:
        """As RFC 8288 has it."""
        links = [f'<{to}>; rel="{rel}"' for to, rel in ((self.back, "prev"), (self.on, "next")) if to is not None]
        return {"Link": ", ".join(links)} if links else {}


def place_in(text: str) -> PlaceInList | None:
    """Where a list is to go on; None for its beginning."""
    return PlaceInList.read(text) if text else None


def skipped(page: int, *, a_page: int, place: PlaceInList | None) -> int:
    """How many rows lie before a page that is asked for by its number."""
    return 0 if place is not None else (page - 1) * a_page


def turning(page: ListPage[Any], address: str, kept: Mapping[str, str | None]) -> Turning:
    """Give the links from a page; `kept` is what else the address says."""

    def to(place: PlaceInList | None) -> str | None:
        if place is None:
            return None
        return f"{address}?{urlencode({**{key: value for key, value in kept.items() if value}, 'place': place.text})}"

    return Turning(back=to(page.before), on=to(page.after))

"""Long lists in pages: each says where it began and ended, and the next is found from there, however deep it lies.

A place in a list is the value that the list is ordered by and the number of a row, so that rows which come or go
meanwhile move nothing (keyset paging). OFFSET would read all that lies before, each time.
"""

import base64
import binascii
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, Generic, TypeVar

from sqlalchemy import Select, literal, tuple_
from sqlalchemy.orm import InstrumentedAttribute, Session

from inspector.errors import InputError
from inspector.log.tables import UtcDateTime

__all__ = ["ListPage", "PlaceInList", "cut_page", "read_page", "replace_items"]

_Item = TypeVar("_Item")
_Other = TypeVar("_Other")


@dataclass(frozen=True, slots=True)
class PlaceInList:
    """A row that the next page begins after, or the page before ends at."""

    key: datetime | float
    """What the list is ordered by."""
    number: int
    backwards: bool = False

    @property
    def text(self) -> str:
        """As it goes into an address: to be handed back, not to be read."""
        key = self.key.astimezone(UTC).isoformat() if isinstance(self.key, datetime) else self.key.hex()
        said = f"{'<' if self.backwards else '>'}{key} {self.number}"
        return base64.urlsafe_b64encode(said.encode()).decode().rstrip("=")

    @classmethod
    def read(cls, text: str) -> "PlaceInList":
        """Read what `text` gave.

        Raises
        ------
        InputError
            If it gave no such thing.
        """
        try:
            said = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True).decode()
            key, _, number = said[1:].partition(" ")
            if said[0] not in "<>" or not 0 < int(number) < 2**31:
                raise ValueError(said)
            is_number = key.startswith(("0x", "-0x"))
            at = float.fromhex(key) if is_number else datetime.fromisoformat(key).astimezone(UTC)
            return cls(at, int(number), backwards=said[0] == "<")
        except (binascii.Error, ValueError, IndexError, OverflowError) as error:
            raise InputError(f"{text!r} is no place in a list. Open the list from its beginning.") from error


@dataclass(frozen=True, slots=True)
class ListPage(Generic[_Item]):
    """Some rows of a list, in its order, and where the rest of it lies."""

    items: tuple[_Item, ...]
    before: PlaceInList | None
    """For the page before; None where this is the first one."""
    after: PlaceInList | None
    """For the page after; None where nothing follows."""


def replace_items(page: ListPage[Any], items: Sequence[_Other]) -> ListPage[_Other]:
    """Give a page with what belongs to its rows in their place."""
    return ListPage(tuple(items), before=page.before, after=page.after)


def cut_page(
    items: Sequence[_Item], place_of: Callable[[_Item], PlaceInList], *, limit: int, place: PlaceInList | None
) -> ListPage[_Item]:
    """Give one page of a list that was worked out, as `read_page` does of one that is read.

    Parameters
    ----------
    items : sequence
        The whole list, the highest keys first, of one key the lowest number first.
    place_of : callable
        Gives the place of an item.
    limit : int
        How many at most.
    place : PlaceInList, optional
        Where to go on, or to go back from.

    Raises
    ------
    InputError
        If the place is one in a list of another order.
    """
    first = 0
    if place is not None:
        if isinstance(place.key, datetime):
            raise _another_list()
        ends = [(-at.key, at.number) for at in map(place_of, items) if not isinstance(at.key, datetime)]
        cut = (-place.key, place.number)
        first = max(0, bisect_left(ends, cut) - limit) if place.backwards else bisect_right(ends, cut)
    shown = items[first : first + limit]
    return ListPage(
        tuple(shown),
        before=replace(place_of(shown[0]), backwards=True) if shown and first else None,
        after=place_of(shown[-1]) if first + limit < len(items) else None,
    )


def read_page(
    session: Session,
    query: Select[int],
    order: tuple[InstrumentedAttribute[Any], InstrumentedAttribute[int]],
    *,
    latest_first: bool = False,
    limit: int,
    place: PlaceInList | None,
    skip: int = 0,
) -> ListPage[int]:
    """Read one page of the numbers that a query gives.

    Parameters
    ----------
    session : Session
    query : Select
        Of the numbers of rows.
    order : pair of columns
        What the list is ordered by, and the number of a row; there is an index on both.
    latest_first : bool
        The highest come first.
    limit : int
        How many at most.
    place : PlaceInList, optional
        Where to go on, or to go back from.
    skip : int
        How many to leave out before: for links that count pages. All of those are read.

    Raises
    ------
    InputError
        If the place is one in a list of another order.
    """
    key, number = order
    whole = query
    backwards = place is not None and place.backwards
    falling = latest_first != backwards
    if place is not None:
        if isinstance(place.key, datetime) != isinstance(key.type, UtcDateTime):
            raise _another_list()
        row, known = tuple_(key, number), tuple_(literal(place.key, key.type), literal(place.number, number.type))
        query = query.where(row < known if falling else row > known)
    query = query.order_by(*((key.desc(), number.desc()) if falling else (key, number)))
    rows = session.execute(query.add_columns(key).offset(skip or None).limit(limit + 1)).all()
    more, rows = len(rows) > limit, rows[:limit]
    if backwards and not more:  # the beginning: a whole page of it
        return read_page(session, whole, order, latest_first=latest_first, limit=limit, place=None)
    if backwards:
        rows = rows[::-1]
    has_before = bool(rows) and (place is not None or skip > 0)
    has_after = bool(rows) and (backwards or more)
    return ListPage(
        tuple(row[0] for row in rows),
        before=PlaceInList(rows[0][1], rows[0][0], backwards=True) if has_before else None,
        after=PlaceInList(rows[-1][1], rows[-1][0]) if has_after else None,
    )


def _another_list() -> InputError:
    return InputError("That is a place in another list. Open the list from its beginning.")

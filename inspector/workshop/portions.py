"""Reading a long list to its end, a portion at a time, so that it may be more than memory holds."""

from collections.abc import Callable, Iterator
from typing import TypeVar

from inspector.log import ListPage, PlaceInList

__all__ = ["read_in_portions"]

_Item = TypeVar("_Item")

_PORTION = 500


def read_in_portions(
    read: Callable[..., ListPage[_Item]], *, limit: int | None = None, place: PlaceInList | None = None
) -> Iterator[ListPage[_Item]]:
    """Read page after page of a list.

    Parameters
    ----------
    read : callable
        Reads one page, by `limit` and `place`.
    limit : int, optional
        So many rows at most in all.
    place : PlaceInList, optional
        Where to go on; or to go back from, by one page, since further back the pages would come in the wrong order.
    """
    if place is not None and place.backwards:
        yield read(limit=limit or _PORTION, place=place)
        return
    left = limit
    while left is None or left > 0:
        page = read(limit=_PORTION if left is None else min(left, _PORTION), place=place)
        yield page
        place = page.after
        if place is None:
            return
        left = None if left is None else left - len(page.items)

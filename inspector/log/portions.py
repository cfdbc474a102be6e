"""Many items, some at a time: databases bound the number of values in one query."""

from collections.abc import Iterable, Iterator
from itertools import islice
from typing import TypeVar

__all__ = ["in_portions"]

_Item = TypeVar("_Item")


def in_portions(items: Iterable[_Item], most: int) -> Iterator[list[_Item]]:
    """Give items in their order, so many at a time."""
    upcoming = iter(items)
    while portion := list(islice(upcoming, most)):
        yield portion

"""Which of many marks on a mold's pieces lie at one place.

A mark that was dismissed belongs to the first place that it lies at, or is a place of its own; one that was confirmed
belongs to every place that it lies at. A mark lies at a place where it lies together with any mark that belongs there:
where most of the smaller one lies on the other.

Marks pile up at the same few places, so that nearly all pairs meet. Most are told apart by their boxes, all boxes at
once; of the others a pair is looked at only where that could add a place.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inspector.inspection.reviewed_places import MOSTLY

__all__ = ["DrawnMark", "gather"]


@dataclass(frozen=True, slots=True, eq=False)
class DrawnMark:
    """A mark on a raster that all marks beside it are drawn on."""

    beside: tuple[int, str]
    """Only marks of which this is the same can lie together: the number of a reference, and a class of kinds."""
    dismissed: bool
    mask: NDArray[np.uint8]
    """Not 0 inside, cut to its left and top."""
    left: int
    top: int


def gather(marks: Sequence[DrawnMark]) -> list[list[int]]:
    """Gather marks by place.

    Returns
    -------
    places : list of list of int
        The marks of each place by their number, those that were dismissed first. A confirmed mark that lies at no place
        is left out.
    """
    together: dict[tuple[int, str], list[int]] = {}
    for number, mark in enumerate(marks):
        together.setdefault(mark.beside, []).append(number)
    places: list[list[int]] = []
    for numbers in together.values():
        ordered = sorted(numbers, key=lambda number: not marks[number].dismissed)
        places += [[ordered[row] for row in rows] for rows in _gather_beside([marks[number] for number in ordered])]
    return sorted(places, key=lambda place: place[0])


def _gather_beside(marks: Sequence[DrawnMark]) -> list[list[int]]:
    """Gather marks that may all lie together; the dismissed ones come first."""
    near = _Near(marks)
    places: list[list[int]] = []
    place_of = np.zeros(len(marks), dtype=np.intp)
    # Places that a mark belongs to, as bits.
    places_of: list[int] = []
    for row, mark in enumerate(marks):
        others = near.before(row)
        if mark.dismissed:
            first_place_first = others[np.argsort(place_of[others], kind="stable")].tolist()
            found = next((int(place_of[other]) for other in first_place_first if near.lie_together(row, other)), None)
            if found is None:
                found = len(places)
                places.append([])
            place_of[row] = found
            places[found].append(row)
            places_of.append(1 << found)
            continue
        lies_at = 0
        for other in others.tolist():
            if places_of[other] & ~lies_at and near.lie_together(row, other):
                lies_at |= places_of[other]
        places_of.append(lies_at)
        while lies_at:
            places[(lies_at & -lies_at).bit_length() - 1].append(row)
            lies_at &= lies_at - 1
    return places


class _Near:
    """Marks by their boxes, and their pixels as the bits of one number each: line by line, the first one lowest."""

    def __init__(self, marks: Sequence[DrawnMark]) -> None:
        self._left = np.array([mark.left for mark in marks])
        self._top = np.array([mark.top for mark in marks])
        self._right = self._left + [mark.mask.shape[1] for mark in marks]
        self._bottom = self._top + [mark.mask.shape[0] for mark in marks]
        # Wide enough that of two marks whose boxes meet no line reaches into the other's next one; whole bytes.
        self._line_bits = -(-2 * int((self._right - self._left).max()) // 8) * 8
        self._bits = [self._as_bits(mark.mask) for mark in marks]
        self._area_px = np.array([bits.bit_count() for bits in self._bits])
        self._starts_at = (self._top * self._line_bits + self._left).tolist()
        self._least_px = self._area_px.tolist()

    def before(self, row: int) -> NDArray[np.intp]:
        """Marks before this one that may lie together with it, by their boxes; those whose boxes share most first."""
        shared_x = np.minimum(self._right[:row], self._right[row]) - np.maximum(self._left[:row], self._left[row])
        shared_y = np.minimum(self._bottom[:row], self._bottom[row]) - np.maximum(self._top[:row], self._top[row])
        most_px = np.maximum(shared_x, 0) * np.maximum(shared_y, 0)
        may = np.flatnonzero(most_px >= np.maximum(MOSTLY * np.minimum(self._area_px[:row], self._area_px[row]), 1))
        return may[np.argsort(-most_px[may], kind="stable")]

    def lie_together(self, one: int, other: int) -> bool:
        """Whether most of either mark lies on the other; their boxes meet."""
        moved = self._starts_at[one] - self._starts_at[other]
        own, its = self._bits[one], self._bits[other]
        shared = (own << moved) & its if moved >= 0 else own & (its << -moved)
        return shared.bit_count() >= MOSTLY * min(self._least_px[one], self._least_px[other])

    def _as_bits(self, mask: NDArray[np.uint8]) -> int:
        lines = np.zeros((mask.shape[0], self._line_bits), dtype=np.uint8)
        lines[:, : mask.shape[1]] = mask != 0
        return int.from_bytes(np.packbits(lines, bitorder="little").tobytes(), "little")

"""Where the letters of parts stand beside a piece: clear of each other and of parts, each with a line to its own."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inspector.workshop import Points

__all__ = ["PlacedLetter", "letter", "place_letters"]

# The page opens with the piece over this share of the photo's width or height, at most so much enlarged, as
# `zooming.js` has it. A letter takes so much of the width of a phone.
_PIECE_SHARE = 0.72
_LARGEST_ZOOM = 8
_ROOM_OF_PHONE = 24 / 360
_ALPHABET = 26


@dataclass(frozen=True, slots=True)
class PlacedLetter:
    """A letter or number beside a part."""

    words: str
    x_percent: float
    y_percent: float
    """The middle of the letter, in percent of the photo's width and height."""
    to_x_percent: float
    to_y_percent: float
    """Where the line from it ends: the corner of the part that is nearest to it."""


def letter(number: int) -> str:
    """The letter of a part, counted from 0: A to Z, then AA."""
    before, last = divmod(number, _ALPHABET)
    return (letter(before - 1) if before else "") + chr(ord("A") + last)


def place_letters(
    labelled: Sequence[tuple[str, Points]], *, piece_xy: Points, width_px: int, height_px: int
) -> tuple[PlacedLetter, ...]:
    """Find a place for the letter of each part, away from the middle of the piece.

    Parameters
    ----------
    labelled : sequence of (str, points)
        Letters, with the outlines of their parts in pixels of the photo.
    piece_xy : points
        The outline of the piece.
    """
    size = np.array([width_px, height_px], dtype=float)
    piece = np.array(piece_xy, dtype=float)
    middle, extent = (piece.min(axis=0) + piece.max(axis=0)) / 2, np.ptp(piece, axis=0)
    zoom = min(max(_PIECE_SHARE / float(np.max(extent / size)), 1.0), _LARGEST_ZOOM)
    room_px = _ROOM_OF_PHONE * width_px / zoom
    parts = [np.array(outline, dtype=float) for _, outline in labelled]
    corners = np.concatenate(parts) if parts else np.zeros((0, 2))
    placed: list[NDArray[np.float64]] = []
    letters = []
    for (words, _), part in zip(labelled, parts, strict=True):
        at = next(
            (
                place
                for place in _places(part, middle, room_px)
                if np.all((place >= room_px / 2) & (place <= size - room_px / 2))
                and _distance(corners, place) >= 0.7 * room_px
                and all(np.hypot(*(place - other)) >= room_px for other in placed)
            ),
            part.mean(axis=0),  # no room at all: on the part itself
        )
        placed.append(at)
        nearest = part[np.argmin(np.hypot(*(part - at).T))]
        x, y = (np.clip(at, 0, size) / size * 100).round(2)
        to_x, to_y = (np.clip(nearest, 0, size) / size * 100).round(2)
        letters.append(PlacedLetter(words, float(x), float(y), float(to_x), float(to_y)))
    return tuple(letters)


def _places(part: NDArray[np.float64], middle: NDArray[np.float64], room_px: float) -> Iterator[NDArray[np.float64]]:
    """Places around a part, the nearest first; of those as near, what lies away from the middle of the piece."""
    own = part.mean(axis=0)
    away = math.atan2(*(own - middle)[::-1])
    for step in range(1, 25):
        for turn in (0, 20, -20, 40, -40, 60, -60, 90, -90, 120, -120, 180):
            towards = np.array([math.cos(away + math.radians(turn)), math.sin(away + math.radians(turn))])
            yield own + (float(((part - own) @ towards).max()) + step * room_px / 2) * towards


def _distance(corners: NDArray[np.float64], place: NDArray[np.float64]) -> float:
    return float(np.hypot(*(corners - place).T).min())

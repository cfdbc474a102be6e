"""Where the findings of a photo are marked on it: their outlines, and words that keep clear of each other."""

from collections.abc import Sequence
from dataclasses import dataclass

from inspector.errors import InputError
from inspector.web.language import tr
from inspector.web.words import kind
from inspector.workshop import LoggedFinding, LoggedPhoto, Points

__all__ = [
    "OUTLINE_LENGTH",
    "Mark",
    "PlacedWords",
    "mark_findings",
    "number_place",
    "polygon_points",
    "read_points",
]

# A line drawn with a finger, thinned by the page, has a few dozen corners of at most 15 signs.
OUTLINE_LENGTH = 10_000

# Room that words take on a photo 360 px wide, a phone's: a line of them in percent of its height and in the
# height of the letters (em), and one letter in percent of its width.
_LINE_PERCENT = 7.0
_LINE_EM = 1.25
_LETTER_PERCENT = 2.7
_LOWEST_PERCENT = 99.0
_GAP_PERCENT = 2.0  # between an outline and the words above it


@dataclass(frozen=True, slots=True)
class PlacedWords:
    """Words beside an outline on a photo."""

    words: str
    x_percent: float
    y_percent: float
    """Where the words belong: a corner of the outline, in percent of the photo's width and height."""
    shift_em: float
    """How far their base line is moved down from there, or up, in heights of the letters: the same at any zoom."""
    end_here: bool
    """Whether the words end at that point, because they would run over the right edge, or start there."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One finding as it is drawn over its photo."""

    number: int
    """Counted from 1 within the photo; the same in the list beside it."""
    finding: LoggedFinding
    points: str
    """Corners for an SVG polygon, in pixels of the photo."""
    placed: PlacedWords
    """What stands beside the outline."""


def mark_findings(photo: LoggedPhoto, findings: Sequence[LoggedFinding]) -> tuple[Mark, ...]:
    """Number the findings of a photo and find a place for the words of each."""
    labelled = [(f"{number} {kind(item.kind)}", item.polygon_xy) for number, item in enumerate(findings, start=1)]
    placed = _place_words(photo, labelled)
    return tuple(
        Mark(number=number, finding=finding, points=polygon_points(finding.polygon_xy), placed=words)
        for number, (finding, words) in enumerate(zip(findings, placed, strict=True), start=1)
    )


def _place_words(photo: LoggedPhoto, labelled: Sequence[tuple[str, Points]]) -> tuple[PlacedWords, ...]:
    """Find a place for the words of each outline, clear of the words before them."""
    placed: list[PlacedWords] = []
    taken: list[_Line] = []
    for words, polygon_xy in labelled:
        x = [point[0] / photo.width_px * 100 for point in polygon_xy]
        y = [point[1] / photo.height_px * 100 for point in polygon_xy]
        room_percent = len(words) * _LETTER_PERCENT
        to_the_left = min(x) + room_percent > 100
        end_percent = max(x) if to_the_left else min(x) + room_percent
        line = _free_line(
            taken,
            above_percent=min(y),
            below_percent=max(y),
            start_percent=end_percent - room_percent,
            end_percent=end_percent,
        )
        taken.append(line)
        placed.append(
            PlacedWords(
                words=words,
                x_percent=round(line.end_percent if to_the_left else line.start_percent, 2),
                y_percent=round(min(y), 2),
                shift_em=round((line.y_percent - min(y)) * _LINE_EM / _LINE_PERCENT, 2),
                end_here=to_the_left,
            )
        )
    return tuple(placed)


def polygon_points(polygon_xy: Points) -> str:
    """Corners for an SVG polygon, in pixels of the photo."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in polygon_xy)


def read_points(text: str) -> Points:
    """Corners as an SVG polygon has them: `10,20 30.5,20 30,40`.

    Raises
    ------
    InputError
        If the text is something else.
    """
    try:
        pairs = [tuple(map(float, pair.split(","))) for pair in text.split()]
        return tuple((x, y) for x, y in pairs)
    except ValueError as error:
        sentence = tr("The outline could not be read. Draw around the place again and keep it.")
        raise InputError(sentence) from error


def number_place(polygon_xy: Points, width_px: int, height_px: int) -> tuple[float, float]:
    """Where the number of a place belongs: above its left end, in percent of the photo's width and height."""
    x = min(x for x, _ in polygon_xy) / width_px * 100
    y = min(y for _, y in polygon_xy) / height_px * 100 - _GAP_PERCENT
    return round(min(max(x, 0.0), 100 - 2 * _LETTER_PERCENT), 2), round(max(y, _LINE_PERCENT), 2)


@dataclass(frozen=True, slots=True)
class _Line:
    """The room of one line of words."""

    y_percent: float
    start_percent: float
    end_percent: float


def _free_line(
    taken: Sequence[_Line], *, above_percent: float, below_percent: float, start_percent: float, end_percent: float
) -> _Line:
    """The nearest line above an outline or below it that keeps clear of those taken; just above if there is none."""
    in_the_way = [
        line.y_percent for line in taken if line.start_percent < end_percent and start_percent < line.end_percent
    ]
    above, below = above_percent - _GAP_PERCENT, below_percent + _LINE_PERCENT
    free = (
        y
        for step in range(100)
        for y in (above - step, below + step)
        if _LINE_PERCENT <= y <= _LOWEST_PERCENT and all(abs(y - other) >= _LINE_PERCENT for other in in_the_way)
    )
    just_above = min(max(above, _LINE_PERCENT), _LOWEST_PERCENT)
    return _Line(next(free, just_above), start_percent, end_percent)

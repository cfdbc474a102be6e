from types import SimpleNamespace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from inspector.web.marks import Mark, mark_findings

PHOTO: Any = SimpleNamespace(width_px=2000, height_px=1000)


def square(x: float, y: float, side: float = 40, kind: str = "chip") -> Any:
    return SimpleNamespace(kind=kind, polygon_xy=((x, y), (x + side, y), (x + side, y + side), (x, y + side)))


def test_marks_are_numbered_and_keep_the_pixels_of_the_photo() -> None:
    first, second = mark_findings(PHOTO, [square(100, 500), square(900.26, 200)])
    assert (first.placed.words, second.placed.words) == ("1 chip", "2 chip")
    assert second.points == "900.3,200.0 940.3,200.0 940.3,240.0 900.3,240.0"
    assert (first.placed.x_percent, first.placed.y_percent) == (5.0, 50.0)
    assert first.placed.shift_em < 0  # above the outline


def test_words_at_the_right_edge_end_there() -> None:
    (mark,) = mark_findings(PHOTO, [square(1950, 500)])
    assert mark.placed.end_here
    assert mark.placed.x_percent == 99.5


def test_words_do_not_stand_on_each_other() -> None:
    marks = mark_findings(PHOTO, [square(500, 500 + 3 * n) for n in range(5)])
    # On a phone, where 270 px of height hold 18 lines of 15 px: 5.6 percent of the photo each.
    heights = [base_line_percent(mark) for mark in marks]
    gaps = [abs(a - b) for n, a in enumerate(heights) for b in heights[:n]]
    assert min(gaps) >= 5.6


@settings(max_examples=50, deadline=None)  # however slow the machine is
@given(st.lists(st.tuples(st.floats(-50, 2050), st.floats(-50, 1050)), max_size=40))
def test_words_stay_on_the_photo(corners: list[tuple[float, float]]) -> None:
    marks = mark_findings(PHOTO, [square(x, y, kind="missing feature") for x, y in corners])
    assert [mark.number for mark in marks] == list(range(1, len(corners) + 1))
    assert all(5.6 <= base_line_percent(mark) <= 100 for mark in marks)


def test_words_keep_off_their_own_outline() -> None:
    for mark in mark_findings(PHOTO, [square(500, 300 + 5 * n) for n in range(4)]):
        top = 30 + 0.5 * (mark.number - 1)
        assert not top < base_line_percent(mark) < top + 4


def base_line_percent(mark: Mark) -> float:
    """Where words stand on a phone: letters 15 px high on a photo of 360 x 270 px."""
    return mark.placed.y_percent + mark.placed.shift_em * 15 / 270 * 100

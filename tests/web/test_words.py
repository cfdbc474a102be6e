from datetime import datetime
from types import SimpleNamespace
from typing import Any, get_args

import pytest

from inspector.inspection.results import SeenAs
from inspector.web import quantities, words


@pytest.mark.parametrize(
    ("hours", "said"), [(31.4, "31 h"), (9.97, "10 h"), (6.25, "6.2 h"), (0.0, "0.0 h"), (None, "age unknown")]
)
def test_an_age_is_said_in_hours(hours: float | None, said: str) -> None:
    assert words.age(hours) == said


def test_what_speaks_for_a_finding_is_said_in_a_sentence() -> None:
    said = [words.seen_as(code) for code in get_args(SeenAs)]
    assert said[0] == "Part of the outline is gone"
    assert len(set(said)) == len(said) == 4


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (1.0, "almost certain (99\N{NO-BREAK SPACE}%)"),
        (0.9, "almost certain (90\N{NO-BREAK SPACE}%)"),
        (0.74, "likely (74\N{NO-BREAK SPACE}%)"),
        (0.5, "perhaps (50\N{NO-BREAK SPACE}%)"),
        (0.0, "not sure (1\N{NO-BREAK SPACE}%)"),
    ],
)
def test_confidence_is_words_first_and_never_promises(probability: float, said: str) -> None:
    assert words.confidence(probability) == said


def test_a_score_is_words_first() -> None:
    assert words.score(0.03) == "looks good (3\N{NO-BREAK SPACE}%)"
    assert words.score(0.81) == "very likely damaged (81\N{NO-BREAK SPACE}%)"
    assert words.score(None) == "could not be judged"


def test_kinds_are_counted_in_the_order_of_harm() -> None:
    kinds = ["excess", "chip", "chip", "missing feature", "excess"]
    assert words.flagged(kinds) == "1 missing feature, 2 chips, 2 places with excess"
    assert words.flagged([]) == "nothing flagged"


@pytest.mark.parametrize(
    ("sizes", "said"),
    [
        ({"length_mm": 6.12, "width_mm": 3.0}, "6.1 × 3.0 mm"),
        ({"length_mm": 23.6, "width_mm": 10.2, "depth_mm": 2.25}, "24 × 10 mm, 2.2 mm deep"),
        ({"length_mm": 4.0}, "4.0 mm"),
        ({"kind": "hairline crack", "length_mm": 41.2, "width_mm": 0.31}, "41 mm long, 0.31 mm wide"),
        ({}, "size unknown: no photo mat in the photo"),
    ],
)
def test_sizes_are_said_in_mm(sizes: dict[str, Any], said: str) -> None:
    unknown = {"kind": "chip", "length_mm": None, "width_mm": None, "depth_mm": None}
    finding: Any = SimpleNamespace(**{**unknown, **sizes})
    assert words.size(finding) == said


def test_times_are_said_where_this_machine_stands() -> None:
    time = datetime.fromisoformat("2026-11-24T16:10:00+00:00")
    local = time.astimezone()
    assert quantities.clock(time) == local.strftime("%a, %d %b %Y, %H:%M")


@pytest.mark.parametrize(("byte_count", "said"), [(3_240_000, "3.2 MB"), (48_200, "48 kB"), (3, "1 kB")])
def test_file_sizes_are_short(byte_count: int, said: str) -> None:
    assert words.file_size(byte_count) == said

"""The shortened form of `python -m tests.fuzz.fuzzing`."""

import random
from collections.abc import Iterator
from contextlib import ExitStack

import pytest

from tests.fuzz.fuzzing import Broken, Target, corpus_of, fuzz, mutated, targets

FILES = {"photo": 80, "exif": 500, "toml": 150, "pieces": 250, "logger": 250, "http": 120}


@pytest.fixture(scope="module")
def takers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Target]]:
    with ExitStack() as stack:
        yield dict(targets(stack, tmp_path_factory.mktemp("fuzz")))


@pytest.mark.parametrize("target", FILES)
def test_what_is_damaged_is_taken_or_refused(takers: dict[str, Target], target: str) -> None:
    outcomes = list(fuzz(target, takers[target], seed=1, enough=lambda number: number == FILES[target]))
    assert [outcome.why for outcome in outcomes if isinstance(outcome, Broken)] == []
    # The corpus leads far in, and the damage is worth its name.
    assert len(set(outcomes)) > 1 or target == "exif"


@pytest.mark.parametrize("target", FILES)
def test_the_same_seed_damages_alike(target: str) -> None:
    files = corpus_of(target)
    assert files
    first, again = ([mutated(files[0], random.Random(3), files) for _ in range(2)] for _ in range(2))
    assert first == again
    assert any(mutated(files[0], random.Random(seed), files) != files[0] for seed in range(5))


def test_what_breaks_a_target_would_be_seen() -> None:
    def fails(data: bytes) -> str:
        raise ZeroDivisionError

    (broken,) = fuzz("toml", fails, seed=1, enough=lambda number: number == 1)
    assert isinstance(broken, Broken)
    assert "ZeroDivisionError" in broken.why

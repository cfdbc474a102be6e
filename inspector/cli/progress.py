"""How far a long command is, on stderr, so that what it prints can be piped."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Protocol

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, ProgressColumn, Task, TextColumn, TimeRemainingColumn
from rich.text import Text

__all__ = ["Advance", "progress"]

_SECONDS_BETWEEN_LINES = 2.0


class Advance(Protocol):
    """To be called after each one that is done, or with how many more are done."""

    def __call__(self, more: int = 1) -> None:
        """Tell of them."""


class _RateColumn(ProgressColumn):
    """How many are done a second, of late."""

    def render(self, task: Task) -> Text:
        return Text("" if task.speed is None else _rate_words(task.speed))


@contextmanager
def progress(what: str, *, total: int) -> Iterator[Advance]:
    """Show how many of `total` are done, how many a second, and how long the rest takes at that rate.

    A bar on a terminal, else a line every two seconds.

    Yields
    ------
    advance : Advance
    """
    console = Console(stderr=True)
    if console.is_terminal:
        columns = (
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            _RateColumn(),
            TimeRemainingColumn(),
        )
        with Progress(*columns, console=console, transient=True) as bar:
            task = bar.add_task(what, total=total)

            def move_on(more: int = 1) -> None:
                bar.advance(task, more)

            yield move_on
        return
    done = 0
    began = told_at = time.monotonic()

    def advance(more: int = 1) -> None:
        nonlocal done, told_at
        done += more
        if time.monotonic() - told_at >= _SECONDS_BETWEEN_LINES:
            told_at = time.monotonic()
            a_second = done / (told_at - began)
            left = f", {timedelta(seconds=round((total - done) / a_second))} left" if done else ""
            console.print(f"{what}: {done} of {total}, {_rate_words(a_second)}{left}", highlight=False, soft_wrap=True)

    yield advance


def _rate_words(a_second: float) -> str:
    return f"{a_second:.1f} a second" if a_second >= 1 or a_second == 0 else f"one in {1 / a_second:.1f} s"

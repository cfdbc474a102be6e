"""How far a long command is, on stderr, so that what it prints can be piped."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, ProgressColumn, Task, TextColumn, TimeRemainingColumn
from rich.text import Text

__all__ = ["progress"]

_SECONDS_BETWEEN_LINES = 2.0


class _RateColumn(ProgressColumn):
    """How many are done a second, of late."""

    def render(self, task: Task) -> Text:
        return Text("" if task.speed is None else _rate_words(task.speed))


@contextmanager
def progress(what: str, *, total: int) -> Iterator[Callable[[], None]]:
    """Show how many of `total` are done, and how many a second: a bar on a terminal, else a line every two seconds.

    Yields
    ------
    advance : callable
        To be called after each one.
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
            yield lambda: bar.advance(task)
        return
    done = 0
    began = told_at = time.monotonic()

    def advance() -> None:
        nonlocal done, told_at
        done += 1
        if time.monotonic() - told_at >= _SECONDS_BETWEEN_LINES:
            told_at = time.monotonic()
            rate = _rate_words(done / (told_at - began))
            console.print(f"{what}: {done} of {total}, {rate}", highlight=False, soft_wrap=True)

    yield advance


def _rate_words(a_second: float) -> str:
    return f"{a_second:.1f} a second" if a_second >= 1 or a_second == 0 else f"one in {1 / a_second:.1f} s"

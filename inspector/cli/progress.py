"""How far a long command is, on stderr, so that what it prints can be piped."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

__all__ = ["progress"]

_SECONDS_BETWEEN_LINES = 2.0


@contextmanager
def progress(what: str, *, total: int) -> Iterator[Callable[[], None]]:
    """Show how many of `total` are done: a bar on a terminal, else a line every two seconds.

    Yields
    ------
    advance : callable
        To be called after each one.
    """
    console = Console(stderr=True)
    if console.is_terminal:
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        with Progress(*columns, console=console, transient=True) as bar:
            task = bar.add_task(what, total=total)
            yield lambda: bar.advance(task)
        return
    done = 0
    told_at = time.monotonic()

    def advance() -> None:
        nonlocal done, told_at
        done += 1
        if time.monotonic() - told_at >= _SECONDS_BETWEEN_LINES:
            told_at = time.monotonic()
            console.print(f"{what}: {done} of {total}", highlight=False, soft_wrap=True)

    yield advance

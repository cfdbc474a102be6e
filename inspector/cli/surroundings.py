"""What the commands need from outside, handed in so that tests can hand in something else."""

import getpass
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import typer

from inspector.cli.failing import warn
from inspector.inspection.engine import CLASSIC, ENGINE, Engine
from inspector.inspection.networks import CLASSIC_FAULT, FAULT
from inspector.log import LogPlace, acting_as
from inspector.settings import Comparison, read_settings
from inspector.workshop import DemoFolders, Workshop, find_demo_folders, place_of

__all__ = ["Surroundings", "choose_engine", "open_whole_workshop", "open_workshop", "open_workshop_at", "surroundings"]


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The world around a command."""

    engine: Engine = ENGINE
    classic: Engine = CLASSIC
    engine_fault: str | None = FAULT
    classic_fault: str | None = CLASSIC_FAULT
    find_demo_folders: Callable[[], DemoFolders] = find_demo_folders
    clock: Callable[[], float] = time.monotonic
    wait: Callable[[float], None] = time.sleep


def surroundings(context: typer.Context) -> Surroundings:
    """Find the surroundings of a command: those handed in, else the real ones."""
    handed_in = context.find_object(Surroundings)
    return Surroundings() if handed_in is None else handed_in


def choose_engine(context: typer.Context, asked: Comparison | None) -> Engine:
    """Find what inspects as `--engine`, the environment or the default say, and tell what of it cannot be used."""
    around = surroundings(context)
    classic = read_settings(engine=asked).engine == "classic"
    fault = around.classic_fault if classic else around.engine_fault
    if fault is not None:
        warn(fault)
    return around.classic if classic else around.engine


@contextmanager
def open_workshop(
    context: typer.Context,
    data_dir: Path | None,
    database: str | None,
    site: str | None,
    photos: str | None = None,
    *,
    engine: Engine | None = None,
) -> Iterator[Workshop]:
    """Open the workshop that `--data`, `--database`, `--site` and `--photos`, the environment or the default name.

    Commands that inspect say by which engine, as `choose_engine` gives it.

    Raises
    ------
    InputError
        If there is no such site, or there are several and none is named.
    """
    settings = read_settings(data_dir=data_dir, database=database, site=site, photos=photos)
    with open_workshop_at(context, place_of(settings), engine=engine) as whole:
        yield whole.at(whole.sites.chosen(settings.site).id)


@contextmanager
def open_whole_workshop(context: typer.Context, data_dir: Path | None, database: str | None) -> Iterator[Workshop]:
    """Open what `--data` and `--database`, the environment or the default name, with all sites that share it."""
    with open_workshop_at(context, place_of(read_settings(data_dir=data_dir, database=database))) as whole:
        yield whole


@contextmanager
def open_workshop_at(context: typer.Context, place: LogPlace, *, engine: Engine | None = None) -> Iterator[Workshop]:
    """Open the workshop that is kept in a place."""
    with acting_as(_user()), Workshop.open(place, engine=engine or surroundings(context).engine) as workshop:
        yield workshop


def _user() -> str | None:
    """Name of the person at this machine, under which the log keeps what is written."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # an account without a name, as in some containers
        return None

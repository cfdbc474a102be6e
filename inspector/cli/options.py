"""Options that several commands share, and how their values are read."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from inspector.errors import InputError
from inspector.settings import Comparison
from inspector.workshop import Month
from inspector.workshop.times import with_offset

__all__ = [
    "ClusterOption",
    "DataOption",
    "DatabaseOption",
    "EngineOption",
    "JsonFlag",
    "MoldOption",
    "PhotosOption",
    "SiteOption",
    "WhyOption",
    "read_file",
    "read_month",
    "read_time",
]

DataOption = Annotated[
    Path | None,
    typer.Option(
        "--data",
        metavar="DIR",
        help="Folder of the log and its photos. Default: the variable INSPECTOR_DATA, else your own data folder.",
    ),
]
DatabaseOption = Annotated[
    str | None,
    typer.Option(
        "--database",
        metavar="URL",
        help="A PostgreSQL server's database that keeps the log, as in postgresql+psycopg://user@host/name. Default: "
        "the variable INSPECTOR_DATABASE (best for one with a password), else a file in the folder of --data.",
    ),
]
PhotosOption = Annotated[
    str | None,
    typer.Option(
        "--photos",
        metavar="URL",
        help="An object store that keeps the photos, as in s3://bucket/prefix. Default: the variable INSPECTOR_PHOTOS, "
        "else the folder of --data.",
    ),
]
# Not in the help of each command: where there is one site nobody needs it; `inspector site` and refusals name it.
SiteOption = Annotated[str | None, typer.Option("--site", metavar="NAME", hidden=True)]
MoldOption = Annotated[str | None, typer.Option("--mold", metavar="NAME", help="Only this mold.")]
ClusterOption = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        metavar="ADDRESS",
        help="Scheduler of a Dask cluster whose workers inspect, as in tcp://hall-1:8786. Default: this machine's own "
        "cores.",
    ),
]
EngineOption = Annotated[
    Comparison | None,
    typer.Option(
        "--engine",
        help="How photos are compared: the classic way alone (outline, relief, dark lines), or both, with what was "
        "learned from examples. Default: the variable INSPECTOR_ENGINE, else both, which finds more.",
    ),
]
WhyOption = Annotated[str, typer.Option("--why", metavar="REASON", help="Why; it stays on record.")]
JsonFlag = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]


def read_time(text: str) -> datetime:
    """Read a time as ISO 8601 has it; without an offset it is this machine's local time."""
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is no time. Write year-month-day and hour:minute, as in 2026-05-04T16:30."
        ) from None
    try:
        return with_offset(at)
    except InputError as error:
        raise typer.BadParameter(str(error)) from None


def read_month(text: str) -> Month:
    """Read a month as ISO 8601 has it."""
    try:
        return Month.read(text)
    except InputError as error:
        raise typer.BadParameter(str(error)) from None


def read_file(path: Path) -> bytes:
    """Read a file that a command was given."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path} cannot be opened: {error.strerror or error}.") from error

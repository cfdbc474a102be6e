"""Options that several commands share, and how their values are read."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["DataOption", "JsonFlag", "MoldOption", "read_time"]

DataOption = Annotated[
    Path | None,
    typer.Option(
        "--data",
        metavar="DIR",
        help="Folder of the log and its photos. Default: the variable INSPECTOR_DATA, else your own data folder.",
    ),
]
MoldOption = Annotated[str | None, typer.Option("--mold", metavar="NAME", help="Only this mold.")]
JsonFlag = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]


def read_time(text: str) -> datetime:
    """Read a time as ISO 8601 has it; without an offset it is this machine's local time."""
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is no time. Write year-month-day and hour:minute, as in 2026-05-04T16:30."
        ) from None
    return at.astimezone() if at.tzinfo is None else at

"""`inspector due`: what can come out of its mold now, and when the rest can."""

import json
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, SiteOption, read_time
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import age_words, percent, time_words
from inspector.errors import InspectorError
from inspector.workshop import ASSUMED_DEGC, PRACTICE_START_FRACTION, DuePiece, due_calendar

__all__ = ["due"]


# Less than this is less than an hour of a second day: it is reckoned with, and not told.
_TOLD_FROM_PERCENT = 2


def due(
    context: typer.Context,
    at: Annotated[
        datetime | None,
        typer.Option("--at", parser=read_time, metavar="TIME", help="At this time, ISO 8601. Default: now."),
    ] = None,
    ics: Annotated[
        Path | None, typer.Option("--ics", metavar="FILE", help="Write the times as a calendar for the phone.")
    ] = None,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """List the pieces in their molds: what can come out now, and when the rest can.

    By the window of each mold, the equivalent age so far and the temperature expected. For ornamental pieces only: it
    never says when structural formwork may come off. Young concrete is damp and alkaline: gloves on.

    Example: inspector due --ics demolding.ics
    """
    now = at or datetime.now().astimezone()
    with open_workshop(context, data, database, site) as workshop:
        pieces = workshop.due(now=now)
    if ics is not None:
        _write(ics, due_calendar(pieces, now=datetime.now().astimezone()))
    if as_json:
        typer.echo(json.dumps([_object(piece) for piece in pieces], indent=2))
        return
    if not pieces:
        typer.echo("No mold is filled, as far as the log knows. `inspector pour add` tells it of a pour.")
    else:
        _show(pieces)
    if ics is not None:
        typer.echo(f"The times are in {ics}.")


def _show(pieces: Sequence[DuePiece]) -> None:
    table = Table("mold", "pour", "age", "equivalent age", "strength now", "needed", "can come out", "at the latest")
    for piece in pieces:
        table.add_row(
            piece.mold,
            str(piece.pour_id),
            age_words(piece.age_h),
            age_words(piece.equivalent_age_h),
            f"{percent(piece.strength_fraction)} ({percent(piece.strength_low)} to {percent(piece.strength_high)})",
            f"{percent(piece.needed_fraction)}{' *' if piece.from_practice else ''}",
            _when(piece),
            "" if piece.latest_at is None else time_words(piece.latest_at),
        )
    Console().print(table)
    if any(piece.from_practice for piece in pieces):
        typer.echo(
            f"* Not enough evidence yet: a start from practice, {percent(PRACTICE_START_FRACTION)} of the 28-day "
            "strength unless the mold's own pieces say otherwise. Begin with pieces that you can spare."
        )
    assumed = sorted({piece.pour_id for piece in pieces if piece.temperature_assumed})
    if assumed:
        typer.echo(
            f"Nobody wrote down how warm pour {', '.join(map(str, assumed))} was: the expected temperature is taken, "
            f"{ASSUMED_DEGC:g} degC where none is."
        )
    for piece in pieces:
        change = round(100 * (piece.mix_factor - 1))
        if abs(change) >= _TOLD_FROM_PERCENT:
            typer.echo(
                f"{piece.mold}, pour {piece.pour_id}: {_mix(piece.mix)} needs {abs(change)} % "
                f"{'more' if change > 0 else 'less'} strength than {_mix(piece.window_mix)}, which the window was "
                "worked out for."
            )
        for warning in piece.warnings:
            typer.echo(f"{piece.mold}, pour {piece.pour_id}: {warning}")


def _mix(name: str | None) -> str:
    return "an unknown mix" if name is None else name


def _when(piece: DuePiece) -> str:
    if piece.ready:
        return f"now, since {time_words(piece.ready_at)}"
    return "not at this temperature" if piece.ready_at is None else time_words(piece.ready_at)


def _object(piece: DuePiece) -> dict[str, Any]:
    return {
        "mold": piece.mold,
        "pour": piece.pour_id,
        "mix": piece.mix,
        "poured_at": piece.poured_at.isoformat(),
        "age_h": round(piece.age_h, 3),
        "equivalent_age_h": round(piece.equivalent_age_h, 3),
        "strength_fraction": piece.strength_fraction,
        "low": piece.strength_low,
        "high": piece.strength_high,
        "needed_fraction": piece.needed_fraction,
        "window_mix": piece.window_mix,
        "mix_factor": piece.mix_factor,
        "from_practice": piece.from_practice,
        "ready": piece.ready,
        "ready_at": _iso(piece.ready_at),
        "cheapest_at": _iso(piece.cheapest_at),
        "latest_at": _iso(piece.latest_at),
        "temperature_assumed": piece.temperature_assumed,
        "warnings": list(piece.warnings),
    }


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat(timespec="seconds")


def _write(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise InspectorError(f"The calendar {path} could not be written: {error.strerror or error}.") from error

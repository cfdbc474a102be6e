"""`inspector history`: who changed what in the log, when, and from what to what."""

import json
from dataclasses import asdict
from typing import Annotated, Any

import typer

from inspector.cli.options import DatabaseOption, DataOption, JsonFlag
from inspector.log import Change, list_changes, open_log
from inspector.settings import read_settings
from inspector.workshop import place_of

__all__ = ["history"]

_MOST_SIGNS = 60


def history(
    what: Annotated[
        str | None, typer.Argument(metavar="[WHAT]", help="Only this: piece, finding, review, pour, mold_setting, ...")
    ] = None,
    number: Annotated[int | None, typer.Argument(metavar="[NUMBER]", help="Only the one of this number.")] = None,
    limit: Annotated[int, typer.Option("--limit", min=1, metavar="N", help="How many at most.")] = 50,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
) -> None:
    """List what was added, changed or removed in the log, newest first, with who did it and what stood there before.

    Example: inspector history piece 12
    """
    opened = open_log(place_of(read_settings(data_dir=data, database=database)))
    try:
        with opened.reading() as session:
            changes = list_changes(session, row_table=what, row_id=number, limit=limit)
    finally:
        opened.close()
    if as_json:
        rows = [{**asdict(change), "at": change.at.isoformat()} for change in changes]
        typer.echo(json.dumps(rows, indent=2, ensure_ascii=False))
        return
    for change in changes:
        who = change.by or "nobody named"
        typer.echo(
            f"{change.at.astimezone():%Y-%m-%d %H:%M:%S}  {who}: {change.row_table} {change.row_id} {change.did}"
        )
        for line in _differences(change):
            typer.echo(f"    {line}")
    if not changes:
        typer.echo("The history tells of no such change.")


def _differences(change: Change) -> list[str]:
    before, after = change.before or {}, change.after or {}
    names = dict.fromkeys([*before, *after])
    if change.did == "added":
        return [f"{name}: {_short(after[name])}" for name in names if name != "id"]
    return [
        f"{name}: {_short(before.get(name))} -> {_short(after.get(name))}"
        for name in names
        if before.get(name) != after.get(name)
    ]


def _short(value: Any) -> str:
    text = "nothing" if value is None else str(value)
    return text if len(text) <= _MOST_SIGNS else f"{text[:_MOST_SIGNS]}..."

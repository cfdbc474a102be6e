"""`inspector window`: when to demold, mold by mold, and how sure that is."""

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, SiteOption
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import time_words
from inspector.risk import Interval
from inspector.workshop import ExpectedCure, MoldWindow

__all__ = ["TemperatureOption", "WetOption", "window"]

TemperatureOption = Annotated[
    float | None,
    typer.Option(
        "--temperature-c", metavar="DEGC", help="Temperature of the cure; by default that expected, else 20 degC."
    ),
]
WetOption = Annotated[
    float | None,
    typer.Option(
        "--wet-until-h", min=0, metavar="H", help="Kept wet until this age, then dry; by default wet until demolding."
    ),
]


def window(
    context: typer.Context,
    mold: Annotated[str | None, typer.Argument(metavar="[MOLD]", help="Only this mold.")] = None,
    temperature_c: TemperatureOption = None,
    wet_until_h: WetOption = None,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Work out when to demold: from which age on, until when waiting pays, at which age a good piece costs least.

    A window that changed is written down with the evidence that caused it, unless you ask for another temperature or
    cure. For ornamental pieces only; a young piece is damp and alkaline: wear gloves.

    Example: inspector window wading-bird --temperature-c 12
    """
    cure = ExpectedCure(temperature_degc=temperature_c, wet_until_h=wet_until_h)
    now = datetime.now().astimezone()
    with open_workshop(context, data, database, site) as workshop:
        losses = workshop.losses
        if mold is None:
            windows: Sequence[MoldWindow] = losses.windows(now=now, cure=cure)
        else:
            windows = [losses.window(mold, now=now, cure=cure)]
        changed = losses.keep_windows(windows, now=now) if cure == ExpectedCure() else ()
    if as_json:
        objects = [item.as_json() for item in windows]
        typer.echo(json.dumps(objects if mold is None else objects[0], indent=2))
        return
    if not windows:
        typer.echo("No molds yet. Add one with `inspector mold add`.")
        return
    _show(windows)
    for item in windows:
        typer.echo(f"{item.mold}: {item.advice}")
        if item.learnt_also:
            typer.echo(f"  {item.learnt_also}")
        if item.window.verdict == "never under the target":
            typer.echo(f"  Why its pieces are lost: inspector trends {item.mold}")
    if mold is not None:
        _show_more(windows[0])
    if any(item.costs_assumed for item in windows):
        typer.echo(
            "Where nobody told what a piece and the mold's time cost, a mold hour is taken as a 400th of a piece. "
            "Say it with `inspector mold set`."
        )
    if changed:
        names = ", ".join(change.window.mold for change in changed)
        typer.echo(f"Written down as changed: {names}.")


def _show(windows: Sequence[MoldWindow]) -> None:
    table = Table(
        "mold", "pieces", "lost", "from", "cheapest", "until", "loss then", "target", "evidence", title="When to demold"
    )
    for item in windows:
        found = item.window
        table.add_row(
            item.mold,
            str(found.pieces),
            str(found.lost),
            _hours(found.earliest_h),
            _hours(found.cheapest_h),
            _hours(found.latest_h),
            _share(found.loss_at_earliest),
            f"{found.target_loss:.1%}".replace("%", " %"),
            "enough" if found.verdict == "settled" else "not enough",
        )
    Console().print(table)


def _show_more(item: MoldWindow) -> None:
    if item.features:
        table = Table("feature", "lost", "from", "loss at the mold's window", title="By feature")
        for feature in item.features:
            table.add_row(feature.name, str(feature.lost), _hours(feature.earliest_h), _share(feature.loss_at_earliest))
        Console().print(table)
    if item.history:
        table = Table(
            "changed", "from", "until", "at", "worked out from", "afterwards", "opened too early",
            title="Windows so far, and what came of them",
        )  # fmt: skip
        for kept in item.history:
            table.add_row(
                time_words(kept.at),
                _hours(kept.earliest_h),
                _hours(kept.latest_h),
                f"{kept.temperature_degc:g} degC",
                f"{kept.lost_before} of {kept.pieces_before} lost",
                f"{kept.lost_after} of {kept.pieces_after} lost",
                str(kept.too_early_after),
            )
        Console().print(table)


def _hours(age_h: float | None) -> str:
    return "-" if age_h is None else f"{age_h:.0f} h"


def _share(share: Interval | None) -> str:
    if share is None:
        return "-"
    return f"{100 * share.mean:.1f} % ({100 * share.low:.1f} to {100 * share.high:.1f})"

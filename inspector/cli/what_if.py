"""`inspector what-if`: what another age, temperature or cure would change."""

import json
from datetime import datetime
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.failing import WrongUsageError
from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, SiteOption
from inspector.cli.surroundings import open_workshop
from inspector.cli.windows import TemperatureOption, WetOption
from inspector.risk import Interval
from inspector.workshop import ExpectedCure

__all__ = ["what_if"]


def what_if(
    context: typer.Context,
    mold: Annotated[str, typer.Argument(metavar="MOLD", help="The mold.")],
    age_h: Annotated[
        float | None, typer.Option("--age-h", metavar="H", help="Demold at this age; by default as now.")
    ] = None,
    instead_of_h: Annotated[
        float | None,
        typer.Option("--instead-of-h", metavar="H", help="Age to compare with; by default the median of late."),
    ] = None,
    temperature_c: TemperatureOption = None,
    colder_by_c: Annotated[
        float, typer.Option("--colder-by-c", metavar="DEGC", help="So many degrees colder than expected.")
    ] = 0.0,
    wet_until_h: WetOption = None,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Compare how a mold is demolded now with another age, temperature or cure: expected loss and cost.

    Example: inspector what-if wading-bird --age-h 48 --instead-of-h 24
    """
    if age_h is None and temperature_c is None and wet_until_h is None and colder_by_c == 0:
        raise WrongUsageError("Say what would be otherwise: --age-h, --temperature-c, --colder-by-c or --wet-until-h.")
    cure = ExpectedCure(temperature_degc=temperature_c, wet_until_h=wet_until_h)
    with open_workshop(context, data, database, site) as workshop:
        found = workshop.losses.what_if(
            mold,
            now=datetime.now().astimezone(),
            age_h=age_h,
            instead_of_h=instead_of_h,
            cure=cure,
            colder_by_degc=colder_by_c,
        )
    if as_json:
        typer.echo(json.dumps(found.as_json(), indent=2))
        return
    table = Table("", "age", "temperature", "wet until", "strength", "lost", "cost of a good piece", title=mold)
    for name, way in (("now", found.now), ("instead", found.instead)):
        table.add_row(
            name,
            f"{way.age_h:.0f} h",
            f"{way.temperature_degc:g} degC",
            "demolding" if way.wet_until_h is None else f"{way.wet_until_h:g} h",
            f"{100 * way.strength_fraction:.0f} %",
            _percent(way.loss),
            _cost(way.cost_per_good_piece),
        )
    change = found.loss_change
    table.add_row(
        "change", "", "", "", "", f"{100 * change.mean:+.1f} ({100 * change.low:+.1f} to {100 * change.high:+.1f})",
        f"{found.cost_change.mean:+,.2f} ({found.cost_change.low:+,.2f} to {found.cost_change.high:+,.2f})",
    )  # fmt: skip
    Console().print(table)
    typer.echo(found.sentence)
    if found.costs_assumed:
        typer.echo("Costs are in pieces, a mold hour as a 400th of one. Say yours with `inspector mold set`.")


def _percent(share: Interval) -> str:
    return f"{100 * share.mean:.1f} % ({100 * share.low:.1f} to {100 * share.high:.1f})"


def _cost(cost: Interval) -> str:
    return f"{cost.mean:,.2f} ({cost.low:,.2f} to {cost.high:,.2f})"

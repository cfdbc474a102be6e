"""`inspector mix` and `inspector pour`: recipes, and batches placed into molds."""

import json
from datetime import datetime
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, MoldOption, SiteOption, read_time
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import time_words
from inspector.workshop import CEMENT_CLASSES, Admixture

__all__ = ["mix_app", "pour_app"]

mix_app = typer.Typer(no_args_is_help=True, help="Mixes: the recipes that are poured.")
pour_app = typer.Typer(no_args_is_help=True, help="Pours: batches of a mix placed into molds.")


def _read_admixture(text: str) -> Admixture:
    name, equals, dose = text.rpartition("=")
    try:
        if not equals:
            raise ValueError(text)
        return Admixture(name=name.strip(), dose_percent=float(dose.strip().removesuffix("%")))
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is no admixture with its dose. Write NAME=PERCENT of the cement's mass, as in plasticizer=0.8."
        ) from None


@mix_app.command("add")
def add_mix(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the mix.")],
    cement_class: Annotated[
        str,
        typer.Option(
            "--cement-class",
            metavar="|".join(CEMENT_CLASSES),
            help="How fast the cement hardens: S slow, N normal, R rapid (on the bag: 42.5 N, 52.5 R, ...).",
        ),
    ],
    water_cement_ratio: Annotated[
        float, typer.Option("--water-cement-ratio", metavar="RATIO", help="Mass of water over mass of cement.")
    ],
    aggregate: Annotated[str, typer.Option("--aggregate", help="Sand and stone, with sizes.")] = "",
    admixture: Annotated[
        list[Admixture] | None,
        typer.Option(
            "--admixture",
            parser=_read_admixture,
            metavar="NAME=PERCENT",
            help="Admixture with its dose in percent of the cement's mass; may be repeated.",
        ),
    ] = None,
    fibres: Annotated[str, typer.Option("--fibres", help="Kind, length and dose of fibres.")] = "",
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Register a mix. Fresh cement burns skin and eyes: gloves and goggles, wash splashes off at once.

    Example: inspector mix add buff --cement-class R --water-cement-ratio 0.42 --admixture plasticizer=0.8
    """
    known = {item: item for item in CEMENT_CLASSES}
    if cement_class not in known:
        raise typer.BadParameter(f"{cement_class!r} is no cement class. Use {' or '.join(CEMENT_CLASSES)}.")
    with open_workshop(context, data, database, site) as workshop:
        mix = workshop.add_mix(
            name,
            cement_class=known[cement_class],
            water_cement_ratio=water_cement_ratio,
            aggregate=aggregate,
            admixtures=admixture or [],
            fibres=fibres,
        )
    typer.echo(f"Mix {mix.name} is in the log.")


@mix_app.command("list")
def list_mixes(
    context: typer.Context,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """List the mixes.

    Example: inspector mix list
    """
    with open_workshop(context, data, database, site) as workshop:
        mixes = workshop.mixes()
    if as_json:
        typer.echo(
            json.dumps(
                [
                    {
                        "mix": mix.name,
                        "cement_class": mix.cement_class,
                        "water_cement_ratio": mix.water_cement_ratio,
                        "aggregate": mix.aggregate,
                        "admixtures": [
                            {"name": item.name, "dose_percent": item.dose_percent} for item in mix.admixtures
                        ],
                        "fibres": mix.fibres,
                    }
                    for mix in mixes
                ],
                indent=2,
            )
        )
        return
    if not mixes:
        typer.echo("No mixes yet. Add one with `inspector mix add`.")
        return
    table = Table("mix", "cement class", "water-cement ratio", "aggregate", "admixtures", "fibres")
    for mix in mixes:
        admixtures = ", ".join(f"{item.name} {item.dose_percent:g} %" for item in mix.admixtures)
        table.add_row(mix.name, mix.cement_class, f"{mix.water_cement_ratio:g}", mix.aggregate, admixtures, mix.fibres)
    Console().print(table)


@pour_app.command("add")
def add_pour(
    context: typer.Context,
    mix: Annotated[str, typer.Option("--mix", metavar="NAME", help="The mix that was poured.")],
    molds: Annotated[
        list[str], typer.Option("--mold", metavar="NAME", help="A mold that was filled; may be repeated.")
    ],
    poured_at: Annotated[
        datetime | None,
        typer.Option("--poured-at", parser=read_time, metavar="TIME", help="When, ISO 8601. Default: now."),
    ] = None,
    cure: Annotated[str, typer.Option("--cure", help="How it is cured: covered, sprayed, heated, ...")] = "",
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Register a pour. Fresh concrete burns skin and eyes: gloves and goggles, wash splashes off at once.

    Example: inspector pour add --mix buff --mold oak-leaf --mold finial --poured-at 2026-05-04T16:30 --cure covered
    """
    with open_workshop(context, data, database, site) as workshop:
        pour = workshop.add_pour(
            mix=mix, molds=molds, poured_at=poured_at or datetime.now().astimezone(), cure_notes=cure
        )
    typer.echo(f"Pour {pour.id} of {pour.mix} into {', '.join(pour.molds)} at {time_words(pour.poured_at)}.")


@pour_app.command("list")
def list_pours(
    context: typer.Context,
    mold: MoldOption = None,
    limit: Annotated[int | None, typer.Option("--limit", min=1, metavar="N", help="Only the latest N.")] = None,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """List pours, latest first.

    Example: inspector pour list --mold oak-leaf
    """
    with open_workshop(context, data, database, site) as workshop:
        pours = workshop.pours(limit=limit) if mold is None else workshop.pours_into(mold, limit=limit)
    if as_json:
        typer.echo(
            json.dumps(
                [
                    {
                        "pour": pour.id,
                        "mix": pour.mix,
                        "poured_at": pour.poured_at.isoformat(),
                        "molds": list(pour.molds),
                        "cure_notes": pour.cure_notes,
                        "pieces": pour.pieces,
                    }
                    for pour in pours
                ],
                indent=2,
            )
        )
        return
    if not pours:
        typer.echo("No pours yet. Add one with `inspector pour add`.")
        return
    table = Table("pour", "mix", "poured at", "molds", "cure", "pieces")
    for pour in pours:
        table.add_row(
            str(pour.id),
            pour.mix or "unknown",
            time_words(pour.poured_at),
            ", ".join(pour.molds),
            pour.cure_notes,
            str(pour.pieces),
        )
    Console().print(table)

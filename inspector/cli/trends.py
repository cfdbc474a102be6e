"""`inspector trends`: how losses went and why, in a sentence each, with pictures if wanted."""

import json
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, PhotosOption, SiteOption
from inspector.cli.progress import progress
from inspector.cli.surroundings import open_workshop
from inspector.errors import InspectorError
from inspector.workshop import MONTH_COLUMNS, MoldTrends, ShopTrends, Workshop

__all__ = ["trends"]


# Written with one decimal, a smaller factor reads as none.
_HARDLY_A_FACTOR = 1.05


def trends(
    context: typer.Context,
    mold: Annotated[str | None, typer.Argument(metavar="[MOLD]", help="Only this mold.")] = None,
    pictures: Annotated[
        Path | None,
        typer.Option(
            "--pictures",
            metavar="DIR",
            help="Write for each mold a PDF with its pictures and their numbers, and each picture as SVG.",
        ),
    ] = None,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
    site: SiteOption = None,
) -> None:
    """Tell how losses went and why: opened too early, a worn mold, a bad pour, or cold.

    Losses are held against what the age, temperature and cure of each piece made likely.

    Example: inspector trends wading-bird --pictures out/
    """
    now = datetime.now().astimezone()
    with open_workshop(context, data, database, site, store) as workshop:
        found = workshop.losses.trends(now=now, mold=mold)
        written = [] if pictures is None else _write_pictures(workshop, found, pictures, now=now)
    if as_json:
        objects = [item.as_json() for item in found.molds]
        typer.echo(json.dumps(objects if mold is None else objects[0], indent=2))
        return
    for item in found.molds:
        _show(item, months=mold is not None)
    if mold is None:
        _show_shop(found)
    for path in written:
        typer.echo(f"Written: {path}")


def _write_pictures(workshop: Workshop, found: ShopTrends, folder: Path, *, now: datetime) -> list[Path]:
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with progress("Drawing", total=len(found.molds)) as advance:
            for item in found.molds:
                drawn = workshop.loss_pictures(workshop.losses.window(item.mold, now=now), item)
                for picture in drawn.pictures:
                    (folder / f"{item.mold}-{picture.name}.svg").write_bytes(picture.svg())
                path = folder / f"{item.mold}.pdf"
                path.write_bytes(drawn.pdf())
                written.append(path)
                advance()
    except OSError as error:
        raise InspectorError(f"The pictures could not be written to {folder}: {error.strerror or error}.") from error
    return written


def _show(item: MoldTrends, *, months: bool) -> None:
    typer.echo(f"{item.mold}: {item.lost} of {item.pieces} lost, {item.expected:.1f} expected.")
    if item.learnt_also:
        typer.echo(f"  {item.learnt_also}")
    for sentence in item.sentences:
        typer.echo(f"  {sentence}")
    if item.alarm_at is not None:
        typer.echo(
            f"  Seen by the running sum on {item.alarm_at.day} {item.alarm_at:%B %Y}; a sound mold gives a false "
            f"alarm every {item.false_alarm_every:.0f} pieces."
        )
    if not months:
        return
    if any(feature.lost for feature in item.features):
        table = Table("feature", "lost", "of all pieces", title="Where pieces break")
        for feature in sorted(item.features, key=lambda feature: -feature.lost):
            table.add_row(feature.name, str(feature.lost), f"{100 * feature.share:.1f} %")
        Console().print(table)
    table = Table(*MONTH_COLUMNS, title="Lost by month")
    for month in item.months:
        table.add_row(*month.cells)
    Console().print(table)


def _show_shop(found: ShopTrends) -> None:
    if found.effects:
        table = Table("condition", "strength needed", "90 % interval", title="What else matters")
        for effect in found.effects:
            change = effect.strength_change
            table.add_row(
                effect.name, f"{100 * change.mean:+.0f} %", f"{100 * change.low:+.0f} to {100 * change.high:+.0f} %"
            )
        Console().print(table)
    if found.pour_factor < _HARDLY_A_FACTOR:
        typer.echo("Pours lose no more or less than ages, mixes and cures explain.")
    else:
        typer.echo(
            f"Pours differ by a factor of {found.pour_factor:.1f} in their odds of loss (one standard deviation)."
        )

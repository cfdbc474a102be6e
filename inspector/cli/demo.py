"""`inspector demo`: a workshop to look at, built from the sample photos."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Column, Table

from inspector.cli.options import DatabaseOption, DataOption
from inspector.cli.progress import progress
from inspector.cli.serving import HostOption, PortOption, serve_pages
from inspector.cli.surroundings import choose_engine, open_workshop_at, surroundings
from inspector.cli.words import age_words, kinds_words
from inspector.settings import DEFAULT_HOST, DEFAULT_PORT, read_settings
from inspector.workshop import (
    DEMO_HALF_YEARS,
    DemoPhoto,
    Recorded,
    add_demo_molds,
    add_demo_past,
    fill_demo_molds,
    place_of,
    read_demo_photos,
    record_demo_photos,
)

__all__ = ["demo"]


def demo(
    context: typer.Context,
    no_serve: Annotated[bool, typer.Option("--no-serve", help="Build and print only.")] = False,
    host: HostOption = DEFAULT_HOST,
    port: PortOption = DEFAULT_PORT,
    data: DataOption = None,
    database: DatabaseOption = None,
) -> None:
    """Build the demo workshop, inspect the sample photos, print what was found and serve the review pages.

    Without --data it goes into a folder `demo` of its own, away from your log. Doing it again adds nothing.

    Example: inspector demo --no-serve
    """
    settings = read_settings(data_dir=data, host=host, port=port)
    if data is None:
        settings = read_settings(data_dir=settings.data_dir / "demo", host=host, port=port)
    # Only one that is named for it: what INSPECTOR_DATABASE and INSPECTOR_PHOTOS name holds your own log.
    settings = replace(settings, database=database, photos=None)
    folders = surroundings(context).find_demo_folders()
    photos = read_demo_photos(folders.photos)
    named = f'--data "{settings.data_dir}"' + (" --database URL" if database else "")
    with open_workshop_at(context, place_of(settings), engine=choose_engine(context, None)) as workshop:
        typer.echo(f"Building the demo workshop in {place_of(settings)}.")
        with progress("Setting up molds", total=len(folders.molds)) as advance:
            for _ in add_demo_molds(workshop, folders.molds):
                advance()
        with progress("Inventing half years of pours", total=DEMO_HALF_YEARS) as advance:
            past = 0
            for pieces in add_demo_past(workshop):
                past += pieces
                advance()
        results = []
        with progress("Inspecting sample photos", total=len(photos)) as advance:
            for result in record_demo_photos(workshop, photos):
                results.append(result)
                advance()
        filled = fill_demo_molds(workshop, now=datetime.now().astimezone())
    _show(results)
    if past:
        typer.echo(f"Before them come two years of pours with {past} pieces, invented as well: look at them with")
        typer.echo(f"  inspector window {named}")
        typer.echo(f"  inspector trends {named}")
        typer.echo(
            "The photos were chosen to show damage, two in three of them: trends see that as losses of their month."
        )
    if filled:
        typer.echo("The molds are filled again: see what can come out, and when, with")
        typer.echo(f"  inspector due {named}")
    if no_serve:
        typer.echo(f"Look at it with: inspector serve {named}")
    else:
        serve_pages(settings)


def _show(results: Sequence[tuple[DemoPhoto, Recorded]]) -> None:
    photo_column = Column("photo", no_wrap=True, overflow="fold")
    table = Table(photo_column, "demold age", "found", "truth", title="Demo workshop, all of it invented")
    for photo, recorded in results:
        piece = recorded.detail.piece
        table.add_row(photo.path.name, age_words(piece.demold_age_h), _found(recorded), _truth(photo))
    Console().print(table)
    tally = Counter(
        (bool(photo.defects), bool(recorded.detail.piece.kinds))
        for photo, recorded in results
        if photo.unusable is None
    )
    broken, good = tally[True, True] + tally[True, False], tally[False, True] + tally[False, False]
    typer.echo(
        f"Of {broken} photos of pieces with a defect {tally[True, True]} were flagged; "
        f"of {good} without one {tally[False, False]} were not."
    )
    unusable = [recorded.detail.piece.unusable_photos for photo, recorded in results if photo.unusable is not None]
    if unusable:
        typer.echo(f"Of {len(unusable)} photos made unusable on purpose {sum(unusable)} were told to be.")
    logged_before = sum(recorded.already_logged for _, recorded in results)
    if logged_before:
        typer.echo(f"{logged_before} of {len(results)} photos were in the log before; nothing was added for them.")


def _found(recorded: Recorded) -> str:
    piece = recorded.detail.piece
    return "not inspected" if piece.unusable_photos else kinds_words(piece.kinds)


def _truth(photo: DemoPhoto) -> str:
    if photo.unusable is not None:
        return f"photo made unusable: {photo.unusable}"
    return kinds_words(photo.defects)

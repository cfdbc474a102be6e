"""`inspector record`: inspect photos of pieces and log them."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from inspector.cli.failing import FAILED, WrongUsageError, warn
from inspector.cli.options import DataOption, read_time
from inspector.cli.progress import progress
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import age_words, count_words, describe_finding
from inspector.errors import InspectorError
from inspector.workshop import PieceFacts, Recorded, Workshop

__all__ = ["record"]


def record(
    context: typer.Context,
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos of demolded pieces.")],
    mold: Annotated[str, typer.Option("--mold", metavar="NAME", help="The mold that the pieces came out of.")],
    pour: Annotated[
        int | None,
        typer.Option("--pour", metavar="N", help="The pour; without it the demold age is unknown."),
    ] = None,
    demolded_at: Annotated[
        datetime | None,
        typer.Option(
            "--demolded-at", parser=read_time, metavar="TIME", help="When, ISO 8601. Default: the photo's time."
        ),
    ] = None,
    view: Annotated[
        str | None, typer.Option("--view", metavar="VIEW", help="Camera side. Default: the one that fits.")
    ] = None,
    piece: Annotated[
        int | None,
        typer.Option("--piece", metavar="N", help="The photos show this piece of the log. Default: new pieces."),
    ] = None,
    data: DataOption = None,
) -> None:
    """Inspect photos of demolded pieces and log what was found.

    Each photo is one new piece, unless --piece says which one it shows. The same photo twice is logged once. A
    photo that cannot be judged is kept too, with the reason. Exit status: 0 all inspected, 1 something went
    wrong with at least one photo (the others are logged), 2 wrong usage.

    Example: inspector record monday/*.jpg --mold oak-leaf --pour 12 --demolded-at 2026-05-05T17:00
    """
    failed = False
    with open_workshop(context, data) as workshop:
        _refuse_what_never_fits(workshop, mold=mold, pour=pour)
        facts = PieceFacts(mold=mold, pour_id=pour, demolded_at=demolded_at, piece_id=piece, view=view)
        with progress("Inspecting", total=len(photos)) as advance:
            for result in workshop.record_files([(path, facts) for path in photos]):
                if result.recorded is None:
                    warn(f"{result.path} is not logged: {result.refusal}")
                    failed = True
                else:
                    failed = not _show(result.path, result.recorded) or failed
                advance()
    if failed:
        raise typer.Exit(FAILED)


def _refuse_what_never_fits(workshop: Workshop, *, mold: str, pour: int | None) -> None:
    try:
        workshop.mold(mold)
        if pour is not None:
            workshop.pour(pour)
    except InspectorError as error:
        raise WrongUsageError(str(error)) from error


def _show(path: Path, recorded: Recorded) -> bool:
    """Tell what was logged; False if the photo could not be inspected."""
    piece = recorded.detail.piece
    number = next(index for index, photo in enumerate(recorded.detail.photos) if photo.id == recorded.photo_id)
    inspection = recorded.detail.inspections[number]
    was = " was logged before as" if recorded.already_logged else ":"
    head = f"{path}{was} piece {piece.id}, demold age {age_words(piece.demold_age_h)}"
    if inspection is None or inspection.status == "unusable":
        typer.echo(f"{head}: not inspected. {'' if inspection is None else inspection.reason}")
    else:
        typer.echo(f"{head}: {count_words(len(inspection.findings), 'finding')}")
        for finding in inspection.findings:
            typer.echo(f"  {describe_finding(finding)}")
        for warning in inspection.warnings:
            typer.echo(f"  Note: {warning}")
    for note in recorded.notes:
        typer.echo(f"  Note: {note}")
    return inspection is not None and inspection.status == "inspected"

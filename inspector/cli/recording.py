"""`inspector record`: inspect photos of pieces and log them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from inspector.cli.failing import FAILED, WrongUsageError, warn
from inspector.cli.options import DatabaseOption, DataOption, EngineOption, PhotosOption, SiteOption, read_time
from inspector.cli.progress import progress
from inspector.cli.surroundings import choose_engine, open_workshop
from inspector.cli.words import age_words, count_words, describe_finding, percent
from inspector.errors import InspectorError
from inspector.workshop import Piece, PieceFacts, Recorded, Workshop

__all__ = ["Said", "record", "record_photos", "refuse_what_never_fits"]


@dataclass(frozen=True, slots=True)
class Said:
    """What the command line says about the pieces on photos."""

    mold: str | None = None
    """None: recognise it."""
    pour: int | None = None
    demolded_at: datetime | None = None
    view: str | None = None
    piece: int | None = None

    def facts(self, mold: str, view: str | None) -> PieceFacts:
        """The same about a photo whose mold and view are known."""
        return PieceFacts(
            mold=mold, pour_id=self.pour, demolded_at=self.demolded_at, piece_id=self.piece, view=self.view or view
        )


def record(
    context: typer.Context,
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos of demolded pieces.")],
    mold: Annotated[
        str | None,
        typer.Option(
            "--mold", metavar="NAME", help="The mold that the pieces came out of. Default: the one recognised."
        ),
    ] = None,
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
    engine: EngineOption = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
    site: SiteOption = None,
) -> None:
    """Inspect photos of demolded pieces and log what was found.

    Each photo is one new piece, unless --piece says which one it shows. The same photo twice is logged once. A
    photo that cannot be judged is kept too, with the reason. Without --mold each photo is recognised among the
    registered molds, with --pour among those that it filled; one that is not sure is told and not logged. Exit status:
    0 all inspected, 1 something went wrong with at least one photo (the others are logged), 2 wrong usage.

    Example: inspector record monday/*.jpg --mold oak-leaf --pour 12 --demolded-at 2026-05-05T17:00

    Example: inspector record monday/*.jpg
    """
    with open_workshop(context, data, database, site, store, engine=choose_engine(context, engine)) as workshop:
        refuse_what_never_fits(workshop, mold=mold, pour=pour)
        said = Said(mold=mold, pour=pour, demolded_at=demolded_at, view=view, piece=piece)
        outcomes = record_photos(workshop, photos, said)
    if not all(outcomes):
        raise typer.Exit(FAILED)


def record_photos(workshop: Workshop, photos: Sequence[Path], said: Said) -> list[bool]:
    """Record photos, recognising their molds where none is said, and tell what became of each.

    Returns
    -------
    outcomes : list of bool
        One a photo: whether it was inspected and is in the log. Photos of one mold are recorded one after another.
    """
    mold = said.mold
    if mold is None and said.piece is not None:
        mold = workshop.piece(said.piece).piece.mold
    outcomes = []
    if mold is not None:
        files = [(path, said.facts(mold, None)) for path in photos]
    else:
        files = []
        with progress("Recognising", total=len(photos)) as advance:
            for found in workshop.recognise_files(photos, pour_id=said.pour, view=said.view):
                if found.mold is None:
                    warn(f"{found.path} is not logged: {found.refusal}")
                    outcomes.append(False)
                else:
                    files.append((found.path, said.facts(found.mold, found.view)))
                advance()
        files.sort(key=lambda file: (file[1].mold, file[1].view or ""))  # each mold's references are prepared once
    with progress("Inspecting", total=len(files)) as advance:
        for result in workshop.record_files(files):
            if result.recorded is None:
                warn(f"{result.path} is not logged: {result.refusal}")
                outcomes.append(False)
            else:
                outcomes.append(_show(result.path, result.recorded, name_mold=said.mold is None))
                _tell_strength(workshop, result.recorded.detail.piece)
            advance()
    return outcomes


def refuse_what_never_fits(workshop: Workshop, *, mold: str | None, pour: int | None) -> None:
    """Refuse a mold or a pour that is not in the log, before any photo is read."""
    try:
        if mold is not None:
            workshop.mold(mold)
        if pour is not None:
            workshop.pour(pour)
    except InspectorError as error:
        raise WrongUsageError(str(error)) from error


def _tell_strength(workshop: Workshop, piece: Piece) -> None:
    """Tell how old and strong a piece was when it left its mold, where the log knows."""
    known = workshop.curing.demold_strengths([piece]).get(piece.id)
    if known is not None:
        assumed = "; nobody wrote down how warm it was" if known.temperature_assumed else ""
        typer.echo(
            f"  As old as {age_words(known.equivalent_age_h)} at 20 degC, with about "
            f"{percent(known.strength_fraction)} of its 28-day strength{assumed}."
        )


def _show(path: Path, recorded: Recorded, *, name_mold: bool) -> bool:
    """Tell what was logged; False if the photo could not be inspected."""
    piece = recorded.detail.piece
    number = next(index for index, photo in enumerate(recorded.detail.photos) if photo.id == recorded.photo_id)
    inspection = recorded.detail.inspections[number]
    was = " was logged before as" if recorded.already_logged else ":"
    mold = f" {piece.mold}," if name_mold else ""
    head = f"{path}{was}{mold} piece {piece.id}, demold age {age_words(piece.demold_age_h)}"
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

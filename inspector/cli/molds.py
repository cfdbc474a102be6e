"""`inspector mold`: register molds with their references, and look at them."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.failing import FAILED, WrongUsageError, warn
from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, PhotosOption, SiteOption
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import count_words
from inspector.errors import InputError, InspectorError
from inspector.workshop import DEFAULT_TARGET_LOSS, MoldDetail, MoldSetting, ReferenceCheck, Workshop

__all__ = ["PreviewOption", "mold_app", "write_preview"]

mold_app = typer.Typer(no_args_is_help=True, help="Molds with their reference photos.")

PreviewOption = Annotated[
    Path | None,
    typer.Option("--preview", metavar="DIR", help="Write a picture of each reference with the outline that was found."),
]
YesFlag = Annotated[bool, typer.Option("--yes", help="Say yes to all outlines without being asked.")]
ViewOption = Annotated[
    str | None, typer.Option("--view", metavar="VIEW", help="Camera side that the photos show. Default: front.")
]
PhotosArgument = Annotated[
    list[Path] | None, typer.Argument(metavar="[PHOTO]...", help="Photos of good pieces, the references.")
]


@mold_app.command("add")
def add(
    context: typer.Context,
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="Short name: small letters, digits and dashes.")
    ] = None,
    photos: PhotosArgument = None,
    from_folder: Annotated[
        Path | None,
        typer.Option("--from", metavar="FOLDER", help="Take all from the mold.toml in a folder, in place of NAME."),
    ] = None,
    title: Annotated[str, typer.Option("--title", help="Name in full. Default: the short name.")] = "",
    material: Annotated[str, typer.Option("--material", help="Silicone, latex, urethane rubber, ABS, ...")] = "",
    release_agent: Annotated[str, typer.Option("--release-agent", help="What is put on before a pour.")] = "",
    view: ViewOption = None,
    preview: PreviewOption = None,
    yes: YesFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
    site: SiteOption = None,
) -> None:
    """Register a mold, with photos of good pieces as its references.

    What was found on each photo is written to the preview folder, and you are asked whether it is the piece.

    Example: inspector mold add oak-leaf good-1.jpg good-2.jpg --title "Oak leaf" --material silicone --preview look/

    Example: inspector mold add --from reference_shapes/oak-leaf --yes
    """
    if (name is None) == (from_folder is None):
        raise WrongUsageError("Give either a NAME with photos, or --from with the folder of a mold.toml.")
    if from_folder is not None and (photos or title or material or release_agent or view is not None):
        raise WrongUsageError(f"With --from all is taken from {from_folder / 'mold.toml'}: leave the other values out.")
    with open_workshop(context, data, database, site, store) as workshop:
        if from_folder is not None:
            added = workshop.add_mold_folder(from_folder)
            name = added.mold.name
            refused = list(added.refused)
            checks = list(added.checks)
        elif name is not None:
            view = view or "front"
            workshop.add_mold(name, title=title, material=material, release_agent=release_agent, views=[view])
            checks, refused = _add_references(workshop, photos or [], mold=name, view=view)
        _confirm(workshop, checks, preview=preview, yes=yes)
        _warn_of_left_out(workshop, str(name), refused)
        typer.echo(_summary(workshop.mold(str(name))))
    if refused:
        raise typer.Exit(FAILED)


@mold_app.command("add-reference")
def add_reference(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The mold.")],
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos of good pieces.")],
    view: Annotated[
        str | None,
        typer.Option("--view", metavar="VIEW", help="Camera side of the photos; a new one is added to the mold."),
    ] = None,
    preview: PreviewOption = None,
    yes: YesFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
    site: SiteOption = None,
) -> None:
    """Add reference photos, or a view, to a mold.

    Example: inspector mold add-reference oak-leaf back-1.jpg --view back --preview look/
    """
    with open_workshop(context, data, database, site, store) as workshop:
        if view is not None:
            workshop.add_view(name, view)
        checks, refused = _add_references(workshop, photos, mold=name, view=view)
        _confirm(workshop, checks, preview=preview, yes=yes)
        _warn_of_left_out(workshop, name, refused)
        typer.echo(_summary(workshop.mold(name)))
    if refused:
        raise typer.Exit(FAILED)


@mold_app.command("list")
def list_molds(
    context: typer.Context,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """List the molds.

    Example: inspector mold list
    """
    with open_workshop(context, data, database, site) as workshop:
        molds, pieces = workshop.molds(), workshop.count_pieces_by_mold()
    if as_json:
        typer.echo(
            json.dumps(
                [
                    {
                        "mold": mold.name,
                        "title": mold.title,
                        "material": mold.material,
                        "release_agent": mold.release_agent,
                        "views": list(mold.views),
                        "references": mold.references,
                        "references_to_check": mold.references_to_check,
                        "pieces": pieces.get(mold.name, 0),
                    }
                    for mold in molds
                ],
                indent=2,
            )
        )
        return
    if not molds:
        typer.echo("No molds yet. Add one with `inspector mold add`.")
        return
    table = Table("mold", "title", "material", "views", "references", "pieces")
    for mold in molds:
        to_check = f" (+{mold.references_to_check} to check)" if mold.references_to_check else ""
        table.add_row(
            mold.name,
            mold.title,
            mold.material,
            ", ".join(mold.views),
            f"{mold.references}{to_check}",
            str(pieces.get(mold.name, 0)),
        )
    Console().print(table)


@mold_app.command("set")
def set_mold(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The mold.")],
    target_loss: Annotated[
        float | None,
        typer.Option(
            "--target-loss",
            metavar="SHARE",
            help=f"Share of pieces that may be lost, as 0.05 for one in twenty. At first: {DEFAULT_TARGET_LOSS:g}.",
        ),
    ] = None,
    piece_cost: Annotated[
        float | None, typer.Option("--piece-cost", metavar="MONEY", help="What a lost piece costs.")
    ] = None,
    mold_hour_cost: Annotated[
        float | None, typer.Option("--mold-hour-cost", metavar="MONEY", help="What an hour of the mold is worth.")
    ] = None,
    turnaround_h: Annotated[
        float | None,
        typer.Option("--turnaround-h", metavar="H", help="Hours from demolding to the next pour into the mold."),
    ] = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Say what a mold's demold window is to meet; what you leave out stays as it was.

    Example: inspector mold set oak-leaf --target-loss 0.03 --piece-cost 14 --mold-hour-cost 0.25 --turnaround-h 3
    """
    if all(value is None for value in (target_loss, piece_cost, mold_hour_cost, turnaround_h)):
        raise WrongUsageError("Say what is to change: --target-loss, --piece-cost, --mold-hour-cost or --turnaround-h.")
    with open_workshop(context, data, database, site) as workshop:
        setting = workshop.planning.set_mold(
            name,
            target_loss=target_loss,
            piece_cost=piece_cost,
            mold_hour_cost=mold_hour_cost,
            turnaround_h=turnaround_h,
        )
    typer.echo(f"{name}: {_setting_words(setting)}")


@mold_app.command("show")
def show(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The mold.")],
    preview: PreviewOption = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Show a mold with its references and features.

    Example: inspector mold show oak-leaf --preview look/
    """
    with open_workshop(context, data, database, site) as workshop:
        detail = workshop.mold(name)
        typer.echo(_summary(detail))
        typer.echo(f"  {_setting_words(workshop.planning.mold_setting(name))}")
        for reference in detail.references:
            scale = "no scale" if reference.px_per_mm is None else f"{reference.px_per_mm:.2f} px per mm"
            state = "" if reference.confirmed else ", waits for a yes"
            features = ", ".join(feature.name for feature in reference.features)
            features = f"; features: {features}" if features else ""
            typer.echo(f"  {reference.view}: {reference.name}, {scale}{state}{features}")
            if preview is not None:
                path = write_preview(
                    preview, _outline_name(reference.name), workshop.reference_picture(reference.id).data
                )
                typer.echo(f"    {path}")


def _add_references(
    workshop: Workshop, photos: Sequence[Path], *, mold: str, view: str | None
) -> tuple[list[ReferenceCheck], list[str]]:
    checks, refused = [], []
    for path in photos:
        try:
            data = path.read_bytes()
        except OSError as error:
            refused.append(f"Photo {path} cannot be opened: {error.strerror or error}.")
            continue
        try:
            checks.append(workshop.add_reference(data, name=path.name, mold=mold, view=view))
        except InputError as error:
            refused.append(str(error))
    return checks, refused


def _confirm(workshop: Workshop, checks: Sequence[ReferenceCheck], *, preview: Path | None, yes: bool) -> None:
    """Ask about each outline; a reference that gets a no is discarded."""
    for check in checks:
        reference = check.reference
        where = ""
        if preview is not None:
            where = f" Look at {write_preview(preview, _outline_name(reference.name), check.picture.data)}."
        if reference.confirmed:
            typer.echo(f"{reference.name} is a reference of {reference.mold} already.{where}")
        elif yes or typer.confirm(f"{_what_was_found(check)}{where} Is it the whole piece and nothing else?"):
            workshop.confirm_reference(reference.id)
        else:
            workshop.discard_reference(reference.id)
            typer.echo(f"{reference.name} is left out.")


def _warn_of_left_out(workshop: Workshop, mold: str, refused: Sequence[str]) -> None:
    """Tell which photos are no good references, by themselves or beside the others."""
    for reason in refused:
        warn(f"Left out as a reference: {reason}")
    if workshop.mold(mold).mold.references > 1:
        for model in workshop.models(mold):
            for name in model.left_out:
                warn(f"{name} does not agree with the other references of {mold}, so it is not compared with.")


def _what_was_found(check: ReferenceCheck) -> str:
    outline = check.reference.outline_xy
    width = max(x for x, _ in outline) - min(x for x, _ in outline)
    height = max(y for _, y in outline) - min(y for _, y in outline)
    scale = check.reference.px_per_mm
    size = f"{width:.0f} x {height:.0f} px" if scale is None else f"{width / scale:.0f} x {height / scale:.0f} mm"
    return f"{check.reference.name}: a piece of {size} was found."


def _outline_name(photo: str) -> str:
    return f"{Path(photo).stem}-outline.jpg"


def write_preview(folder: Path, name: str, data: bytes) -> Path:
    """Write a picture into the preview folder, which is made where missing."""
    path = folder / name
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        raise InspectorError(f"The preview {path} could not be written: {error.strerror or error}.") from error
    return path


def _setting_words(setting: MoldSetting) -> str:
    costs = (
        ("a lost piece costs", setting.piece_cost, ""),
        ("a mold hour", setting.mold_hour_cost, ""),
        ("turnaround", setting.turnaround_h, " h"),
    )
    known = "".join(f"; {what} {'unknown' if value is None else f'{value:g}{unit}'}" for what, value, unit in costs)
    return f"at most {100 * setting.target_loss:g} % may be lost{known}"


def _summary(detail: MoldDetail) -> str:
    mold = detail.mold
    made_of = "".join(f", {part}" for part in (mold.material, mold.release_agent) if part)
    counts = f"{count_words(mold.references, 'reference')}, {count_words(len(detail.features), 'feature')}"
    waiting = f", {count_words(mold.references_to_check, 'reference')} to check" if mold.references_to_check else ""
    return f"{mold.name}: {mold.title}{made_of}; views {', '.join(mold.views)}; {counts}{waiting}"

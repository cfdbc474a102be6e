"""`inspector mold features`: the named parts of a mold, and thin parts that deserve a name."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.failing import WrongUsageError
from inspector.cli.molds import PreviewOption, write_preview
from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, PhotosOption, SiteOption
from inspector.cli.surroundings import open_workshop
from inspector.workshop import Feature, FeatureProposal, Workshop

__all__ = ["features"]


def features(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The mold.")],
    numbers: Annotated[
        list[int] | None, typer.Argument(metavar="[N]...", help="With --accept: the proposals by their numbers.")
    ] = None,
    propose: Annotated[
        bool, typer.Option("--propose", help="Look for parts that are thin and stick out: those break first.")
    ] = False,
    accept: Annotated[bool, typer.Option("--accept", help="Make the proposals N features of the mold.")] = False,
    names: Annotated[
        list[str] | None,
        typer.Option(
            "--name",
            metavar="NAME",
            help="Name of an accepted part, once for each N in their order, or one for all, which are then counted. "
            "Default: thin part N.",
        ),
    ] = None,
    preview: PreviewOption = None,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
    site: SiteOption = None,
) -> None:
    """List the features of a mold, or find thin parts and make features of them.

    A finding names the feature that it touches, and losses are counted for each feature.

    Example: inspector mold features wading-bird --propose --preview look/

    Example: inspector mold features wading-bird --accept 1 3 --name bill --name "left leg"
    """
    if propose and accept:
        raise WrongUsageError("Look at the proposals first (--propose), then accept some (--accept).")
    if (numbers or names) and not accept:
        raise WrongUsageError("Numbers and --name go with --accept.")
    if preview is not None and not propose:
        raise WrongUsageError("--preview goes with --propose. `inspector mold show --preview` draws the features.")
    if accept and as_json:
        raise WrongUsageError("--json goes with --propose, or alone; --accept prints the names that it added.")
    if accept and not numbers:
        raise WrongUsageError("Name the proposals to accept by their numbers, as in --accept 1 3.")
    with open_workshop(context, data, database, site, store) as workshop:
        if accept:
            added = workshop.accept_proposals(name, numbers or [], names=names or [])
            typer.echo(f"{name}: added {', '.join(added)}")
        elif propose:
            proposals = workshop.feature_proposals(name)
            _show_proposals(name, proposals, as_json=as_json)
            if preview is not None:
                _write_pictures(workshop, proposals, preview)
        else:
            _show_features(name, workshop.mold(name).features, as_json=as_json)


def _show_proposals(mold: str, proposals: Sequence[FeatureProposal], *, as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps([_proposal_object(proposal) for proposal in proposals], indent=2))
        return
    if not proposals:
        typer.echo(f"No part of {mold} is thin and sticks out.")
        return
    table = Table("number", "part", "view", "drawn on", "thickness", "length", "named")
    for proposal in proposals:
        table.add_row(
            str(proposal.number),
            f"thin part {proposal.number}",
            proposal.view,
            proposal.reference.name,
            _size_words(proposal.thickness_mm),
            _size_words(proposal.length_mm),
            proposal.named or "",
        )
    Console().print(table)


def _show_features(mold: str, drawn: Sequence[Feature], *, as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps([_feature_object(feature) for feature in drawn], indent=2))
    elif not drawn:
        typer.echo(f"{mold} has no features yet. Look for thin parts with `inspector mold features {mold} --propose`.")
    for feature in () if as_json else drawn:
        typer.echo(f"{feature.view}: {feature.name}")


def _write_pictures(workshop: Workshop, proposals: Sequence[FeatureProposal], folder: Path) -> None:
    for reference in dict.fromkeys(proposal.reference for proposal in proposals):
        shared = [proposal for proposal in proposals if proposal.reference == reference]
        picture = workshop.proposals_picture(shared)
        typer.echo(write_preview(folder, f"{Path(reference.name).stem}-thin-parts.jpg", picture.data))


def _proposal_object(proposal: FeatureProposal) -> dict[str, Any]:
    return {
        "number": proposal.number,
        "name": f"thin part {proposal.number}",
        "view": proposal.view,
        "photo": proposal.reference.name,
        "polygon": [list(point) for point in proposal.polygon_xy],
        "thickness_mm": None if proposal.thickness_mm is None else round(proposal.thickness_mm, 2),
        "length_mm": None if proposal.length_mm is None else round(proposal.length_mm, 2),
        "named": proposal.named,
    }


def _feature_object(feature: Feature) -> dict[str, Any]:
    return {
        "name": feature.name,
        "view": feature.view,
        "reference": feature.reference_id,
        "polygon": [list(point) for point in feature.polygon_xy],
    }


def _size_words(size_mm: float | None) -> str:
    return "unknown" if size_mm is None else f"{size_mm:.1f} mm"

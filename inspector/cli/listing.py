"""`inspector log`: what was logged, as a table, JSON or CSV."""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from textwrap import indent
from typing import Annotated, Any, TypeVar

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.failing import WrongUsageError
from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, MoldOption, SiteOption, read_time
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import age_words, kinds_words, time_words
from inspector.workshop import (
    DISPOSITIONS,
    KINDS,
    DemoldStrength,
    ListPage,
    Piece,
    PieceDetail,
    PieceFilter,
    PlaceInList,
    Workshop,
    csv_lines,
    finding_row,
    finding_rows,
    piece_row,
)

__all__ = ["list_log"]

_Item = TypeVar("_Item")


def list_log(
    context: typer.Context,
    mold: MoldOption = None,
    since: Annotated[
        datetime | None,
        typer.Option("--since", parser=read_time, metavar="TIME", help="Demolded at this time or later, ISO 8601."),
    ] = None,
    until: Annotated[
        datetime | None,
        typer.Option("--until", parser=read_time, metavar="TIME", help="Demolded before this time, ISO 8601."),
    ] = None,
    disposition: Annotated[
        str | None,
        typer.Option("--disposition", metavar="|".join(DISPOSITIONS), help="Only pieces of which this became."),
    ] = None,
    waiting: Annotated[bool, typer.Option("--waiting", help="Only pieces that wait for a decision.")] = False,
    kind: Annotated[
        str | None,
        typer.Option("--kind", metavar="KIND", help=f"Only pieces with a finding of this kind: {', '.join(KINDS)}."),
    ] = None,
    min_score: Annotated[
        float | None, typer.Option("--min-score", min=0, max=1, metavar="0..1", help="Only pieces at least this bad.")
    ] = None,
    limit: Annotated[int | None, typer.Option("--limit", min=1, metavar="N", help="Only the latest N.")] = None,
    place: Annotated[
        str | None,
        typer.Option("--place", metavar="PLACE", help="Go on from here, or back: as --limit printed it the last time."),
    ] = None,
    as_json: JsonFlag = False,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Print CSV (RFC 4180), one row a finding, clean pieces with one row.")
    ] = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """List the pieces in the log, latest demolding first.

    With --limit it says on stderr where the list goes on, and where back.

    Example: inspector log --mold oak-leaf --since 2026-05-01 --kind chip --csv
    """
    if as_json and as_csv:
        raise WrongUsageError("Choose one of --json and --csv.")
    if disposition is not None and disposition not in DISPOSITIONS:
        raise WrongUsageError(f"{disposition!r} is not what can become of a piece. Use {', '.join(DISPOSITIONS)}.")
    if kind is not None and kind not in KINDS:
        raise WrongUsageError(f"{kind!r} is no kind of finding. Use {', '.join(KINDS)}.")
    which = PieceFilter(
        mold=mold,
        since=since,
        until=until,
        outcome=next((known for known in DISPOSITIONS if known == disposition), None),
        kind=kind,
        waiting=True if waiting else None,
        min_score=min_score,
    )
    at = None if place is None else PlaceInList.read(place)
    with open_workshop(context, data, database, site) as workshop:
        ends: list[ListPage[Any]] = []
        if as_json:
            _print_json(workshop, _seen(workshop.pages_of_details(which, limit=limit, place=at), ends))
        elif as_csv:
            pages = _seen(workshop.pages_of_details(which, limit=limit, place=at), ends)
            rows = (row for detail, strengths in _details(workshop, pages) for row in finding_rows(detail, strengths))
            for line in csv_lines(rows):
                typer.echo(line.encode(), nl=False)
        else:
            for page in _seen(workshop.pages_of_pieces(which, limit=limit, place=at), ends):
                _show(page.items, workshop.curing.demold_strengths(page.items))
    if limit is not None:
        _tell_places(ends)


def _seen(pages: Iterator[ListPage[_Item]], ends: list[ListPage[Any]]) -> Iterator[ListPage[_Item]]:
    """Pass pages on, and keep the first and the last one's ends."""
    for page in pages:
        ends[1:] = [page]
        yield page


def _tell_places(ends: Sequence[ListPage[Any]]) -> None:
    for place, words in ((ends[0].before, "Before these"), (ends[-1].after, "More of them")):
        if place is not None:
            typer.echo(f"{words}: the same with --place {place.text}", err=True)


def _details(
    workshop: Workshop, pages: Iterable[ListPage[PieceDetail]]
) -> Iterator[tuple[PieceDetail, Mapping[int, DemoldStrength]]]:
    for page in pages:
        strengths = workshop.curing.demold_strengths([detail.piece for detail in page.items])
        for detail in page.items:
            yield detail, strengths


def _print_json(workshop: Workshop, pages: Iterable[ListPage[PieceDetail]]) -> None:
    """Print an array piece by piece, as `json.dumps` would print all of it."""
    before = "[\n"
    for detail, strengths in _details(workshop, pages):
        typer.echo(before + indent(json.dumps(_piece_object(detail, strengths), indent=2), "  "), nl=False)
        before = ",\n"
    typer.echo("[]" if before == "[\n" else "\n]")


def _show(pieces: Iterable[Piece], strengths: Mapping[int, DemoldStrength]) -> None:
    table = Table("piece", "mold", "demolded at", "demold age", "equivalent age", "found", "score", "became", "photos")
    for piece in pieces:
        table.add_row(
            str(piece.id),
            piece.mold,
            time_words(piece.demolded_at),
            age_words(piece.demold_age_h),
            age_words(None if (known := strengths.get(piece.id)) is None else known.equivalent_age_h),
            "not inspected" if piece.score is None and not piece.noted else kinds_words(piece.kinds),
            "" if piece.score is None else f"{piece.score:.2f}",
            piece.outcome or ("noted" if piece.noted and not piece.photo_ids else "waiting"),
            ", ".join(piece.photo_names),
        )
    if table.row_count:
        Console().print(table)
    else:
        typer.echo("No pieces in the log are like that.")


def _piece_object(detail: PieceDetail, strengths: Mapping[int, DemoldStrength]) -> dict[str, Any]:
    photos = []
    for photo, inspection in zip(detail.photos, detail.inspections, strict=True):
        photos.append(
            {
                "photo": photo.name,
                "sha256": photo.sha256,
                "view": photo.view,
                "status": None if inspection is None else inspection.status,
                "reason": None if inspection is None else inspection.reason,
                "findings": []
                if inspection is None
                else [
                    {
                        **finding_row(finding),
                        "polygon": [list(point) for point in finding.polygon_xy],
                        "demold_age_h": finding.demold_age_h,
                    }
                    for finding in inspection.findings
                ],
            }
        )
    return {
        **piece_row(detail.piece, strengths),
        "mix": None if detail.mix is None else detail.mix.name,
        "noted_defects": None if detail.noted_kinds is None else list(detail.noted_kinds),
        "photos": photos,
    }

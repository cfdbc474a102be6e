"""`inspector log`: what was logged, as a table, JSON or CSV."""

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.failing import WrongUsageError
from inspector.cli.options import DataOption, JsonFlag, MoldOption, read_time
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import age_words, kinds_words, time_words
from inspector.workshop import DISPOSITIONS, KINDS, DemoldStrength, LoggedFinding, Piece, PieceDetail, PieceFilter

__all__ = ["list_log"]

_FINDING_COLUMNS = (
    "finding",
    "kind",
    "kind_found",
    "confidence",
    "area_mm2",
    "length_mm",
    "width_mm",
    "depth_mm",
    "feature",
    "verdict",
    "reviewer",
)


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
    as_json: JsonFlag = False,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Print CSV (RFC 4180), one row a finding, clean pieces with one row.")
    ] = False,
    data: DataOption = None,
) -> None:
    """List the pieces in the log, latest demolding first.

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
    with open_workshop(context, data) as workshop:
        if as_json:
            details = workshop.piece_details(which, limit=limit)
            strengths = workshop.curing.demold_strengths([detail.piece for detail in details])
            typer.echo(json.dumps([_piece_object(detail, strengths) for detail in details], indent=2))
        elif as_csv:
            details = workshop.piece_details(which, limit=limit)
            strengths = workshop.curing.demold_strengths([detail.piece for detail in details])
            typer.echo(_csv(row for detail in details for row in _rows(detail, strengths)), nl=False)
        else:
            pieces = workshop.pieces(which, limit=limit)
            _show(pieces, workshop.curing.demold_strengths(pieces))


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


def _head(piece: Piece, strengths: Mapping[int, DemoldStrength]) -> dict[str, Any]:
    known = strengths.get(piece.id)
    return {
        "piece": piece.id,
        "mold": piece.mold,
        "pour": piece.pour_id,
        "poured_at": None if piece.poured_at is None else piece.poured_at.isoformat(),
        "demolded_at": None if piece.demolded_at is None else piece.demolded_at.isoformat(),
        "demold_age_h": None if piece.demold_age_h is None else round(piece.demold_age_h, 3),
        "equivalent_age_h": None if known is None else round(known.equivalent_age_h, 3),
        "strength_fraction": None if known is None else round(known.strength_fraction, 4),
        "disposition": piece.outcome,
        "score": piece.score,
    }


def _finding_object(finding: LoggedFinding) -> dict[str, Any]:
    return {
        "finding": finding.id,
        "kind": finding.kind,
        "kind_found": finding.kind_found,
        "confidence": finding.confidence,
        "area_mm2": finding.area_mm2,
        "length_mm": finding.length_mm,
        "width_mm": finding.width_mm,
        "depth_mm": finding.depth_mm,
        "feature": finding.feature,
        "verdict": finding.verdict,
        "reviewer": finding.reviews[-1].reviewer if finding.reviews else None,
    }


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
                        **_finding_object(finding),
                        "polygon": [list(point) for point in finding.polygon_xy],
                        "demold_age_h": finding.demold_age_h,
                    }
                    for finding in inspection.findings
                ],
            }
        )
    return {
        **_head(detail.piece, strengths),
        "mix": None if detail.mix is None else detail.mix.name,
        "noted_defects": None if detail.noted_kinds is None else list(detail.noted_kinds),
        "photos": photos,
    }


def _rows(detail: PieceDetail, strengths: Mapping[int, DemoldStrength]) -> Iterator[dict[str, Any]]:
    head = _head(detail.piece, strengths)
    found = False
    for photo, inspection in zip(detail.photos, detail.inspections, strict=True):
        for finding in () if inspection is None else inspection.findings:
            found = True
            yield {**head, "photo": photo.name, **_finding_object(finding)}
    for kind in detail.noted_kinds or ():
        found = True
        yield {**head, "photo": "", **dict.fromkeys(_FINDING_COLUMNS), "kind": kind}
    if not found:
        yield {**head, "photo": " ".join(photo.name for photo in detail.photos), **dict.fromkeys(_FINDING_COLUMNS)}


def _csv(rows: Iterable[dict[str, Any]]) -> bytes:
    """Write rows as RFC 4180 has it: a header, CRLF, quotes where needed; as UTF-8 whatever the terminal."""
    text = io.StringIO(newline="")
    writer: csv.DictWriter[str] | None = None
    for row in rows:
        if writer is None:
            writer = csv.DictWriter(text, fieldnames=list(row), lineterminator="\r\n")
            writer.writeheader()
        writer.writerow({name: _no_formula(value) for name, value in row.items()})
    return text.getvalue().encode()


def _no_formula(value: Any) -> Any:
    """Keep a spreadsheet from taking a word for a formula: a photo's name and a note may come from anybody.

    As OWASP advises on CSV injection: an apostrophe before what begins with one of these signs. Numbers stay numbers.
    """
    return f"'{value}" if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")) else value

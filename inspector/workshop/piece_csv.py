"""Pieces with their findings as rows of CSV (RFC 4180), safe to open in a spreadsheet."""

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from inspector.log import LoggedFinding, Piece, PieceDetail
from inspector.workshop.curing import DemoldStrength

__all__ = ["csv_lines", "finding_row", "finding_rows", "piece_row"]

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
# OWASP, "CSV Injection": also as the wide signs of East Asian keyboards, which some spreadsheets take for these.
_BEGIN_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def finding_rows(
    detail: PieceDetail, strengths: Mapping[int, DemoldStrength], *, files: Mapping[int, str] | None = None
) -> Iterator[dict[str, Any]]:
    """Give a row for each finding and each noted defect of a piece, or one where there is none.

    With `files`, the names under which photos are given out by their number, there are also columns for these and for
    the mix.
    """
    head = piece_row(detail.piece, strengths)
    mix = None if detail.mix is None else detail.mix.name

    def tail(photo_ids: Iterable[int]) -> dict[str, Any]:
        return {} if files is None else {"mix": mix, "photo_file": " ".join(files[photo_id] for photo_id in photo_ids)}

    found = False
    for photo, inspection in zip(detail.photos, detail.inspections, strict=True):
        for finding in () if inspection is None else inspection.findings:
            found = True
            yield {**head, "photo": photo.name, **finding_row(finding), **tail([photo.id])}
    for kind in detail.noted_kinds or ():
        found = True
        yield {**head, "photo": "", **dict.fromkeys(_FINDING_COLUMNS), "kind": kind, **tail([])}
    if not found:
        names = " ".join(photo.name for photo in detail.photos)
        yield {**head, "photo": names, **dict.fromkeys(_FINDING_COLUMNS), **tail(detail.piece.photo_ids)}


def piece_row(piece: Piece, strengths: Mapping[int, DemoldStrength]) -> dict[str, Any]:
    """Give what the log tells of a piece itself, by column."""
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


def finding_row(finding: LoggedFinding) -> dict[str, Any]:
    """Give what the log tells of a finding, by column."""
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


def csv_lines(rows: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """Write rows with the same columns as RFC 4180 has it: a header, CRLF, quotes where needed."""
    text = io.StringIO(newline="")
    writer: csv.DictWriter[str] | None = None
    for row in rows:
        if writer is None:
            writer = csv.DictWriter(text, fieldnames=list(row), lineterminator="\r\n")
            writer.writeheader()
        writer.writerow({name: _no_formula(value) for name, value in row.items()})
        yield text.getvalue()
        text.seek(0)
        text.truncate()


def _no_formula(value: Any) -> Any:
    """Keep a spreadsheet from taking a word for a formula: a photo's name and a note may come from anybody.

    As OWASP advises on CSV injection: an apostrophe before what begins with one of these signs. Numbers stay numbers.
    """
    return f"'{value}" if isinstance(value, str) and value.startswith(_BEGIN_A_FORMULA) else value

"""The record of one piece as a sheet for whoever asks about it, a buyer for instance: what the log knows, no more.

Who in the workshop said something, and notes among them, are left out: they are nobody else's business.
"""

from collections.abc import Callable
from datetime import datetime

from inspector.web import words
from inspector.workshop import (
    Facts,
    Grid,
    Heading,
    LoggedFinding,
    LoggedInspection,
    LoggedPhoto,
    Mix,
    Outlined,
    Paper,
    Piece,
    PieceCure,
    PieceDetail,
    PlaceMark,
    Words,
)

__all__ = ["piece_sheet"]

_PHOTOS_A_ROW = 2
_PAGE_PX = 800

_CAUTION = (
    "For ornament only. This sheet says nothing about carrying loads, lifting points or structural concrete. Heavy "
    "pieces crush: lift with help. Young concrete is damp and burns skin: wear gloves. Cutting and grinding make dust "
    "that harms lungs. Your local rules come first."
)
_HOW_STRENGTH = {
    True: "Reckoned from its age, temperature and break tests of its mix. It was not measured on this piece.",
    False: "Reckoned from its age, temperature and kind of cement. It was not measured, on this piece or its mix.",
}
_LIMITS = (
    "The photos were compared with photos of good pieces from the same mold. Only what they show was looked at: not "
    "the inside, not sides that were not photographed; chips of a few millimetres and very fine cracks can go unseen. "
    "Sizes are measured on the photo. Nothing here was tested by load."
)


def piece_sheet(
    detail: PieceDetail,
    *,
    cure: PieceCure | None,
    cure_notes: str,
    picture: Callable[[LoggedPhoto], bytes],
    now: datetime,
) -> Paper:
    """Write the sheet of a piece.

    Parameters
    ----------
    detail : PieceDetail
    cure : PieceCure or None
        How it cured, where pour and demolding time are known.
    cure_notes : str
        What was written down about the cure of its pour.
    picture : callable
        Gives a photo for print.
    now : datetime
    """
    piece = detail.piece
    numbered = _numbered(detail)
    photos = [
        _outlined(detail, photo, inspection, numbered, picture)
        for photo, inspection in zip(detail.photos, detail.inspections, strict=True)
        if inspection is None or inspection.status != "unusable" or len(detail.photos) == 1
    ]
    rows = [tuple(photos[start : start + _PHOTOS_A_ROW]) for start in range(0, len(photos), _PHOTOS_A_ROW)]
    return Paper(
        title=f"{words.mold_name(piece)}, piece {piece.id}",
        subtitle=f"What the workshop's log knows about this piece on {words.clock(now)}.",
        blocks=(
            *rows,
            Heading("What was found"),
            *_found(detail, numbered),
            Heading("How it was made"),
            Facts(tuple(_made(piece, detail.mix, cure, cure_notes))),
            Heading("What became of it"),
            Words(_became(detail)),
            Heading("What this sheet cannot tell"),
            Words(_LIMITS),
        ),
        caution=_CAUTION,
    )


def _numbered(detail: PieceDetail) -> dict[int, int]:
    """A number for each finding that still stands, counted over all photos."""
    standing = [
        finding
        for inspection in detail.inspections
        for finding in (() if inspection is None else inspection.findings)
        if finding.verdict != "dismissed"
    ]
    return {finding.id: number for number, finding in enumerate(standing, start=1)}


def _outlined(
    detail: PieceDetail,
    photo: LoggedPhoto,
    inspection: LoggedInspection | None,
    numbered: dict[int, int],
    picture: Callable[[LoggedPhoto], bytes],
) -> Outlined:
    findings = [] if inspection is None else [item for item in inspection.findings if item.id in numbered]
    taken = "" if photo.taken_at is None else f", taken {words.clock(photo.taken_at)}"
    return Outlined(
        address=f"/photos/{photo.id}/{_PAGE_PX}.jpg",
        data=lambda: picture(photo),
        width_px=photo.width_px,
        height_px=photo.height_px,
        alt=f"Piece {detail.piece.id}, {len(findings)} place{'' if len(findings) == 1 else 's'} outlined",
        caption=f"{'Photo' if photo.view is None else photo.view.capitalize()}{taken}",
        marks=tuple(
            PlaceMark(number=numbered[finding.id], kind=finding.kind, polygon_xy=finding.polygon_xy)
            for finding in findings
        ),
    )


def _found(detail: PieceDetail, numbered: dict[int, int]) -> list[Grid | Words]:
    blocks: list[Grid | Words] = []
    findings = [
        finding for inspection in detail.inspections for finding in (() if inspection is None else inspection.findings)
    ]
    rows = [
        (str(numbered[finding.id]), _what(finding), words.size(finding), words.standing(finding))
        for finding in findings
        if finding.id in numbered
    ]
    if rows:
        blocks.append(Grid(("no.", "what", "size", "who says so"), tuple(rows), (0.06, 0.34, 0.3, 0.3)))
    looked_at = [item for item in detail.inspections if item is not None and item.status == "inspected"]
    if not rows and looked_at:
        blocks.append(Words("No damage that still stands was found on the photos."))
    if not looked_at and not rows:
        blocks.append(Words("No photo of this piece could be inspected."))
    dismissed = len(findings) - len(rows)
    if dismissed:
        places = "1 place was" if dismissed == 1 else f"{dismissed} places were"
        blocks.append(Words(f"{places} flagged by the program besides, and held to be no damage when a person looked."))
    if detail.noted_kinds is not None:
        noted = words.flagged(detail.noted_kinds) if detail.noted_kinds else "a good piece"
        blocks.append(Words(f"Written down by hand: {noted}."))
    return blocks


def _what(finding: LoggedFinding) -> str:
    return finding.kind if finding.feature is None else f"{finding.kind}, {finding.feature}"


def _made(piece: Piece, mix: Mix | None, cure: PieceCure | None, cure_notes: str) -> list[tuple[str, str]]:
    rows = [
        ("Poured", "not known" if piece.poured_at is None else words.clock(piece.poured_at)),
        ("Out of the mold", "not known" if piece.demolded_at is None else words.clock(piece.demolded_at)),
    ]
    if cure is None:
        rows.append(("Age then", words.age(piece.demold_age_h)))
        rows.append(("Strength then", "not known, since its age is not"))
    else:
        rows.append(
            ("Age then", f"{words.age(piece.demold_age_h)}, as old as {words.age(cure.equivalent_age_h)} at 20 °C")
        )
        share = words.share(cure.strength_fraction)
        band = words.share_range(cure.strength_low, cure.strength_high)
        strength = f"about {share} of its strength after 28 days (90 % band {band})"
        rows.append(("Strength then", f"{strength}. {_HOW_STRENGTH[cure.has_break_tests]}"))
    rows.append(("Mix", words.mix(mix)))
    rows.append(("Cure", _cure(cure, cure_notes)))
    return rows


def _cure(cure: PieceCure | None, notes: str) -> str:
    parts = []
    if cure is not None:
        if cure.temperature_assumed:
            parts.append(f"nobody wrote down how warm it was; {cure.mean_degc:.0f} °C is taken")
        elif round(cure.coldest_degc) == round(cure.warmest_degc):
            parts.append(f"at {cure.mean_degc:.0f} °C until it left the mold")
        else:
            parts.append(
                f"at {cure.mean_degc:.0f} °C on average until it left the mold, between {cure.coldest_degc:.0f} and "
                f"{cure.warmest_degc:.0f} °C"
            )
        if cure.wet_until_h is not None:
            parts.append(f"kept wet until an age of {words.age(cure.wet_until_h)}")
    if notes:
        parts.append(f"“{notes}”")
    return "; ".join(parts) or "not written down"


def _became(detail: PieceDetail) -> str:
    last = detail.dispositions[-1] if detail.dispositions else None
    if last is None or last.outcome is None:
        return "Nobody has decided yet."
    return f"{words.became(last.outcome).capitalize()}, decided {words.clock(last.at)}."

"""The record of one piece as a sheet for whoever asks about it, a buyer for instance: what the log knows, no more.

Who in the workshop said something, and notes among them, are left out: they are nobody else's business.
"""

from collections.abc import Callable
from datetime import datetime

from inspector.web import words
from inspector.web.language import mark, ntr, spoken, tr
from inspector.web.quantities import clock, temperature
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

_CAUTION = mark(
    "For ornament only. This sheet says nothing about carrying loads, lifting points or structural concrete. Heavy "
    "pieces crush: lift with help. Young concrete is damp and burns skin: wear gloves. Cutting and grinding make dust "
    "that harms lungs. Your local rules come first."
)
_HOW_STRENGTH = {
    True: mark("Reckoned from its age, temperature and break tests of its mix. It was not measured on this piece."),
    False: mark(
        "Reckoned from its age, temperature and kind of cement. It was not measured, on this piece or its mix."
    ),
}
_LIMITS = mark(
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
        title=tr("%(mold)s, piece %(id)s", mold=words.mold_name(piece), id=piece.id),
        subtitle=tr("What the workshop's log knows about this piece on %(time)s.", time=clock(now)),
        blocks=(
            *rows,
            Heading(tr("What was found")),
            *_found(detail, numbered),
            Heading(tr("How it was made")),
            Facts(tuple(_made(piece, detail.mix, cure, cure_notes))),
            Heading(tr("What became of it")),
            Words(_became(detail)),
            Heading(tr("What this sheet cannot tell")),
            Words(tr(_LIMITS)),
        ),
        caution=tr(_CAUTION),
        language=spoken().text,
        page_word=tr("page"),
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
    shows = tr("Photo") if photo.view is None else words.sentence_case(photo.view)
    if photo.taken_at is not None:
        shows = tr("%(view)s, taken %(time)s", view=shows, time=clock(photo.taken_at))
    return Outlined(
        address=f"/photos/{photo.id}/{_PAGE_PX}.jpg",
        data=lambda: picture(photo),
        width_px=photo.width_px,
        height_px=photo.height_px,
        alt=ntr(
            "Piece %(id)s, %(count)s place outlined",
            "Piece %(id)s, %(count)s places outlined",
            len(findings),
            id=detail.piece.id,
        ),
        caption=shows,
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
        blocks.append(Grid((tr("no."), tr("what"), tr("size"), tr("who says so")), tuple(rows), (0.06, 0.34, 0.3, 0.3)))
    looked_at = [item for item in detail.inspections if item is not None and item.status == "inspected"]
    if not rows and looked_at:
        blocks.append(Words(tr("No damage that still stands was found on the photos.")))
    if not looked_at and not rows:
        blocks.append(Words(tr("No photo of this piece could be inspected.")))
    dismissed = len(findings) - len(rows)
    if dismissed:
        sentence = ntr(
            "%(count)s place was flagged by the program besides, and held to be no damage when a person looked.",
            "%(count)s places were flagged by the program besides, and held to be no damage when a person looked.",
            dismissed,
        )
        blocks.append(Words(sentence))
    if detail.noted_kinds is not None:
        noted = words.flagged(detail.noted_kinds) if detail.noted_kinds else tr("a good piece")
        blocks.append(Words(tr("Written down by hand: %(what)s.", what=noted)))
    return blocks


def _what(finding: LoggedFinding) -> str:
    kind = words.kind(finding.kind)
    return kind if finding.feature is None else f"{kind}, {finding.feature}"


def _made(piece: Piece, mix: Mix | None, cure: PieceCure | None, cure_notes: str) -> list[tuple[str, str]]:
    rows = [
        (tr("Poured"), tr("not known") if piece.poured_at is None else clock(piece.poured_at)),
        (tr("Out of the mold"), tr("not known") if piece.demolded_at is None else clock(piece.demolded_at)),
    ]
    if cure is None:
        rows.append((tr("Age then"), words.age(piece.demold_age_h)))
        rows.append((tr("Strength then"), tr("not known, since its age is not")))
    else:
        age = tr(
            "%(age)s, as old as %(equivalent)s at %(temperature)s",
            age=words.age(piece.demold_age_h),
            equivalent=words.age(cure.equivalent_age_h),
            temperature=temperature(20),
        )
        rows.append((tr("Age then"), age))
        strength = tr(
            "about %(share)s of its strength after 28 days (90 %% band %(band)s).",
            share=words.share(cure.strength_fraction),
            band=words.share_range(cure.strength_low, cure.strength_high),
        )
        rows.append((tr("Strength then"), f"{strength} {tr(_HOW_STRENGTH[cure.has_break_tests])}"))
    rows.append((tr("Mix"), words.mix(mix)))
    rows.append((tr("Cure"), _cure(cure, cure_notes)))
    return rows


def _cure(cure: PieceCure | None, notes: str) -> str:
    parts = []
    if cure is not None:
        mean, coldest, warmest = (
            temperature(degc, most_decimals=0) for degc in (cure.mean_degc, cure.coldest_degc, cure.warmest_degc)
        )
        if cure.temperature_assumed:
            parts.append(tr("nobody wrote down how warm it was; %(temperature)s is taken", temperature=mean))
        elif coldest == warmest:
            parts.append(tr("at %(temperature)s until it left the mold", temperature=mean))
        else:
            parts.append(
                tr(
                    "at %(mean)s on average until it left the mold, between %(coldest)s and %(warmest)s",
                    mean=mean,
                    coldest=coldest,
                    warmest=warmest,
                )
            )
        if cure.wet_until_h is not None:
            parts.append(tr("kept wet until an age of %(age)s", age=words.age(cure.wet_until_h)))
    if notes:
        parts.append(f"“{notes}”")
    return "; ".join(parts) or tr("not written down")


def _became(detail: PieceDetail) -> str:
    last = detail.dispositions[-1] if detail.dispositions else None
    if last is None or last.outcome is None:
        return tr("Nobody has decided yet.")
    became = words.sentence_case(words.became(last.outcome))
    return tr("%(became)s, decided %(time)s.", became=became, time=clock(last.at))

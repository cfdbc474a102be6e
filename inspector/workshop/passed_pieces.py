"""Pieces that reviewers passed as good: photos of them can become references, which widens what is normal per place.

A piece is passed as long as the latest words say so: it is to be sold, and nothing that was flagged on it still stands.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from inspector.log import Disposition, LoggedPhoto, MoldReference, PhotoScore, Piece, PieceDetail

__all__ = [
    "MOST_REFERENCES",
    "PassedPhoto",
    "PassedPieces",
    "is_passed",
    "newest_photos",
    "passed_photo",
    "surest_photos",
]

# All references of a view in use are compared with, and each takes about a hundred megabytes. On the tuning split five
# in place of three leave 5 of 13 false findings on good pieces, and 156 of 162 defects; more were not measured.
MOST_REFERENCES = 5


@dataclass(frozen=True, slots=True)
class PassedPhoto:
    """A photo of a piece that was passed as good."""

    photo: LoggedPhoto
    piece_id: int
    passed: Disposition
    score: float
    """How likely the piece looked damaged when it was inspected, 0 to 1."""
    dismissed: int
    """Marks on the photo that were dismissed."""


@dataclass(frozen=True, slots=True)
class PassedPieces:
    """What pieces that were passed as good offer a mold."""

    photos: tuple[PassedPhoto, ...]
    """Those that could become references, the surest first."""
    unpassed: tuple[MoldReference, ...]
    """References in use that show a piece which nobody passes as good any more."""


def is_passed(piece: Piece) -> bool:
    """Whether the latest words on a piece pass it as good."""
    return piece.outcome == "sell" and not piece.kinds


def surest_photos(scores: Sequence[PhotoScore], references: Sequence[MoldReference]) -> tuple[PhotoScore, ...]:
    """Find the photos of passed pieces that could become references, those that looked most surely good first.

    On the tuning split the two surest passed pieces beside three references left 5 of 13 false findings on other good
    pieces and 154 of 162 defects; the two that had looked most damaged left 9, and 152.

    Parameters
    ----------
    scores : sequence of PhotoScore
        Of photos of passed pieces of one mold.
    references : sequence of MoldReference
        All of that mold. Photos that are references already, or were, are left out, and those of a view that has as
        many in use as are worth their time.
    """
    taken = {reference.photo_id for reference in references}
    in_use = Counter(item.view for item in references if item.in_use or not item.confirmed)
    could = [one for one in scores if one.photo_id not in taken and one.view and in_use[one.view] < MOST_REFERENCES]
    return tuple(sorted(could, key=lambda one: (one.score, -one.photo_id)))


def newest_photos(
    scores: Sequence[PhotoScore], references: Sequence[MoldReference], *, view: str
) -> tuple[PhotoScore, ...]:
    """Find the photos of passed pieces that show one view, the newest first.

    Parameters
    ----------
    scores : sequence of PhotoScore
        Of photos of passed pieces of one mold.
    references : sequence of MoldReference
        All of that mold. Photos that are references already, or were, are left out.
    view : str
    """
    taken = {reference.photo_id for reference in references}
    could = [one for one in scores if one.photo_id not in taken and one.view == view]
    return tuple(sorted(could, key=lambda one: -one.photo_id))


def passed_photo(detail: PieceDetail, score: PhotoScore) -> PassedPhoto:
    """Tell what is known of a photo of a passed piece."""
    photo, inspection = next(
        (photo, inspection)
        for photo, inspection in zip(detail.photos, detail.inspections, strict=True)
        if photo.id == score.photo_id
    )
    findings = () if inspection is None else inspection.findings
    return PassedPhoto(
        photo=photo,
        piece_id=detail.piece.id,
        passed=detail.dispositions[-1],
        score=score.score,
        dismissed=sum(finding.verdict == "dismissed" for finding in findings),
    )

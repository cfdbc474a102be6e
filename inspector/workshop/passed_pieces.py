"""Pieces that reviewers passed as good: photos of them can become references, which widens what is normal per place.

A piece is passed as long as the latest words say so: it is to be sold, and nothing that was flagged on it still stands.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from inspector.log import Disposition, LoggedPhoto, MoldReference, PieceDetail

__all__ = ["MOST_REFERENCES", "PassedPhoto", "is_passed", "passed_photos"]

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


def is_passed(detail: PieceDetail) -> bool:
    """Whether the latest words on a piece pass it as good."""
    if detail.piece.outcome != "sell" or detail.noted_kinds:
        return False
    findings = [finding for item in detail.inspections if item is not None for finding in item.findings]
    return all(finding.verdict == "dismissed" for finding in findings)


def passed_photos(details: Sequence[PieceDetail], references: Sequence[MoldReference]) -> tuple[PassedPhoto, ...]:
    """Find the photos of passed pieces that could become references, those that looked most surely good first.

    On the tuning split the two surest passed pieces beside three references left 5 of 13 false findings on other good
    pieces and 154 of 162 defects; the two that had looked most damaged left 9, and 152.

    Parameters
    ----------
    details : sequence of PieceDetail
        Pieces of one mold.
    references : sequence of MoldReference
        All of that mold; photos that are references already, or were, are left out.
    """
    taken = {reference.photo_id for reference in references}
    found = [
        PassedPhoto(
            photo=photo,
            piece_id=detail.piece.id,
            passed=detail.dispositions[-1],
            score=inspection.score or 0.0,
            dismissed=sum(finding.verdict == "dismissed" for finding in inspection.findings),
        )
        for detail in details
        if is_passed(detail)
        for photo, inspection in zip(detail.photos, detail.inspections, strict=True)
        if inspection is not None and inspection.status == "inspected" and photo.view and photo.id not in taken
    ]
    return tuple(sorted(found, key=lambda one: (one.score, -one.photo.id)))

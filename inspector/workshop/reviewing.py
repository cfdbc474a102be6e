"""What people say about pieces: is a finding one, where does it end, what was missed, what becomes of the piece.

Whatever is said is added to the log, and so is taking it back. With most words goes the version of the piece that the
person saw (`PieceDetail.version`): if somebody else has said something since, `StaleError` is raised and nothing is
kept.
"""

import cv2
import numpy as np

from inspector import log
from inspector.errors import InputError
from inspector.log import (
    DISPOSITIONS,
    KINDS,
    VERDICTS,
    LastWord,
    LoggedInspection,
    LoggedPhoto,
    Outcome,
    PieceDetail,
    PieceVersion,
    Points,
    Review,
    Verdict,
)
from inspector.workshop.outlines import check_outline, touched_feature
from inspector.workshop.required import required
from inspector.workshop.translating import points

__all__ = ["Reviewing", "parse_version"]

_NOTE_LENGTH = 2000


class Reviewing:
    """The words of people in an open log.

    Parameters
    ----------
    opened : Log
    """

    def __init__(self, opened: log.Log) -> None:
        self._log = opened

    def say(
        self,
        finding_id: int,
        *,
        verdict: Verdict,
        reviewer: str,
        kind: str | None = None,
        outline_xy: Points | None = None,
        seen: PieceVersion | None = None,
    ) -> Review:
        """Keep a person's word on a finding.

        Parameters
        ----------
        finding_id : int
        verdict : str
            One of `VERDICTS`.
        reviewer : str
        kind : str, optional
            Goes with `kind changed` and only with it.
        outline_xy : tuple of points, optional
            In pixels of the photo; goes with `outline corrected` and only with it.
        seen : PieceVersion, optional

        Raises
        ------
        InputError
            If the word says nothing clear, or there is no such finding.
        StaleError
        """
        if verdict not in VERDICTS:
            raise InputError(f"{verdict!r} is no verdict. Use {', '.join(VERDICTS)}.")
        if (verdict == "kind changed") != (kind is not None):
            raise InputError("A new kind goes with the verdict 'kind changed', and only with it.")
        if (verdict == "outline corrected") != (outline_xy is not None):
            raise InputError("An outline goes with the verdict 'outline corrected', and only with it.")
        if kind is not None:
            _check_kind(kind)
        reviewer = required(reviewer, "name of the reviewer")
        outline = None
        if outline_xy is not None:
            detail = log.find_piece(self._log, log.find_piece_of_finding(self._log, finding_id))
            photo, inspection = _photo_of_finding(detail, finding_id)
            held = next(finding for finding in inspection.findings if finding.id == finding_id)
            outline = check_outline(outline_xy, photo=photo, kind=held.kind, px_per_mm=inspection.px_per_mm)
        return log.add_review(
            self._log, finding_id, verdict=verdict, new_kind=kind, reviewer=reviewer, outline=outline, seen=seen
        )

    def draw(
        self,
        photo_id: int,
        *,
        kind: str,
        outline_xy: Points,
        reviewer: str,
        seen: PieceVersion | None = None,
    ) -> Review:
        """Keep a defect that was missed, outlined by a person in pixels of the photo of a piece.

        Raises
        ------
        InputError
            If the kind is none, the points enclose nothing, or there is no such photo of a piece.
        StaleError
        """
        _check_kind(kind)
        reviewer = required(reviewer, "name of the reviewer")
        piece_id = log.find_photo(self._log, photo_id).piece_id
        if piece_id is None:
            raise InputError(f"Photo {photo_id} shows no piece of the log. Mark it on a photo of a piece.")
        detail = log.find_piece(self._log, piece_id)
        photo, inspection = _inspected_photo(detail, photo_id)
        outline = check_outline(outline_xy, photo=photo, kind=kind, px_per_mm=inspection.px_per_mm)
        references = log.list_references(self._log, detail.piece.mold)
        features = [feature for item in references if item.name == inspection.reference for feature in item.features]
        return log.add_drawn_finding(
            self._log,
            photo_id,
            kind=kind,
            outline=outline,
            feature=touched_feature(outline.polygon_xy, inspection=inspection, features=features, photo=photo),
            reviewer=reviewer,
            on_reference=_on_reference(outline.polygon_xy, inspection),
            seen=seen,
        )

    def decide(
        self, piece_id: int, outcome: Outcome, *, decided_by: str, note: str = "", seen: PieceVersion | None = None
    ) -> None:
        """Keep what became of a piece; the latest word counts, earlier ones stay on record.

        Raises
        ------
        InputError
            If that cannot become of a piece, or there is no such piece.
        StaleError
        """
        if outcome not in DISPOSITIONS:
            raise InputError(f"{outcome!r} is not what can become of a piece. Use {', '.join(DISPOSITIONS)}.")
        log.add_disposition(
            self._log,
            piece_id,
            outcome,
            decided_by=required(decided_by, "name of the person who decides"),
            note=note.strip(),
            seen=seen,
        )

    def note(self, piece_id: int, text: str, *, written_by: str) -> None:
        """Keep a note on a piece; it overwrites nothing, so it is never stale.

        Raises
        ------
        InputError
            If the note is empty or longer than 2000 signs, or there is no such piece.
        """
        text = required(text, "note")
        if len(text) > _NOTE_LENGTH:
            raise InputError(f"The note has {len(text)} signs; {_NOTE_LENGTH} are the most. Make it shorter.")
        log.add_note(self._log, piece_id, text, written_by=required(written_by, "name of the person who writes"))

    def undo(self, piece_id: int, *, by: str, seen: PieceVersion | None = None) -> LastWord:
        """Take back the latest thing that a person said about a piece, unless somebody else has spoken on it since.

        Raises
        ------
        InputError
            If there is nothing to take back, or no such piece.
        StaleError
        """
        return log.take_back(self._log, piece_id, by=required(by, "name of the reviewer"), seen=seen)


def parse_version(text: str) -> PieceVersion:
    """Read a version as `str` gives it.

    Raises
    ------
    InputError
        If it is none.
    """
    parts = text.split(".")
    if len(parts) != 3 or not all(part.isascii() and part.isdecimal() and len(part) <= 18 for part in parts):
        raise InputError(
            "It does not say which state of the piece it was meant for. Open the piece anew and say it again."
        )
    return PieceVersion(*map(int, parts))


def _check_kind(kind: str) -> None:
    if kind not in KINDS:
        raise InputError(f"{kind!r} is no kind of finding. Use {', '.join(KINDS)}.")


def _photo_of_finding(detail: PieceDetail, finding_id: int) -> tuple[LoggedPhoto, LoggedInspection]:
    for photo, inspection in zip(detail.photos, detail.inspections, strict=True):
        if inspection is not None and any(finding.id == finding_id for finding in inspection.findings):
            return photo, inspection
    raise InputError(f"Finding {finding_id} is of an earlier inspection. Open the piece anew.")


def _on_reference(polygon_xy: Points, inspection: LoggedInspection) -> tuple[str, Points] | None:
    """Where an outline lies on the reference that was laid over the photo, as near as one plane tells."""
    if inspection.reference is None or inspection.photo_from_reference is None:
        return None
    reference_from_photo = np.linalg.inv(np.asarray(inspection.photo_from_reference, dtype=float))
    there = cv2.perspectiveTransform(np.asarray(polygon_xy, dtype=float)[None], reference_from_photo)[0]
    return inspection.reference, points(there)


def _inspected_photo(detail: PieceDetail, photo_id: int) -> tuple[LoggedPhoto, LoggedInspection]:
    for photo, inspection in zip(detail.photos, detail.inspections, strict=True):
        if photo.id == photo_id and inspection is not None:
            return photo, inspection
    raise InputError(f"Photo {photo_id} was never inspected, so nothing can be marked on it. Add the photo again.")

"""What a person sees whose word came too late: the piece as it was opened, as it is now, and what was said between."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from inspector.errors import StaleError
from inspector.web import words
from inspector.web.failing import failure_response
from inspector.web.language import tr
from inspector.web.pages import render, wants_json
from inspector.workshop import Disposition, LoggedFinding, PieceDetail, PieceVersion, Review

__all__ = ["PieceState", "stale_response", "state_at"]


@dataclass(frozen=True, slots=True)
class PieceState:
    """How a piece stood, in words."""

    findings: tuple[tuple[str, str], ...]
    """What each finding was held to be, and what had been said about it."""
    became: str


def stale_response(
    request: Request,
    error: StaleError,
    *,
    detail: PieceDetail,
    seen: PieceVersion,
    mine: str,
    again: Mapping[str, str],
) -> Response:
    """Show both states of a piece, with a way to say the same of the piece as it is now.

    Parameters
    ----------
    request : Request
        What was refused; it goes to the same address when it is said again.
    error : StaleError
    detail : PieceDetail
        The piece as it is now.
    seen : PieceVersion
        The state that the person saw.
    mine : str
        What the person said, in words.
    again : mapping of str to str
        The fields that say it again, without the version.
    """
    if wants_json(request):
        return failure_response(request, status=409, sentence=str(error))
    context = {
        "detail": detail,
        "piece": detail.piece,
        "mine": mine,
        "again": again,
        "before": state_at(detail, seen),
        "now": state_at(detail, detail.version),
        "since": said_since(detail, seen),
    }
    return render(request, "stale.html", context, status=409)


def state_at(detail: PieceDetail, version: PieceVersion) -> PieceState:
    """Tell how a piece stood at a version: each row of the log says all that held from then on."""
    findings = []
    for label, finding in _numbered(detail):
        before = [review for review in finding.reviews if review.id <= version.review_id]
        if finding.drawn_by is not None and not before:
            continue  # it was drawn later
        kind = (before[-1].kind if before else None) or finding.kind_found
        findings.append((f"{label}: {words.kind(kind)}", words.verdict(before[-1].verdict if before else None)))
    decided = [word for word in detail.dispositions if word.id <= version.disposition_id]
    outcome = decided[-1].outcome if decided else None
    return PieceState(tuple(findings), tr("not decided yet") if outcome is None else words.outcome(outcome))


def said_since(detail: PieceDetail, version: PieceVersion) -> Sequence[tuple[str, str]]:
    """List what was said after a version: by whom, and what."""
    said: list[tuple[Review | Disposition, str, str]] = [
        (review, review.reviewer, f"{label}: {words.said(review)}")
        for label, finding in _numbered(detail)
        for review in finding.reviews
        if review.id > version.review_id
    ]
    said += [
        (word, word.decided_by, words.decided(word)) for word in detail.dispositions if word.id > version.disposition_id
    ]
    since = [(word.at, who, what) for word, who, what in said]
    since += [
        (note.at, note.written_by, tr("note “%(text)s”", text=note.text))
        for note in detail.notes
        if note.id > version.note_id
    ]
    return [(who, what) for _, who, what in sorted(since)]


def _numbered(detail: PieceDetail) -> list[tuple[str, LoggedFinding]]:
    """Findings with the numbers that they have on their photo, and the photo's name where there are several."""
    numbered = []
    for photo, inspection in zip(detail.photos, detail.inspections, strict=True):
        for number, finding in enumerate(inspection.findings if inspection is not None else (), start=1):
            label = str(number)
            if len(detail.photos) > 1:
                label = tr("%(number)s on %(photo)s", number=number, photo=photo.name)
            numbered.append((label, finding))
    return numbered

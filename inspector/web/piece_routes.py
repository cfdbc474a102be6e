"""One piece: its photos with what was flagged, and what becomes of it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from inspector.errors import StaleError
from inspector.web import words
from inspector.web.language import tr
from inspector.web.looking_up import Id, find_piece
from inspector.web.marks import Mark, mark_findings
from inspector.web.pages import ShopDep, render
from inspector.web.reviewer import MAX_NAME_LENGTH, given_name, remember_reviewer, required_reviewer, reviewer_of
from inspector.web.rights import least
from inspector.web.stale import stale_response
from inspector.web.waiting_order import first_to_review
from inspector.workshop import (
    DISPOSITIONS,
    KINDS,
    LoggedInspection,
    LoggedPhoto,
    Outcome,
    PieceDetail,
    UncountedMark,
    doubt_age,
    last_word,
    parse_version,
)

__all__ = ["router"]

router = APIRouter()

_NOTE_LENGTH = 2000
# More pours of a mold than anybody looks back over.
_POURS_OFFERED = 100
# A mark shown close up, and as much around it again on each side; never less than this.
_AROUND = 1.5
_LEAST_PX = 40


@dataclass(frozen=True, slots=True)
class CloseUp:
    """A mark that was not counted, drawn over the part of the photo around it."""

    mark: UncountedMark

    @property
    def points(self) -> str:
        """Corners for an SVG polygon, in pixels of the photo."""
        return " ".join(f"{x:g},{y:g}" for x, y in self.mark.polygon_xy)

    @property
    def around(self) -> str:
        """The part of the photo that is shown, for an SVG: left, top, width and height in pixels."""
        xs, ys = zip(*self.mark.polygon_xy, strict=True)
        half = _AROUND * max(max(xs) - min(xs), max(ys) - min(ys), _LEAST_PX)
        middle_x, middle_y = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
        return f"{middle_x - 1.5 * half:.0f} {middle_y - half:.0f} {3 * half:.0f} {2 * half:.0f}"


@dataclass(frozen=True, slots=True)
class ShownPhoto:
    """One photo of a piece with its marks."""

    photo: LoggedPhoto
    inspection: LoggedInspection | None
    marks: tuple[Mark, ...]

    @property
    def not_counted(self) -> tuple[CloseUp, ...]:
        """Marks that were not counted, but for those that a person marked since."""
        if self.inspection is None:
            return ()
        marked = {mark.finding.polygon_xy for mark in self.marks}
        return tuple(CloseUp(mark) for mark in self.inspection.not_counted if mark.polygon_xy not in marked)

    @property
    def to_look_at(self) -> int:
        """Findings that nobody has said anything about."""
        return sum(mark.finding.verdict is None for mark in self.marks)


@router.get("/pieces/{piece_id}", response_class=HTMLResponse)
@least("see")
def show_piece(
    request: Request,
    shop: ShopDep,
    piece_id: Id,
    decided: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None,
) -> HTMLResponse:
    """Show a piece; `decided` is the piece that was decided just before, to go back to it."""
    detail = find_piece(shop, piece_id)
    before = None if decided is None else find_piece(shop, decided)
    reviewer = reviewer_of(request)
    context = {
        "detail": detail,
        "piece": detail.piece,
        "doubt": doubt_age(detail.piece),
        "pours": shop.pours_into(detail.piece.mold, limit=_POURS_OFFERED),
        "corrections": shop.piece_corrections(piece_id),
        "at_demolding": shop.curing.demold_strengths([detail.piece]).get(piece_id),
        "shown_photos": _shown_photos(detail),
        "next_id": shop.next_waiting(piece_id, first=first_to_review(request)),
        "decided": before,
        "undo": None if reviewer is None else last_word(detail, by=reviewer),
        "undo_decided": None if reviewer is None or before is None else last_word(before, by=reviewer),
        "kinds": KINDS,
        "outcomes": DISPOSITIONS,
        "max_photo_bytes": request.app.state.settings.max_photo_bytes,
    }
    return render(request, "piece.html", context)


@router.post("/pieces/{piece_id}/correction")
@least("record")
def correct_piece(
    shop: ShopDep,
    piece_id: Id,
    pour_id: Annotated[int | None, Form(ge=1, le=2**31 - 1)] = None,
    demolded_at: Annotated[datetime | None, Form()] = None,
    name: Annotated[str, Form(max_length=10 * MAX_NAME_LENGTH)] = "",
    why: Annotated[str, Form(max_length=_NOTE_LENGTH)] = "",
) -> RedirectResponse:
    """Put the pour and the demolding of a piece right; what stood there before stays visible."""
    find_piece(shop, piece_id)
    who = given_name(name)
    shop.correct_piece(piece_id, pour_id=pour_id, demolded_at=demolded_at, corrected_by=who, why=why)
    response = RedirectResponse(f"/pieces/{piece_id}#before", status_code=303)
    remember_reviewer(response, who)
    return response


@router.post("/pieces/{piece_id}/dispositions")
@least("record")
def decide(
    request: Request,
    shop: ShopDep,
    piece_id: Id,
    outcome: Annotated[Outcome, Form()],
    seen: Annotated[str, Form()],
    note: Annotated[str, Form(max_length=_NOTE_LENGTH)] = "",
) -> Response:
    """Say what becomes of a piece, and go on to the next one that waits."""
    find_piece(shop, piece_id)
    version = parse_version(seen)
    next_id = shop.next_waiting(piece_id, first=first_to_review(request))
    try:
        shop.reviewing.decide(piece_id, outcome, decided_by=required_reviewer(request), note=note, seen=version)
    except StaleError as error:
        return stale_response(
            request,
            error,
            detail=find_piece(shop, piece_id),
            seen=version,
            mine=words.outcome(outcome),
            again={"outcome": outcome, "note": note},
        )
    target = f"/pieces/{piece_id}" if next_id is None else f"/pieces/{next_id}?decided={piece_id}"
    return RedirectResponse(target, status_code=303)


@router.post("/pieces/{piece_id}/notes")
@least("record")
def add_note(
    request: Request, shop: ShopDep, piece_id: Id, note: Annotated[str, Form(max_length=_NOTE_LENGTH)] = ""
) -> RedirectResponse:
    """Keep a note on a piece; others' notes stay beside it."""
    find_piece(shop, piece_id)
    shop.reviewing.note(piece_id, note, written_by=required_reviewer(request))
    return RedirectResponse(f"/pieces/{piece_id}#became-title", status_code=303)


@router.post("/pieces/{piece_id}/undo")
@least("record")
def take_back(request: Request, shop: ShopDep, piece_id: Id, seen: Annotated[str, Form()]) -> Response:
    """Take back the latest thing that this person said about a piece."""
    find_piece(shop, piece_id)
    version = parse_version(seen)
    try:
        shop.reviewing.undo(piece_id, by=required_reviewer(request), seen=version)
    except StaleError as error:
        return stale_response(
            request, error, detail=find_piece(shop, piece_id), seen=version, mine=tr("take back my last word"), again={}
        )
    return RedirectResponse(f"/pieces/{piece_id}", status_code=303)


def _shown_photos(detail: PieceDetail) -> list[ShownPhoto]:
    return [
        ShownPhoto(photo, inspection, mark_findings(photo, inspection.findings) if inspection is not None else ())
        for photo, inspection in zip(detail.photos, detail.inspections, strict=True)
    ]

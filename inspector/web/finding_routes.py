"""A person's word on a finding, and a defect that was missed."""

from typing import Annotated

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from inspector.errors import InputError, StaleError
from inspector.web import words
from inspector.web.language import tr
from inspector.web.looking_up import Id, find_finding, find_piece
from inspector.web.marks import OUTLINE_LENGTH, read_points
from inspector.web.pages import ShopDep
from inspector.web.reviewer import required_reviewer
from inspector.web.rights import least
from inspector.web.stale import stale_response
from inspector.workshop import Verdict, parse_version

__all__ = ["router"]

router = APIRouter()


@router.post("/pieces/{piece_id}/findings/{finding_id}/reviews")
@least("record")
def add_review(
    request: Request,
    shop: ShopDep,
    piece_id: Id,
    finding_id: Id,
    verdict: Annotated[Verdict, Form()],
    seen: Annotated[str, Form()],
    kind: Annotated[str | None, Form()] = None,
    outline: Annotated[str | None, Form(max_length=OUTLINE_LENGTH)] = None,
) -> Response:
    """Confirm or dismiss a finding, change its kind or its outline; what was said before stays on record."""
    find_finding(find_piece(shop, piece_id), finding_id)
    version = parse_version(seen)
    # The list of kinds is sent along with every button of the form; it counts only with its own.
    new_kind = kind if verdict == "kind changed" else None
    outline_xy = read_points(outline or "") if verdict == "outline corrected" else None
    try:
        shop.reviewing.say(
            finding_id,
            verdict=verdict,
            kind=new_kind,
            outline_xy=outline_xy,
            reviewer=required_reviewer(request),
            seen=version,
        )
    except StaleError as error:
        fields = {"verdict": verdict, "kind": new_kind, "outline": outline if outline_xy else None}
        return stale_response(
            request,
            error,
            detail=find_piece(shop, piece_id),
            seen=version,
            mine=_in_words(verdict, new_kind),
            again={name: value for name, value in fields.items() if value},
        )
    return RedirectResponse(f"/pieces/{piece_id}#finding-{finding_id}", status_code=303)


@router.post("/pieces/{piece_id}/photos/{photo_id}/findings")
@least("record")
def add_missed(
    request: Request,
    shop: ShopDep,
    piece_id: Id,
    photo_id: Id,
    kind: Annotated[str, Form()],
    outline: Annotated[str, Form(max_length=OUTLINE_LENGTH)],
    seen: Annotated[str, Form()],
) -> Response:
    """Mark a defect that was missed on one of a piece's photos."""
    if all(photo.id != photo_id for photo in find_piece(shop, piece_id).photos):
        sentence = tr("Piece %(id)s has no photo %(photo)s. Open the piece anew.", id=piece_id, photo=photo_id)
        raise InputError(sentence)
    version = parse_version(seen)
    try:
        review = shop.reviewing.draw(
            photo_id, kind=kind, outline_xy=read_points(outline), reviewer=required_reviewer(request), seen=version
        )
    except StaleError as error:
        return stale_response(
            request,
            error,
            detail=find_piece(shop, piece_id),
            seen=version,
            mine=tr("missed: %(kind)s", kind=words.kind(kind)),
            again={"kind": kind, "outline": outline},
        )
    return RedirectResponse(f"/pieces/{piece_id}#finding-{review.finding_id}", status_code=303)


def _in_words(verdict: Verdict, kind: str | None) -> str:
    if kind is None:
        return words.verdict(verdict)
    return tr("kind changed to %(kind)s", kind=words.kind(kind))

"""A person's word on a finding."""

from typing import Annotated

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import RedirectResponse

from inspector.web.looking_up import Id, find_finding, find_piece
from inspector.web.pages import ShopDep
from inspector.web.reviewer import required_reviewer
from inspector.workshop import Verdict

__all__ = ["router"]

router = APIRouter()


@router.post("/pieces/{piece_id}/findings/{finding_id}/reviews")
def add_review(
    request: Request,
    shop: ShopDep,
    piece_id: Id,
    finding_id: Id,
    verdict: Annotated[Verdict, Form()],
    kind: Annotated[str | None, Form()] = None,
) -> RedirectResponse:
    """Confirm or dismiss a finding, or change its kind; what was said before stays on record."""
    find_finding(find_piece(shop, piece_id), finding_id)
    # The list of kinds is sent along with every button of the form; it counts only with its own.
    new_kind = kind if verdict == "kind changed" else None
    shop.reviewing.say(finding_id, verdict=verdict, kind=new_kind, reviewer=required_reviewer(request))
    return RedirectResponse(f"/pieces/{piece_id}#finding-{finding_id}", status_code=303)

"""The page on which a person puts the outline right that was found on a photo of a good piece."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from inspector.errors import InputError
from inspector.web.looking_up import Id, find_mold, find_photo, find_reference
from inspector.web.marks import OUTLINE_LENGTH, read_points
from inspector.web.pages import ShopDep, render
from inspector.web.reviewer import MAX_NAME_LENGTH, given_name, remember_reviewer
from inspector.web.rights import least
from inspector.workshop import Correction, Workshop

__all__ = ["router"]

router = APIRouter()

Name = Annotated[str, Form(max_length=10 * MAX_NAME_LENGTH)]


@dataclass(frozen=True, slots=True)
class Drawing:
    """What somebody drew and could not keep: it stays on the page."""

    outline: str
    how: Correction
    complaint: str


@router.get("/references/{reference_id}/outline", response_class=HTMLResponse)
@least("see")
def show_page(request: Request, shop: ShopDep, reference_id: Id) -> HTMLResponse:
    """Show the outline of a reference on its photo, to be put right there."""
    return _page(request, shop, reference_id)


@router.post("/references/{reference_id}/outline")
@least("record")
def correct(
    request: Request,
    shop: ShopDep,
    reference_id: Id,
    outline: Annotated[str, Form(max_length=OUTLINE_LENGTH)],
    how: Annotated[Correction, Form()],
    name: Name = "",
) -> Response:
    """Take a place away from the outline, add one to it, or draw it anew."""
    find_reference(shop, reference_id)
    who = given_name(name)
    try:
        shop.outlines.correct(reference_id, read_points(outline), how=how, said_by=who)
    except InputError as error:
        return _page(request, shop, reference_id, drawing=Drawing(outline, how, str(error)))
    return _back(reference_id, who)


@router.post("/references/{reference_id}/outline/found")
@least("record")
def take_found(shop: ShopDep, reference_id: Id, name: Name = "") -> Response:
    """Take the outline again that was found."""
    find_reference(shop, reference_id)
    who = given_name(name)
    shop.outlines.take_found(reference_id, said_by=who)
    return _back(reference_id, who)


def _page(request: Request, shop: Workshop, reference_id: int, *, drawing: Drawing | None = None) -> HTMLResponse:
    reference = find_reference(shop, reference_id)
    context = {
        "mold": find_mold(shop, reference.mold),
        "reference": reference,
        "photo": find_photo(shop, reference.photo_id),
        "drawing": drawing,
    }
    return render(request, "reference_outline.html", context, status=200 if drawing is None else 422)


def _back(reference_id: int, who: str) -> Response:
    response = RedirectResponse(f"/references/{reference_id}/outline", status_code=303)
    remember_reviewer(response, who)
    return response

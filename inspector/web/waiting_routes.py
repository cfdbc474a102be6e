"""The first page: pieces that wait for a decision, worst or least sure first, and the form that adds photos."""

from typing import Annotated

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from inspector.web.going_back import own_path
from inspector.web.pages import ShopDep, render
from inspector.web.rights import least
from inspector.web.turning import PageQuery, PlaceQuery, place_in, skipped, turning
from inspector.web.waiting_order import first_to_review, remember_first_to_review
from inspector.workshop import FirstToReview

__all__ = ["router"]

router = APIRouter()

PIECES_A_PAGE = 50
POURS_OFFERED = 100
_BACK_LENGTH = 2000


@router.get("/", response_class=HTMLResponse)
@least("see")
def show_waiting(
    request: Request,
    shop: ShopDep,
    mold: str | None = None,
    first: FirstToReview | None = None,
    place: PlaceQuery = "",
    page: PageQuery = 1,
) -> HTMLResponse:
    """Show the pieces that wait, those of one mold or all; `place` is where the list goes on.

    `first` is which come first; without it, what was chosen in this browser. A place is one in that order.
    """
    only_mold = mold or None  # the form sends an empty one for all molds
    first = first or first_to_review(request)
    at = place_in(place)
    found = shop.page_of_waiting(
        mold=only_mold,
        first=first,
        limit=PIECES_A_PAGE,
        place=at,
        skip=skipped(page, a_page=PIECES_A_PAGE, place=at),
    )
    turn = turning(found, "/", {"mold": only_mold, "first": first})
    context = {
        "first": first,
        "pieces": found.items,
        "turn": turn,
        "waiting": shop.count_waiting(mold=only_mold),
        "only_mold": only_mold,
        "to_inspect": shop.queue.count(),
        "unrecognised": len(shop.queue.unrecognised()),
        "molds": shop.molds(),
        "pours": shop.pours(limit=POURS_OFFERED),
        "max_photo_bytes": request.app.state.settings.max_photo_bytes,
    }
    response = render(request, "waiting.html", context)
    response.headers.update(turn.headers)
    return response


@router.post("/waiting-order")
@least("see", of_scripts=None, of_a_site=False)
def choose_order(
    first: Annotated[FirstToReview, Form()], back: Annotated[str, Form(max_length=_BACK_LENGTH)] = "/"
) -> RedirectResponse:
    """Have the worst, or the least sure, of the pieces that wait come first in this browser, and go back to them."""
    response = RedirectResponse(own_path(back), status_code=303)
    remember_first_to_review(response, first)
    return response

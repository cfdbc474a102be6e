"""The first page: pieces that wait for a decision, worst first, and the form that adds photos."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import HTMLResponse

from inspector.web.pages import ShopDep, render
from inspector.web.rights import least
from inspector.web.turning import PageQuery, PlaceQuery, place_in, skipped, turning

__all__ = ["router"]

router = APIRouter()

PIECES_A_PAGE = 50
POURS_OFFERED = 100


@router.get("/", response_class=HTMLResponse)
@least("see")
def show_waiting(
    request: Request,
    shop: ShopDep,
    mold: str | None = None,
    place: PlaceQuery = "",
    page: PageQuery = 1,
) -> HTMLResponse:
    """Show the pieces that wait, those of one mold or all; `place` is where the list goes on."""
    only_mold = mold or None  # the form sends an empty one for all molds
    at = place_in(place)
    found = shop.page_of_waiting(
        mold=only_mold, limit=PIECES_A_PAGE, place=at, skip=skipped(page, a_page=PIECES_A_PAGE, place=at)
    )
    turn = turning(found, "/", {"mold": only_mold})
    context = {
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

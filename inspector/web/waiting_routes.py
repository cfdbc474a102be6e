"""The first page: pieces that wait for a decision, worst first, and the form that adds photos."""

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import HTMLResponse

from inspector.web.pages import ShopDep, render
from inspector.web.rights import least

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
    page: Annotated[int, Query(ge=1, le=1_000_000)] = 1,
) -> HTMLResponse:
    """Show the pieces that wait, those of one mold or all."""
    only_mold = mold or None  # the form sends an empty one for all molds
    waiting = shop.count_waiting(mold=only_mold)
    context = {
        "pieces": shop.pieces_waiting(mold=only_mold, limit=PIECES_A_PAGE, offset=(page - 1) * PIECES_A_PAGE),
        "waiting": waiting,
        "page": page,
        "last_page": max(1, -(-waiting // PIECES_A_PAGE)),
        "only_mold": only_mold,
        "to_inspect": shop.queue.count(),
        "unrecognised": len(shop.queue.unrecognised()),
        "molds": shop.molds(),
        "pours": shop.pours(limit=POURS_OFFERED),
        "max_photo_bytes": request.app.state.settings.max_photo_bytes,
    }
    return render(request, "waiting.html", context)

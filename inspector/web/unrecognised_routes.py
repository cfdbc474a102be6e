"""Photos that are kept and could not be recognised: a person says what they show."""

from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.requests import Request

from inspector.web.looking_up import Id, find_photo
from inspector.web.pages import ShopDep, render
from inspector.web.rights import least

__all__ = ["router"]

router = APIRouter()


@router.get("/photos/unrecognised", response_class=HTMLResponse)
@least("see")
def show_unrecognised(request: Request, shop: ShopDep) -> HTMLResponse:
    """Show the photos of which a person has to say what they show."""
    molds = [mold for mold in shop.molds() if mold.references]
    return render(request, "unrecognised.html", {"photos": shop.queue.unrecognised(), "molds": molds})


@router.post("/photos/{photo_id}/mold")
@least("record")
def name_mold(request: Request, shop: ShopDep, photo_id: Id, mold: Annotated[str, Form()]) -> RedirectResponse:
    """Say which mold the piece on a photo came out of; it is inspected then."""
    find_photo(shop, photo_id)
    shop.queue.name_mold(photo_id, mold=mold)
    request.app.state.inspecting.wake()
    return RedirectResponse("/photos/unrecognised", status_code=303)


@router.post("/photos/{photo_id}/leave-out")
@least("record")
def leave_out(shop: ShopDep, photo_id: Id) -> RedirectResponse:
    """Say that a photo shows no piece; it is kept, and asked for no more."""
    find_photo(shop, photo_id)
    shop.queue.leave_out(photo_id)
    return RedirectResponse("/photos/unrecognised", status_code=303)

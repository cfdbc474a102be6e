"""Pages of the molds: when to demold each, why it loses pieces, and the pictures of that with their numbers."""

import hashlib
from datetime import datetime

from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from inspector.errors import InputError
from inspector.web.pages import ShopDep, render
from inspector.web.words import age, clock
from inspector.workshop import KeptWindow

__all__ = ["router"]

router = APIRouter()


@router.get("/molds", response_class=HTMLResponse)
def show_molds(request: Request, shop: ShopDep) -> HTMLResponse:
    """Show the windows of all molds."""
    return render(request, "molds.html", {"windows": shop.losses.windows(now=_now())})


@router.get("/molds/{mold}", response_class=HTMLResponse)
def show_mold(request: Request, shop: ShopDep, mold: str) -> HTMLResponse:
    """Show a mold's window, why it loses pieces, and the pictures."""
    try:
        drawn = shop.loss_pictures(mold, now=_now())
    except InputError as error:
        raise HTTPException(404, str(error)) from error
    context = {
        "window": drawn.window,
        "history": [_history_row(kept) for kept in drawn.window.history],
        "trends": drawn.trends,
        "pictures": drawn.pictures,
        "addresses": {picture.name: f"/molds/{mold}/pictures/{picture.name}.svg" for picture in drawn.pictures},
    }
    return render(request, "mold.html", context)


@router.post("/molds/{mold}/window")
def keep_window(shop: ShopDep, mold: str) -> RedirectResponse:
    """Write the window down, if it changed, so that it counts from now on."""
    now = _now()
    shop.losses.keep_windows([shop.losses.window(mold, now=now)], now=now)
    return RedirectResponse(f"/molds/{mold}", status_code=303)


@router.get("/molds/{mold}/pictures/{name}.svg", response_class=Response)
def show_picture(request: Request, shop: ShopDep, mold: str, name: str) -> Response:
    """Draw one of the pictures of a mold's losses, as the log is now."""
    try:
        drawn = shop.loss_pictures(mold, now=_now())
    except InputError as error:
        raise HTTPException(404, str(error)) from error
    svg = next((picture.svg for picture in drawn.pictures if picture.name == name), None)
    if svg is None:
        raise HTTPException(404, f"There is no such picture of {mold}. Open the page of the mold anew.")
    headers = {"ETag": f'"{hashlib.sha256(svg).hexdigest()}"', "Cache-Control": "private, no-cache"}
    if headers["ETag"] == request.headers.get("if-none-match"):
        return Response(status_code=304, headers=headers)
    return Response(svg, media_type="image/svg+xml", headers=headers)


def _history_row(kept: KeptWindow) -> tuple[str, ...]:
    from_age, until_age = ("none" if hours is None else age(hours) for hours in (kept.earliest_h, kept.latest_h))
    return (
        clock(kept.at),
        from_age,
        until_age,
        f"{kept.lost_before} of {kept.pieces_before} lost",
        f"{kept.lost_after} of {kept.pieces_after} lost",
        str(kept.too_early_after),
    )


def _now() -> datetime:
    return datetime.now().astimezone()

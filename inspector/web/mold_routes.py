"""Pages of the molds: when to demold each, why it loses pieces, and the pictures of that with their numbers."""

import hashlib
import re
from datetime import datetime
from pathlib import Path

from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from inspector.errors import InputError
from inspector.settings import Settings
from inspector.web.pages import ShopDep, render
from inspector.web.pictures import kept_picture
from inspector.web.rights import least
from inspector.web.words import age, clock
from inspector.workshop import KeptWindow

__all__ = ["router"]

router = APIRouter()

_PICTURE_NAME = re.compile("[0-9a-f]{64}")


@router.get("/molds", response_class=HTMLResponse)
@least("see")
def show_molds(request: Request, shop: ShopDep) -> HTMLResponse:
    """Show the windows of all molds."""
    return render(request, "molds.html", {"windows": shop.losses.windows(now=_now())})


@router.get("/molds/{mold}", response_class=HTMLResponse)
@least("see")
def show_mold(request: Request, shop: ShopDep, mold: str) -> HTMLResponse:
    """Show a mold's window, why it loses pieces, and the pictures."""
    now = _now()
    try:
        window = shop.losses.window(mold, now=now)
    except InputError as error:
        raise HTTPException(404, str(error)) from error
    (trends,) = shop.losses.trends(now=now, mold=mold).molds
    drawn = shop.loss_pictures(mold, now=now)
    folder = _folder(request)
    addresses = {}
    for picture in drawn.pictures:
        name = hashlib.sha256(picture.svg).hexdigest()
        kept_picture(folder, f"{name}.svg", lambda picture=picture: picture.svg)  # type: ignore[misc]
        addresses[picture.name] = f"/molds/pictures/{name}.svg"
    context = {
        "window": window,
        "history": [_history_row(kept) for kept in window.history],
        "trends": trends,
        "pictures": drawn.pictures,
        "addresses": addresses,
    }
    return render(request, "mold.html", context)


@router.post("/molds/{mold}/window")
@least("record")
def keep_window(shop: ShopDep, mold: str) -> RedirectResponse:
    """Write the window down, if it changed, so that it counts from now on."""
    now = _now()
    shop.losses.keep_windows([shop.losses.window(mold, now=now)], now=now)
    return RedirectResponse(f"/molds/{mold}", status_code=303)


@router.get("/molds/pictures/{name}.svg", response_class=Response)
@least("see")
def show_picture(request: Request, name: str) -> Response:
    """Serve a picture that a page was made with."""
    if not _PICTURE_NAME.fullmatch(name):
        raise HTTPException(404, "There is no such picture. Open the page of the mold anew.")

    def gone() -> bytes:
        raise HTTPException(404, "This picture is gone. Open the page of the mold anew.")

    return Response(kept_picture(_folder(request), f"{name}.svg", gone), media_type="image/svg+xml")


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


def _folder(request: Request) -> Path:
    settings: Settings = request.app.state.settings
    return settings.data_dir / "pictures"


def _now() -> datetime:
    return datetime.now().astimezone()

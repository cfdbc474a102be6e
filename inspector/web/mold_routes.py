"""Pages of the molds: when to demold each, why it loses pieces, and the pictures of that with their numbers."""

import hashlib
import json
import re
from datetime import datetime
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Query
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from inspector.web import words
from inspector.web.language import spoken, tr
from inspector.web.looking_up import find_mold
from inspector.web.pages import ShopDep, render
from inspector.web.pictures import find_kept, picture_response
from inspector.web.quantities import clock, units
from inspector.web.rights import least
from inspector.web.sentences import told
from inspector.web.turning import PageQuery, PlaceQuery, place_in, skipped, turning
from inspector.workshop import (
    KINDS,
    KeptWindow,
    LossPicture,
    MoldTrends,
    MoldWindow,
    PieceFilter,
    Workshop,
)

__all__ = ["router"]

router = APIRouter()

# Another one as soon as the same numbers are drawn otherwise: what browsers and the data folder keep is of no use then.
_DRAWN_AS = 2
_PICTURE_MARK = re.compile("[0-9a-f]{64}")
_PIECES_A_PAGE = 48
_LATEST_SHOWN = 6


@router.get("/molds", response_class=HTMLResponse)
@least("see")
def show_molds(request: Request, shop: ShopDep) -> HTMLResponse:
    """Show the windows of all molds."""
    waits = shop.losses.waits_for_refit()
    context = {
        "molds": shop.losses.outlooks_of_late(now=_now()),
        "as_of": shop.losses.learnt_as_of(),
        "waits_for_refit": waits,
        "known": shop.molds() if waits else (),
    }
    return render(request, "molds.html", context)


@router.get("/molds/{mold}", response_class=HTMLResponse)
@least("see")
def show_mold(request: Request, shop: ShopDep, mold: str) -> HTMLResponse:
    """Show a mold's window, why and where it loses pieces, and the latest of them."""
    window, trends = _losses(shop, mold)
    pictures = shop.loss_pictures(window, trends).pictures
    context = {
        "window": window,
        "history": [_history_row(kept) for kept in window.history],
        "trends": trends,
        "features": _feature_rows(window, trends),
        "pictures": pictures,
        "addresses": {
            picture.name: f"/molds/{mold}/pictures/{picture.name}.svg?v={_picture_mark(picture, window, trends)}"
            for picture in pictures
        },
        "months": [month.month for month in reversed(trends.months)],
        "latest": shop.pieces(PieceFilter(mold=mold), limit=_LATEST_SHOWN),
        "others": len(shop.molds()) > 1,
        "as_of": shop.losses.learnt_as_of(),
    }
    return render(request, "mold.html", context)


@router.get("/molds/{mold}/pieces", response_class=HTMLResponse)
@least("see")
def show_pieces(
    request: Request,
    shop: ShopDep,
    mold: str,
    kind: Annotated[str, Query(max_length=50)] = "",
    reference: Annotated[str, Query(max_length=300)] = "",
    place: PlaceQuery = "",
    page: PageQuery = 1,
) -> HTMLResponse:
    """Show every piece of a mold with its picture, the latest first; all, or those with a finding or reference.

    `place` is where the list goes on.
    """
    known = find_mold(shop, mold)
    only_kind = kind if kind in KINDS else None
    which = PieceFilter(mold=mold, kind=only_kind, nearest_reference=reference or None)
    at = place_in(place)
    found = shop.page_of_pieces(
        which, limit=_PIECES_A_PAGE, place=at, skip=skipped(page, a_page=_PIECES_A_PAGE, place=at)
    )
    turn = turning(found, f"/molds/{quote(mold, safe='')}/pieces", {"kind": only_kind, "reference": reference})
    context = {
        "mold": known,
        "pieces": found.items,
        "total": shop.count_pieces(which),
        "turn": turn,
        "kinds": KINDS,
        "only_kind": only_kind,
        "only_reference": reference,
    }
    response = render(request, "mold_pieces.html", context)
    response.headers.update(turn.headers)
    return response


@router.post("/molds/{mold}/window")
@least("record")
def keep_window(shop: ShopDep, mold: str) -> RedirectResponse:
    """Write the window down, if it changed, so that it counts from now on."""
    now = _now()
    shop.losses.keep_windows([shop.losses.window(mold, now=now)], now=now)
    return RedirectResponse(f"/molds/{mold}", status_code=303)


@router.get("/molds/{mold}/pictures/{picture}.svg", response_class=Response)
@least("see")
def show_picture(
    request: Request, shop: ShopDep, mold: str, picture: str, v: Annotated[str, Query(max_length=64)] = ""
) -> Response:
    """A picture of a mold's losses; `v` is what it shows, as its page knows it."""
    kept = find_kept(request, f"{v}.svg") if _PICTURE_MARK.fullmatch(v) else None
    if kept is not None:  # nothing has to be worked out for it
        return picture_response(request, f"{v}.svg", lambda: kept)
    window, trends = _losses(shop, mold)
    wanted = shop.loss_pictures(window, trends).named(picture)
    if wanted is None:
        raise HTTPException(404, tr("There is no such picture. Open the page of the mold anew."))
    mark = _picture_mark(wanted, window, trends)
    return picture_response(request, f"{mark}.svg", lambda: wanted.svg(say=told, titled=False))


def _losses(shop: Workshop, mold: str) -> tuple[MoldWindow, MoldTrends]:
    find_mold(shop, mold)
    found = shop.losses.of_mold(mold, now=_now())
    return found.window, found.trends


def _picture_mark(picture: LossPicture, window: MoldWindow, trends: MoldTrends) -> str:
    """What a picture shows, as a name for it: another log, language or unit gives another one."""
    written = (spoken().tag, units(), _DRAWN_AS)
    shown = (
        picture.name,
        picture.title,
        picture.rows,
        window.title,
        window.as_json(),
        trends.as_json(),
        written,
        _DRAWN_AS,
    )
    points = (window.points.age_h.tobytes(), window.points.lost.tobytes(), window.strength.strength_fraction.tobytes())
    mark = hashlib.sha256(json.dumps(shown, default=str).encode())
    for part in points:
        mark.update(part)
    return mark.hexdigest()


def _feature_rows(window: MoldWindow, trends: MoldTrends) -> list[tuple[str, ...]]:
    """Features by how many pieces lost them, and from which age each is safe."""
    safe_from_h = {feature.name: feature.earliest_h for feature in window.features}

    def safe(name: str) -> str:
        from_h = safe_from_h.get(name)
        return tr("no age yet") if from_h is None else tr("from %(age)s", age=words.age(from_h))

    return [
        (feature.name, str(feature.lost), words.share_of(feature.lost, trends.pieces), safe(feature.name))
        for feature in sorted(trends.features, key=lambda feature: (-feature.lost, feature.name))
    ]


def _history_row(kept: KeptWindow) -> tuple[str, ...]:
    from_age, until_age = (
        tr("none") if hours is None else words.age(hours) for hours in (kept.earliest_h, kept.latest_h)
    )
    return (
        clock(kept.at),
        from_age,
        until_age,
        tr("%(lost)s of %(pieces)s lost", lost=kept.lost_before, pieces=kept.pieces_before),
        tr("%(lost)s of %(pieces)s lost", lost=kept.lost_after, pieces=kept.pieces_after),
        str(kept.too_early_after),
    )


def _now() -> datetime:
    return datetime.now().astimezone()

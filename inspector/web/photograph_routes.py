"""The page that photographs what comes out of the molds, and what lets it work while the program is out of reach."""

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from fastapi import APIRouter
from fastapi.responses import FileResponse, JSONResponse
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from inspector.errors import InputError
from inspector.web.describing import PosesAnswer
from inspector.web.language import spoken, tr
from inspector.web.pages import ShopDep, render
from inspector.web.rights import least

__all__ = ["router"]

router = APIRouter()

_STATIC_DIR = Path(__file__).parent / "static"
# More pours than are photographed in a week; the others are found through the log.
_POURS_OFFERED = 100


@dataclass(frozen=True, slots=True)
class OfferedMold:
    """A mold with a pour in it, to be chosen with one tap."""

    mold: str
    title: str
    pour_id: int
    age_h: float


@router.get("/photograph", response_class=HTMLResponse)
@least("see")
def show_photograph(request: Request, shop: ShopDep, mold: str | None = None, pour: int | None = None) -> HTMLResponse:
    """Show the page that takes photos; `mold` and `pour` are chosen beforehand."""
    now = datetime.now().astimezone()
    molds = [item for item in shop.molds() if item.references]
    pours = shop.pours(limit=_POURS_OFFERED)
    titles = {item.name: item.title or item.name for item in molds}
    poured_at = {item.id: item.poured_at for item in pours}
    filled = [
        OfferedMold(
            mold=item.mold,
            title=titles[item.mold],
            pour_id=item.pour_id,
            age_h=(now - poured_at[item.pour_id]).total_seconds() / 3600,
        )
        for item in shop.planning.filled_molds(at=now)
        if item.mold in titles and item.pour_id in poured_at
    ]
    if mold is None and pour is not None:
        (mold,) = next((item.molds for item in pours if item.id == pour and len(item.molds) == 1), (None,))
    elif mold is not None and pour is None:  # as on the label of a mold: what is in it now goes with it
        in_it = [item.pour_id for item in filled if item.mold == mold]
        pour = in_it[0] if len(in_it) == 1 else None
    context = {
        "molds": molds,
        "pours": pours,
        "filled": filled,
        "chosen_mold": mold,
        "chosen_pour": pour,
        "max_photo_bytes": request.app.state.settings.max_photo_bytes,
    }
    return render(request, "photograph.html", context)


@router.get("/molds/{mold}/poses", response_class=JSONResponse, responses={200: {"model": PosesAnswer}})
@least("see")
def show_poses(request: Request, shop: ShopDep, mold: str) -> dict[str, Any]:
    """Give the outlines of a mold's good pieces, to be shown over the live picture."""
    try:
        poses = shop.poses(mold)
    except InputError as error:
        raise HTTPException(404, str(error)) from error
    if poses and shop.site_id is not None:
        # Made ready while the photo is being taken: it takes a second for each reference, the first time.
        request.app.state.inspecting.make_ready(mold, site_id=shop.site_id)
    return {
        "poses": [
            {"view": pose.view, "width_px": pose.width_px, "height_px": pose.height_px, "polygon": pose.polygon_xy}
            for pose in poses
        ]
    }


@router.get("/unreachable", response_class=HTMLResponse)
@least("nobody")
def show_unreachable(request: Request) -> HTMLResponse:
    """Show what browsers keep for pages that they ask for in vain."""
    return render(request, "unreachable.html", {})


@router.get("/service-worker.js", response_class=FileResponse)
@least("nobody")
def give_service_worker() -> FileResponse:
    """Give the script that keeps the page for when the program is out of reach; it acts below its own address."""
    return FileResponse(_STATIC_DIR / "service-worker.js", media_type="text/javascript")


@router.get("/app.webmanifest", response_class=Response)
@least("nobody")
def give_manifest() -> Response:
    """Give what a phone needs to put the pages on its home screen."""
    manifest = json.loads((_STATIC_DIR / "app.webmanifest").read_text(encoding="utf-8"))
    manifest |= {"lang": spoken().text, "description": tr("Photograph what comes out of the molds")}
    return Response(json.dumps(manifest, ensure_ascii=False), media_type="application/manifest+json")

"""`/health`: what a supervisor asks, to restart the program or to call somebody."""

import shutil

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from starlette.requests import Request
from starlette.responses import Response

from inspector.errors import InspectorError
from inspector.settings import Settings
from inspector.web.describing import HealthAnswer
from inspector.web.pages import ShopDep
from inspector.web.rights import least

__all__ = ["LEAST_FREE_BYTES", "router"]

# Some dozens of photos of a phone: time to make room before one is refused.
LEAST_FREE_BYTES = 500_000_000

router = APIRouter()


@router.get("/health", responses={200: {"model": HealthAnswer}, 503: {"model": HealthAnswer}})
@least("nobody")
def tell_health(request: Request, shop: ShopDep) -> Response:
    """Whether the log can be read and the disk has room: 200 if so, else 503; nothing about what is in it."""
    settings: Settings = request.app.state.settings
    troubles = []
    try:
        shop.count_waiting()
    except InspectorError:
        troubles.append("the log cannot be read")
    if shutil.disk_usage(settings.data_dir).free < LEAST_FREE_BYTES:
        troubles.append("the disk is nearly full")
    status = 503 if troubles else 200
    return JSONResponse(
        {"status": "in trouble" if troubles else "well", "troubles": troubles},
        status_code=status,
        headers={"Cache-Control": "no-store"},
    )

"""A mold's pieces, outlines and photos to take along, in open formats."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse
from starlette.responses import Response

from inspector.web.looking_up import find_mold, find_month
from inspector.web.pages import ShopDep
from inspector.web.rights import least

__all__ = ["router"]

router = APIRouter()


@router.get("/molds/{mold}/export.zip", response_class=Response)
@least("record")
def export_mold(
    shop: ShopDep,
    mold: str,
    month: Annotated[str, Query(max_length=10)] = "",
    with_place: bool = False,
) -> Response:
    """Pieces as CSV, outlines as COCO JSON, and photos, of a month or all; without the place unless asked for."""
    only_month = find_month(month) if month else None
    name = find_mold(shop, mold).name
    export = shop.exporting.export(now=datetime.now().astimezone(), mold=name, month=only_month, with_place=with_place)
    file_name = name if only_month is None else f"{name}-{only_month}"
    headers = {"Content-Disposition": f'attachment; filename="{file_name}.zip"', "Cache-Control": "private, no-store"}
    return StreamingResponse(export.chunks, media_type="application/zip", headers=headers)

"""Sheets to print or to hand on: the record of one piece, a mold's month; each as a page and as a PDF."""

import hashlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Query
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from inspector.settings import Settings
from inspector.web import words
from inspector.web.language import spoken, tr
from inspector.web.looking_up import Id, find_mold, find_month, find_piece
from inspector.web.month_sheet import month_sheet
from inspector.web.pages import ShopDep, render
from inspector.web.pictures import kept_picture, picture_response
from inspector.web.piece_sheet import piece_sheet
from inspector.web.rights import least
from inspector.web.sentences import told
from inspector.workshop import LoggedPhoto, LossPicture, MoldMonth, Month, Paper, Workshop, paper_pdf

__all__ = ["router"]

router = APIRouter()

MonthQuery = Annotated[str, Query(max_length=10)]

# Of a photo on a sheet of A4, where it is 17 cm wide at most: 240 pixels an inch.
_PRINT_PX = 1600


@router.get("/pieces/{piece_id}/sheet", response_class=HTMLResponse)
@least("see")
def show_piece_sheet(request: Request, shop: ShopDep, piece_id: Id) -> HTMLResponse:
    """Show the record of a piece on one sheet."""
    paper = _piece_paper(request, shop, piece_id)
    back = (f"/pieces/{piece_id}", tr("Piece %(id)s", id=piece_id))
    return _page(request, paper, pdf=f"/pieces/{piece_id}/sheet.pdf", back=back)


@router.get("/pieces/{piece_id}/sheet.pdf", response_class=Response)
@least("see")
def download_piece_sheet(request: Request, shop: ShopDep, piece_id: Id) -> Response:
    """The same sheet as a PDF."""
    return _pdf(_piece_paper(request, shop, piece_id), name=f"piece-{piece_id}.pdf")


@router.get("/molds/{mold}/month", response_class=HTMLResponse)
@least("see")
def show_month(request: Request, shop: ShopDep, mold: str, month: MonthQuery = "") -> HTMLResponse:
    """Show one month of a mold on a sheet, the current one unless another is named."""
    which = _month(month)
    paper = _month_paper(shop, mold, which)
    address = f"/molds/{quote(mold)}"
    more = (
        (f"{address}/month?month={which.before}", words.month(which.before)),
        (f"{address}/month?month={which.after}", words.month(which.after)),
    )
    return _page(
        request,
        paper,
        pdf=f"{address}/month.pdf?month={which}",
        back=(address, tr("Mold")),
        more=more,
        export=f"{address}/export.zip?month={which}",
    )


@router.get("/molds/{mold}/month.pdf", response_class=Response)
@least("see")
def download_month(shop: ShopDep, mold: str, month: MonthQuery = "") -> Response:
    """The same sheet as a PDF."""
    which = _month(month)
    return _pdf(_month_paper(shop, mold, which), name=f"{find_mold(shop, mold).name}-{which}.pdf")


@router.get("/molds/{mold}/month-map.svg", response_class=Response)
@least("see")
def show_month_map(request: Request, shop: ShopDep, mold: str, month: MonthQuery = "") -> Response:
    """Where pieces of a month broke, on a photo of a good one."""
    find_mold(shop, mold)
    found = shop.mold_month(mold, _month(month), now=datetime.now().astimezone())
    drawn = shop.month_map(found)
    if drawn is None:
        raise HTTPException(404, tr("There is no good piece of this mold to draw it on."))
    return picture_response(request, f"{_map_mark(drawn, found)}.svg", lambda: drawn.svg(say=told))


def _month(text: str) -> Month:
    return find_month(text or f"{datetime.now().astimezone():%Y-%m}")


def _month_paper(shop: Workshop, mold: str, which: Month) -> Paper:
    find_mold(shop, mold)
    now = datetime.now().astimezone()
    found = shop.mold_month(mold, which, now=now)
    drawn = shop.month_map(found) if found.features else None
    return month_sheet(found, picture=drawn, address=f"/molds/{quote(mold)}/month-map.svg?month={which}", now=now)


def _map_mark(drawn: LossPicture, found: MoldMonth) -> str:
    shown = (
        spoken().tag,
        drawn.name,
        drawn.rows,
        found.mold.name,
        str(found.month),
        sorted((piece.id, piece.kinds) for piece in found.pieces),
    )
    return hashlib.sha256(repr(shown).encode()).hexdigest()


def _piece_paper(request: Request, shop: Workshop, piece_id: int) -> Paper:
    detail = find_piece(shop, piece_id)
    pour_id = detail.piece.pour_id
    return piece_sheet(
        detail,
        cure=shop.curing.piece_cure(detail.piece),
        cure_notes="" if pour_id is None else shop.pour(pour_id).cure_notes,
        picture=_photo_for_print(request, shop),
        now=datetime.now().astimezone(),
    )


def _photo_for_print(request: Request, shop: Workshop) -> Callable[[LoggedPhoto], bytes]:
    settings: Settings = request.app.state.settings
    folder: Path = settings.data_dir / "pictures"

    def picture(photo: LoggedPhoto) -> bytes:
        name = f"{photo.sha256}-{_PRINT_PX}.jpg"
        return kept_picture(folder, name, lambda: shop.photo_picture(photo.id, max_side_px=_PRINT_PX).data)

    return picture


def _page(
    request: Request,
    paper: Paper,
    *,
    pdf: str,
    back: tuple[str, str],
    more: tuple[tuple[str, str], ...] = (),
    export: str = "",
) -> HTMLResponse:
    context = {"paper": paper, "pdf": pdf, "back": back, "more": more, "export": export}
    return render(request, "sheet.html", context)


def _pdf(paper: Paper, *, name: str) -> Response:
    headers = {"Content-Disposition": f'inline; filename="{name}"', "Cache-Control": "private, no-store"}
    return Response(paper_pdf(paper), media_type="application/pdf", headers=headers)

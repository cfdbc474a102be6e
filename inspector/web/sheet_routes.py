"""Sheets to print or to hand on: the record of one piece, a mold's month; each as a page and as a PDF."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from inspector.settings import Settings
from inspector.web.looking_up import Id, find_piece
from inspector.web.pages import ShopDep, render
from inspector.web.pictures import kept_picture
from inspector.web.piece_sheet import piece_sheet
from inspector.workshop import LoggedPhoto, Paper, Workshop, paper_pdf

__all__ = ["router"]

router = APIRouter()

# Of a photo on a sheet of A4, where it is 17 cm wide at most: 240 pixels an inch.
_PRINT_PX = 1600


@router.get("/pieces/{piece_id}/sheet", response_class=HTMLResponse)
def show_piece_sheet(request: Request, shop: ShopDep, piece_id: Id) -> HTMLResponse:
    """Show the record of a piece on one sheet."""
    paper = _piece_paper(request, shop, piece_id)
    back = (f"/pieces/{piece_id}", f"Piece {piece_id}")
    return _page(request, paper, pdf=f"/pieces/{piece_id}/sheet.pdf", back=back)


@router.get("/pieces/{piece_id}/sheet.pdf", response_class=Response)
def download_piece_sheet(request: Request, shop: ShopDep, piece_id: Id) -> Response:
    """The same sheet as a PDF."""
    return _pdf(_piece_paper(request, shop, piece_id), name=f"piece-{piece_id}.pdf")


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


def _page(request: Request, paper: Paper, *, pdf: str, back: tuple[str, str]) -> HTMLResponse:
    return render(request, "sheet.html", {"paper": paper, "pdf": pdf, "back": back})


def _pdf(paper: Paper, *, name: str) -> Response:
    headers = {"Content-Disposition": f'inline; filename="{name}"', "Cache-Control": "private, no-store"}
    return Response(paper_pdf(paper), media_type="application/pdf", headers=headers)

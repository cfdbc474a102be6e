"""Labels of molds and pours: to be printed, and to be read from a photo where a browser cannot do that itself."""

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, File, Query, UploadFile
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from inspector.errors import InputError
from inspector.web.describing import LabelsAnswer
from inspector.web.language import ntr, spoken, tr
from inspector.web.looking_up import find_mold
from inspector.web.pages import ShopDep
from inspector.web.quantities import clock
from inspector.web.reviewer import cleaned_name
from inspector.web.rights import least
from inspector.workshop import Label, Workshop, labels_pdf

__all__ = ["router"]

router = APIRouter()

# Some twenty pages.
_MOST_LABELS = 300
_NAME_LENGTH = 200
# Of a pour, as many as its label has room for.
_MOLDS_NAMED = 2


@router.get("/labels.pdf", response_class=Response)
@least("see")
def print_labels(
    request: Request,
    shop: ShopDep,
    mold: Annotated[list[str], Query(max_length=_MOST_LABELS)] = [],  # noqa: B006 - only read
    pour: Annotated[list[int], Query(max_length=_MOST_LABELS)] = [],  # noqa: B006 - only read
) -> Response:
    """Give labels of these molds and pours as a PDF, or those of all molds."""
    if mold or pour:
        labels = [_mold_label(request, shop, name) for name in mold]
        labels += [_pour_label(request, shop, pour_id) for pour_id in pour]
    else:
        labels = [_mold_label(request, shop, item.name) for item in shop.molds()]
    if not labels:
        raise HTTPException(404, tr("There is no mold yet that a label could be printed for. Set up the first one."))
    headers = {"Content-Disposition": 'inline; filename="labels.pdf"', "Cache-Control": "private, no-cache"}
    pdf = labels_pdf(labels, title=tr("Labels"), language=spoken().text)
    return Response(pdf, media_type="application/pdf", headers=headers)


@router.post("/labels/reading", response_class=JSONResponse, responses={200: {"model": LabelsAnswer}})
@least("record")
def read_label(request: Request, shop: ShopDep, photo: Annotated[UploadFile, File()]) -> dict[str, list[str]]:
    """Read what the QR codes in a photo say; nothing is kept. None where no code could be read."""
    if (photo.size or 0) > request.app.state.settings.max_photo_bytes:
        raise InputError(tr("The photo of the label is too large. Take it smaller, as a JPEG for instance."))
    name = cleaned_name(photo.filename or "label", max_length=_NAME_LENGTH)
    return {"labels": list(shop.read_labels(photo.file.read(), name=name))}


def _mold_label(request: Request, shop: Workshop, name: str) -> Label:
    mold = find_mold(shop, name)
    return Label(
        heading=mold.title or mold.name, lines=(tr("Mold"), mold.name), address=_address(request, {"mold": mold.name})
    )


def _pour_label(request: Request, shop: Workshop, pour_id: int) -> Label:
    try:
        pour = shop.pour(pour_id)
    except InputError as error:
        raise HTTPException(404, str(error)) from error
    titles = {item.name: item.title or item.name for item in shop.molds()}
    into = [titles[name] for name in pour.molds[:_MOLDS_NAMED]]
    if len(pour.molds) > _MOLDS_NAMED:
        into.append(ntr("%(count)s more", "%(count)s more", len(pour.molds) - _MOLDS_NAMED))
    lines = (clock(pour.poured_at), pour.mix or tr("mix unknown"), ", ".join(into))
    return Label(heading=tr("Pour %(id)s", id=pour.id), lines=lines, address=_address(request, {"pour": str(pour.id)}))


def _address(request: Request, chosen: dict[str, str]) -> str:
    """Where the page for taking photos opens with this choice, by the name that the printing browser calls it."""
    return f"{request.base_url}photograph?{urlencode(chosen)}"

"""Pages that set up a mold: its first good pieces, the outlines found on them, what it is to meet."""

import hashlib
from datetime import date, datetime, time
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, File, Form, UploadFile
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from inspector.errors import InputError
from inspector.web.language import tr
from inspector.web.looking_up import Id, find_mold_detail, find_reference
from inspector.web.pages import ShopDep, render
from inspector.web.pictures import picture_response
from inspector.web.quantities import TypedNumber
from inspector.web.reviewer import MAX_NAME_LENGTH, cleaned_name, given_name, remember_reviewer
from inspector.web.rights import least
from inspector.workshop import Workshop

__all__ = ["router"]

router = APIRouter()

_TEXT_LENGTH = 200
_NAME_LENGTH = 200

Text = Annotated[str, Form(max_length=_TEXT_LENGTH)]
Name = Annotated[str, Form(max_length=10 * MAX_NAME_LENGTH)]
Photos = Annotated[list[UploadFile], File()]


@router.get("/molds/new", response_class=HTMLResponse)
@least("see")
def show_new_mold(request: Request) -> HTMLResponse:
    """Show the form that begins a mold."""
    return render(request, "mold_new.html", {})


@router.post("/molds")
@least("record")
def add_mold(
    request: Request,
    shop: ShopDep,
    title: Text = "",
    material: Text = "",
    release_agent: Text = "",
    photos: Photos = [],  # noqa: B006 - only read
) -> Response:
    """Begin a mold with photos of good pieces, and go on to their outlines."""
    mold = shop.add_titled_mold(title, material=material, release_agent=release_agent)
    return _add_references(request, shop, mold.name, mold.views[0], photos)


@router.get("/molds/{mold}/setup", response_class=HTMLResponse)
@least("see")
def show_setup(request: Request, shop: ShopDep, mold: str) -> HTMLResponse:
    """Show what a mold is made of: references, features, targets."""
    return _setup_page(request, shop, mold)


@router.post("/molds/{mold}/references")
@least("record")
def add_references(
    request: Request,
    shop: ShopDep,
    mold: str,
    view: Text = "front",
    photos: Photos = [],  # noqa: B006 - only read
) -> Response:
    """Add photos of good pieces to a mold, of one side of them."""
    find_mold_detail(shop, mold)
    shop.add_view(mold, view)
    return _add_references(request, shop, mold, view.strip(), photos)


@router.get("/references/{reference_id}/outline.jpg", response_class=Response)
@least("see")
def show_outline(request: Request, shop: ShopDep, reference_id: Id) -> Response:
    """The photo of a reference with the outline that was found and the features drawn on it."""
    reference = find_reference(shop, reference_id)
    drawn = hashlib.sha256(repr((reference.outline_xy, reference.features)).encode()).hexdigest()[:16]
    name = f"reference-{reference_id}-{drawn}.jpg"
    return picture_response(request, name, lambda: shop.reference_picture(reference_id, max_side_px=800).data)


@router.post("/references/{reference_id}/answer")
@least("record")
def answer(shop: ShopDep, reference_id: Id, is_piece: Annotated[str, Form(pattern="^(yes|no)$")]) -> RedirectResponse:
    """Say whether the outline that was found is the piece."""
    reference = find_reference(shop, reference_id)
    if is_piece == "yes":
        shop.confirm_reference(reference_id)
    else:
        shop.discard_reference(reference_id)
    return _to_setup(reference.mold, "outlines")


@router.post("/references/{reference_id}/retirement")
@least("record")
def retire(shop: ShopDep, reference_id: Id, name: Name = "", why: Text = "") -> RedirectResponse:
    """Compare pieces with a reference no more."""
    reference = find_reference(shop, reference_id)
    who = given_name(name)
    shop.retire_reference(reference_id, said_by=who, why=why)
    response = _to_setup(reference.mold, "outlines")
    remember_reviewer(response, who)
    return response


@router.post("/references/{reference_id}/return")
@least("record")
def use_again(shop: ShopDep, reference_id: Id, name: Name = "") -> RedirectResponse:
    """Compare pieces again with a reference that was retired."""
    reference = find_reference(shop, reference_id)
    shop.use_reference_again(reference_id, said_by=given_name(name))
    return _to_setup(reference.mold, "outlines")


@router.post("/molds/{mold}/targets")
@least("manage")
def set_targets(
    shop: ShopDep,
    mold: str,
    target_loss_percent: Annotated[TypedNumber | None, Form()] = None,
    piece_cost: Annotated[TypedNumber | None, Form()] = None,
    mold_hour_cost: Annotated[TypedNumber | None, Form()] = None,
    turnaround_h: Annotated[TypedNumber | None, Form()] = None,
) -> RedirectResponse:
    """Say what the window of a mold is to meet."""
    find_mold_detail(shop, mold)
    shop.planning.set_mold(
        mold,
        target_loss=None if target_loss_percent is None else target_loss_percent / 100,
        piece_cost=piece_cost,
        mold_hour_cost=mold_hour_cost,
        turnaround_h=turnaround_h,
    )
    return _to_setup(mold, "targets")


@router.post("/molds/{mold}/design")
@least("manage")
def set_design(shop: ShopDep, mold: str, design: Text = "") -> RedirectResponse:
    """Say which of the designs that sites share a mold is of; an empty one is none of them."""
    find_mold_detail(shop, mold)
    shop.designs.set(mold, design or None)
    return _to_setup(mold, "design")


@router.post("/molds/{mold}/release-agent")
@least("record")
def change_release_agent(
    shop: ShopDep, mold: str, release_agent: Text = "", from_day: Annotated[date | None, Form()] = None, name: Name = ""
) -> RedirectResponse:
    """Say that another release agent is put on a mold from a day on."""
    find_mold_detail(shop, mold)
    who = given_name(name)
    if from_day is None:
        raise InputError(tr("Say from which day on the new release agent is used."))
    shop.change_release_agent(mold, release_agent, from_at=datetime.combine(from_day, time()), said_by=who)
    response = _to_setup(mold, "release-agent")
    remember_reviewer(response, who)
    return response


def _add_references(request: Request, shop: Workshop, mold: str, view: str, photos: list[UploadFile]) -> Response:
    """Segment photos of good pieces; those that are refused are told, and do not stop the others."""
    refused = []
    for upload in photos:
        if not (upload.filename or upload.size):
            continue  # the nameless empty file of a field in which nothing was chosen
        name = cleaned_name(upload.filename or "photo", max_length=_NAME_LENGTH)
        try:
            if (upload.size or 0) > request.app.state.settings.max_photo_bytes:
                sentence = tr("Photo %(name)s is too large. Send it smaller, as a JPEG for instance.", name=name)
                raise InputError(sentence)
            with request.app.state.preparing:
                shop.add_reference(upload.file.read(), name=name, mold=mold, view=view)
        except InputError as error:
            refused.append(str(error))
    if refused:
        return _setup_page(request, shop, mold, refused=refused)
    return _to_setup(mold, "outlines")


def _setup_page(request: Request, shop: Workshop, mold: str, *, refused: list[str] | None = None) -> HTMLResponse:
    detail = find_mold_detail(shop, mold)
    context = {
        "detail": detail,
        "to_check": [item for item in detail.references if not item.confirmed],
        "in_use": [item for item in detail.references if item.in_use],
        "retired": [item for item in detail.references if item.confirmed and not item.in_use],
        "uses": shop.reference_uses(mold),
        "today": datetime.now().astimezone().date(),
        "designs": shop.designs.choices(mold),
        "setting": shop.planning.mold_setting(mold),
        "refused": refused or [],
    }
    return render(request, "mold_setup.html", context)


def _to_setup(mold: str, place: str) -> RedirectResponse:
    return RedirectResponse(f"/molds/{quote(mold, safe='')}/setup#{place}", status_code=303)

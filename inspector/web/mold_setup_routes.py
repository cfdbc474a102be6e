"""Pages that set up a mold: its first good pieces, the outlines found on them, its features, what it is to meet."""

import hashlib
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, File, Form, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from inspector.errors import InputError
from inspector.web.language import tr
from inspector.web.looking_up import Id
from inspector.web.pages import ShopDep, render
from inspector.web.pictures import kept_picture
from inspector.web.quantities import TypedNumber
from inspector.web.reviewer import MAX_NAME_LENGTH, cleaned_name, given_name, remember_reviewer
from inspector.web.rights import least
from inspector.workshop import FeatureProposal, LoggedPhoto, MoldDetail, MoldReference, Workshop

__all__ = ["router"]

router = APIRouter()

_TEXT_LENGTH = 200
_NAME_LENGTH = 200

Text = Annotated[str, Form(max_length=_TEXT_LENGTH)]
Name = Annotated[str, Form(max_length=10 * MAX_NAME_LENGTH)]
Photos = Annotated[list[UploadFile], File()]


@dataclass(frozen=True, slots=True)
class ProposedOn:
    """The proposals on one reference photo."""

    reference: MoldReference
    photo: LoggedPhoto
    proposals: tuple[FeatureProposal, ...]

    def points(self, proposal: FeatureProposal) -> str:
        """Corners for an SVG polygon, in pixels of the photo."""
        return " ".join(f"{x:.0f},{y:.0f}" for x, y in proposal.polygon_xy)

    def place_percent(self, proposal: FeatureProposal) -> tuple[float, float]:
        """Where the number of a proposal belongs, in percent of the photo's width and height."""
        xs, ys = zip(*proposal.polygon_xy, strict=True)
        x = 100 * (min(xs) + max(xs)) / 2 / self.photo.width_px
        return round(x, 1), round(100 * (min(ys) + max(ys)) / 2 / self.photo.height_px, 1)


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
    _find_mold(shop, mold)
    shop.add_view(mold, view)
    return _add_references(request, shop, mold, view.strip(), photos)


@router.get("/references/{reference_id}/outline.jpg", response_class=Response)
@least("see")
def show_outline(request: Request, shop: ShopDep, reference_id: Id) -> Response:
    """The photo of a reference with the outline that was found and the features drawn on it."""
    reference = _find_reference(shop, reference_id)
    drawn = hashlib.sha256(repr((reference.outline_xy, reference.features)).encode()).hexdigest()[:16]
    name = f"reference-{reference_id}-{drawn}.jpg"
    folder = request.app.state.settings.data_dir / "pictures"
    data = kept_picture(folder, name, lambda: shop.reference_picture(reference_id, max_side_px=800).data)
    return Response(data, media_type="image/jpeg", headers={"Cache-Control": "private, no-cache"})


@router.post("/references/{reference_id}/answer")
@least("record")
def answer(shop: ShopDep, reference_id: Id, is_piece: Annotated[str, Form(pattern="^(yes|no)$")]) -> RedirectResponse:
    """Say whether the outline that was found is the piece."""
    reference = _find_reference(shop, reference_id)
    if is_piece == "yes":
        shop.confirm_reference(reference_id)
    else:
        shop.discard_reference(reference_id)
    return _to_setup(reference.mold, "outlines")


@router.post("/references/{reference_id}/retirement")
@least("record")
def retire(shop: ShopDep, reference_id: Id, name: Name = "", why: Text = "") -> RedirectResponse:
    """Compare pieces with a reference no more."""
    reference = _find_reference(shop, reference_id)
    who = given_name(name)
    shop.retire_reference(reference_id, said_by=who, why=why)
    response = _to_setup(reference.mold, "outlines")
    remember_reviewer(response, who)
    return response


@router.post("/references/{reference_id}/return")
@least("record")
def use_again(shop: ShopDep, reference_id: Id, name: Name = "") -> RedirectResponse:
    """Compare pieces again with a reference that was retired."""
    reference = _find_reference(shop, reference_id)
    shop.use_reference_again(reference_id, said_by=given_name(name))
    return _to_setup(reference.mold, "outlines")


@router.get("/molds/{mold}/features", response_class=HTMLResponse)
@least("see")
def show_features(request: Request, shop: ShopDep, mold: str) -> HTMLResponse:
    """Show thin parts that may break, to be named."""
    detail = _find_mold(shop, mold)
    proposals = shop.feature_proposals(mold) if any(item.in_use for item in detail.references) else ()
    by_reference: dict[int, list[FeatureProposal]] = {}
    for proposal in proposals:
        by_reference.setdefault(proposal.reference.id, []).append(proposal)
    proposed = [
        ProposedOn(of_one[0].reference, shop.photo(of_one[0].reference.photo_id), tuple(of_one))
        for of_one in by_reference.values()
    ]
    return render(request, "mold_features.html", {"detail": detail, "proposed": proposed})


@router.post("/molds/{mold}/features")
@least("record")
def name_features(
    shop: ShopDep,
    mold: str,
    number: Annotated[list[int], Form()] = [],  # noqa: B006 - only read
    name: Annotated[list[str], Form()] = [],  # noqa: B006 - only read
) -> RedirectResponse:
    """Make features of those thin parts that got a name."""
    _find_mold(shop, mold)
    named = {of: text.strip() for of, text in zip(number, name, strict=False) if text.strip()}
    if not named:
        raise InputError(tr("No thin part got a name. Go back and name those that may break, or skip this step."))
    shop.accept_proposals(mold, list(named), names=[text[:_NAME_LENGTH] for text in named.values()])
    return _to_setup(mold, "features")


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
    _find_mold(shop, mold)
    shop.planning.set_mold(
        mold,
        target_loss=None if target_loss_percent is None else target_loss_percent / 100,
        piece_cost=piece_cost,
        mold_hour_cost=mold_hour_cost,
        turnaround_h=turnaround_h,
    )
    return _to_setup(mold, "targets")


@router.post("/molds/{mold}/release-agent")
@least("record")
def change_release_agent(
    shop: ShopDep, mold: str, release_agent: Text = "", from_day: Annotated[date | None, Form()] = None, name: Name = ""
) -> RedirectResponse:
    """Say that another release agent is put on a mold from a day on."""
    _find_mold(shop, mold)
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
    detail = _find_mold(shop, mold)
    context = {
        "detail": detail,
        "to_check": [item for item in detail.references if not item.confirmed],
        "in_use": [item for item in detail.references if item.in_use],
        "retired": [item for item in detail.references if item.confirmed and not item.in_use],
        "uses": shop.reference_uses(mold),
        "today": datetime.now().astimezone().date(),
        "setting": shop.planning.mold_setting(mold),
        "refused": refused or [],
    }
    return render(request, "mold_setup.html", context)


def _find_mold(shop: Workshop, mold: str) -> MoldDetail:
    try:
        return shop.mold(mold)
    except InputError as error:
        raise HTTPException(404, str(error)) from error


def _find_reference(shop: Workshop, reference_id: int) -> MoldReference:
    try:
        return shop.reference(reference_id)
    except InputError as error:
        raise HTTPException(404, str(error)) from error


def _to_setup(mold: str, place: str) -> RedirectResponse:
    return RedirectResponse(f"/molds/{quote(mold, safe='')}/setup#{place}", status_code=303)

"""The page that names what can break on a mold's pieces: thin parts that are proposed, and parts that people draw."""

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from inspector.errors import InputError
from inspector.web.language import tr
from inspector.web.looking_up import Id, find_mold_detail, find_photo, find_reference
from inspector.web.marks import OUTLINE_LENGTH, read_points
from inspector.web.pages import ShopDep, render
from inspector.web.part_letters import PlacedLetter, letter, place_letters
from inspector.web.rights import least
from inspector.workshop import Feature, FeatureProposal, LoggedPhoto, MoldReference, Workshop

__all__ = ["router"]

router = APIRouter()

_NAME_LENGTH = 200

Name = Annotated[str, Form(max_length=_NAME_LENGTH)]


@dataclass(frozen=True, slots=True)
class ShownReference:
    """A reference photo with the parts that are named on it, and those that are proposed."""

    reference: MoldReference
    photo: LoggedPhoto
    proposals: tuple[FeatureProposal, ...]
    """Those without a name."""
    elsewhere: tuple[tuple[Feature, str], ...]
    """Features of the same view that are drawn on other references, with the names of those."""

    def lettered(self) -> tuple[tuple[str, Feature], ...]:
        """The features, each with the letter that it bears on the photo."""
        return tuple((letter(number), feature) for number, feature in enumerate(self.reference.features))

    def placed_letters(self) -> tuple[PlacedLetter, ...]:
        """Where the letters of the features and the numbers of the proposals stand."""
        named = [(sign, feature.polygon_xy) for sign, feature in self.lettered()]
        return place_letters(
            named + [(str(one.number), one.polygon_xy) for one in self.proposals],
            piece_xy=self.reference.outline_xy,
            width_px=self.photo.width_px,
            height_px=self.photo.height_px,
        )


@dataclass(frozen=True, slots=True)
class Drawing:
    """What somebody drew and could not keep: it stays on the page."""

    reference_id: int
    name: str
    outline: str
    corrects: bool
    complaint: str


@router.get("/molds/{mold}/features", response_class=HTMLResponse)
@least("see")
def show_features(
    request: Request, shop: ShopDep, mold: str, reference: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None
) -> HTMLResponse:
    """Show what has a name on a mold's pieces, and thin parts that may get one; `reference` is shown as well."""
    return _features_page(request, shop, mold, wanted_id=reference)


@router.post("/molds/{mold}/features")
@least("record")
def name_proposals(
    shop: ShopDep,
    mold: str,
    number: Annotated[list[int], Form()] = [],  # noqa: B006 - only read
    name: Annotated[list[str], Form()] = [],  # noqa: B006 - only read
) -> RedirectResponse:
    """Make features of those thin parts that got a name."""
    find_mold_detail(shop, mold)
    named = {of: text.strip() for of, text in zip(number, name, strict=False) if text.strip()}
    if not named:
        raise InputError(tr("No thin part got a name. Go back and name those that may break, or skip this step."))
    shop.accept_proposals(mold, list(named), names=[text[:_NAME_LENGTH] for text in named.values()])
    return RedirectResponse(f"/molds/{quote(mold, safe='')}/setup#features", status_code=303)


@router.post("/references/{reference_id}/features")
@least("record")
def draw_feature(
    request: Request,
    shop: ShopDep,
    reference_id: Id,
    outline: Annotated[str, Form(max_length=OUTLINE_LENGTH)],
    name: Name = "",
    corrects: Name = "",
) -> Response:
    """Name a part that was drawn on a reference photo, or give the feature that `corrects` names another outline."""
    reference = find_reference(shop, reference_id)
    try:
        outline_xy = read_points(outline)
        if corrects:
            shop.naming.correct(corrects, reference_id=reference_id, outline_xy=outline_xy)
        else:
            shop.naming.draw(name, reference_id=reference_id, outline_xy=outline_xy)
    except InputError as error:
        kept = Drawing(reference_id, corrects or name.strip(), outline, bool(corrects), str(error))
        return _features_page(request, shop, reference.mold, wanted_id=reference_id, drawing=kept)
    return _to_features(reference)


@router.post("/references/{reference_id}/features/removal")
@least("record")
def remove_feature(shop: ShopDep, reference_id: Id, name: Name) -> RedirectResponse:
    """Take a feature away from the reference photo that it is drawn on."""
    reference = find_reference(shop, reference_id)
    shop.naming.remove(name, reference_id=reference_id)
    return _to_features(reference)


def _features_page(
    request: Request, shop: Workshop, mold: str, *, wanted_id: int | None, drawing: Drawing | None = None
) -> HTMLResponse:
    detail = find_mold_detail(shop, mold)
    in_use = [item for item in detail.references if item.in_use]
    proposals = shop.feature_proposals(mold) if in_use else ()
    proposed_on = {proposal.reference.id for proposal in proposals if proposal.named is None}
    shown_ids = {item.id for item in in_use if item.features or item.id in proposed_on or item.id == wanted_id}
    for view in detail.mold.views:
        of_view = [item.id for item in in_use if item.view == view]
        if of_view and not shown_ids.intersection(of_view):
            shown_ids.add(of_view[0])
    shown = [
        ShownReference(
            reference=item,
            photo=find_photo(shop, item.photo_id),
            proposals=tuple(one for one in proposals if one.reference.id == item.id and one.named is None),
            elsewhere=tuple(
                (feature, other.name)
                for other in detail.references
                if other.id != item.id and other.view == item.view
                for feature in other.features
            ),
        )
        for item in in_use
        if item.id in shown_ids
    ]
    context = {
        "detail": detail,
        "shown": shown,
        "other_references": [item for item in in_use if item.id not in shown_ids],
        "drawing": drawing,
    }
    return render(request, "mold_features.html", context, status=200 if drawing is None else 422)


def _to_features(reference: MoldReference) -> RedirectResponse:
    address = f"/molds/{quote(reference.mold, safe='')}/features?reference={reference.id}#parts-{reference.id}"
    return RedirectResponse(address, status_code=303)

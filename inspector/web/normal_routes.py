"""The page that tells what is normal for a mold: places at which marks were dismissed, and pieces passed as good."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from inspector.web.looking_up import Id, find_mold_detail, find_photo
from inspector.web.pages import ShopDep, render
from inspector.web.reviewer import MAX_NAME_LENGTH, given_name, remember_reviewer
from inspector.web.rights import least
from inspector.workshop import (
    LATEST_PIECES_TEACH,
    MOST_REFERENCES,
    LoggedPhoto,
    MoldReference,
    NormalPlace,
    PieceFilter,
    Points,
    ReviewedFinding,
    Workshop,
)

__all__ = ["router"]

router = APIRouter()

_MOST_PROPOSED = 6
# Who said so is looked up to ask about it, and outlines say where: hundreds of either on one place only make the page
# slow, and the photo below them is not seen any more.
_WORDS_SHOWN = 12


@dataclass(frozen=True, slots=True)
class NumberedPlace:
    """A place as it is drawn and listed."""

    number: int
    place: NormalPlace
    x_percent: float
    y_percent: float
    """Where its number belongs, in percent of the photo's width and height."""
    latest_outlines_xy: tuple[Points, ...]
    """Those of the latest marks that were dismissed there, in pixels of the photo."""

    @property
    def latest_words(self) -> tuple[ReviewedFinding, ...]:
        """The latest that was said about marks there, those dismissed first."""
        said = self.place.dismissed + self.place.confirmed
        latest = {finding.id for finding in sorted(said, key=lambda finding: finding.at)[-_WORDS_SHOWN:]}
        return tuple(finding for finding in said if finding.id in latest)

    def points(self, outline_xy: Points) -> str:
        """Corners for an SVG polygon, in pixels of the photo."""
        return " ".join(f"{x:.0f},{y:.0f}" for x, y in outline_xy)


@dataclass(frozen=True, slots=True)
class PlacesOn:
    """The places on one reference photo."""

    reference: MoldReference
    photo: LoggedPhoto
    places: tuple[NumberedPlace, ...]


@router.get("/molds/{mold}/normal", response_class=HTMLResponse)
@least("see")
def show_normal(request: Request, shop: ShopDep, mold: str) -> HTMLResponse:
    """Show what is normal for a mold, and which reviews taught it."""
    detail = find_mold_detail(shop, mold)
    teaches_by_latest = shop.count_pieces(PieceFilter(mold=mold)) > LATEST_PIECES_TEACH
    context = {
        "detail": detail,
        "maps": _maps(shop, shop.lessons.places(mold)),
        "passed": shop.passed_photos(mold)[:_MOST_PROPOSED],
        "unpassed": shop.unpassed_references(mold),
        "most_references": MOST_REFERENCES,
        "latest_teach": LATEST_PIECES_TEACH if teaches_by_latest else None,
    }
    return render(request, "mold_normal.html", context)


@router.post("/molds/{mold}/passed")
@least("record")
def compare_with_passed(
    request: Request, shop: ShopDep, mold: str, photo_id: Annotated[int, Form(ge=1, le=2**31 - 1)]
) -> RedirectResponse:
    """Make a reference of a photo of a piece that was passed as good, and go on to its outline."""
    find_mold_detail(shop, mold)
    find_photo(shop, photo_id)
    with request.app.state.preparing:
        check = shop.add_passed_reference(photo_id)
    return RedirectResponse(f"/molds/{quote(check.reference.mold, safe='')}/setup#outlines", status_code=303)


@router.post("/molds/{mold}/normal/{place_id}")
@least("record")
def switch_place(
    shop: ShopDep,
    mold: str,
    place_id: Id,
    normal: Annotated[str, Form(pattern="^(yes|no)$")],
    name: Annotated[str, Form(max_length=10 * MAX_NAME_LENGTH)] = "",
) -> RedirectResponse:
    """Say whether a place is taken as normal."""
    find_mold_detail(shop, mold)
    who = given_name(name)
    shop.lessons.switch(mold, place_id, on=normal == "yes", said_by=who)
    response = RedirectResponse(f"/molds/{quote(mold, safe='')}/normal#place-{place_id}", status_code=303)
    remember_reviewer(response, who)
    return response


def _maps(shop: Workshop, places: Sequence[NormalPlace]) -> list[PlacesOn]:
    """Places by the reference that they are drawn on, those in use first, numbered through."""
    by_reference: dict[int, list[NormalPlace]] = {}
    for place in sorted(places, key=lambda place: not place.reference.in_use):
        by_reference.setdefault(place.reference.id, []).append(place)
    maps = []
    number = 0
    for of_one in by_reference.values():
        photo = shop.photo(of_one[0].reference.photo_id)
        numbered = []
        for place in of_one:
            number += 1
            outlines_xy = place.outlines_xy[-_WORDS_SHOWN:]
            xs, ys = zip(*(point for outline in outlines_xy for point in outline), strict=True)
            numbered.append(
                NumberedPlace(
                    number,
                    place,
                    x_percent=round(min(96.0, 100 * max(xs) / photo.width_px + 0.5), 1),
                    y_percent=round(max(6.0, 100 * min(ys) / photo.height_px), 1),
                    latest_outlines_xy=outlines_xy,
                )
            )
        maps.append(PlacesOn(of_one[0].reference, photo, tuple(numbered)))
    return maps

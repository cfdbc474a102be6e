"""The page that tells what is normal for a mold: places at which marks were dismissed, and pieces passed as good."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from inspector.web.looking_up import Id, find_mold, find_photo
from inspector.web.pages import ShopDep, render
from inspector.web.reviewer import MAX_NAME_LENGTH, given_name, remember_reviewer
from inspector.web.rights import least
from inspector.web.turning import PlaceQuery, place_in, turning
from inspector.workshop import (
    LATEST_PIECES_TEACH,
    MOST_REFERENCES,
    LoggedPhoto,
    MoldReference,
    NormalPlace,
    PieceFilter,
    PlaceInList,
    Points,
    ReviewedFinding,
    Workshop,
    cut_page,
)

__all__ = ["router"]

router = APIRouter()

_MOST_PROPOSED = 6
_PLACES_A_PAGE = 12
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
def show_normal(request: Request, shop: ShopDep, mold: str, place: PlaceQuery = "") -> HTMLResponse:
    """Show what is normal for a mold, and which reviews taught it; `place` is where the list of places goes on."""
    known = find_mold(shop, mold)
    ordered = sorted(shop.lessons.places(mold), key=lambda spot: (-_rank(spot), spot.id))
    found = cut_page(
        list(enumerate(ordered, start=1)),
        lambda item: PlaceInList(_rank(item[1]), item[1].id),
        limit=_PLACES_A_PAGE,
        place=place_in(place),
    )
    turn = turning(found, f"/molds/{quote(mold, safe='')}/normal", {})
    teaches_by_latest = shop.count_pieces(PieceFilter(mold=mold)) > LATEST_PIECES_TEACH
    context = {
        "mold": known,
        "maps": _maps(shop, found.items),
        "shown": [number for number, _ in found.items],
        "total": len(ordered),
        "turn": turn,
        "place": place,
        "passed": shop.passed_pieces(mold, most=_MOST_PROPOSED),
        "most_references": MOST_REFERENCES,
        "latest_teach": LATEST_PIECES_TEACH if teaches_by_latest else None,
    }
    response = render(request, "mold_normal.html", context)
    response.headers.update(turn.headers)
    return response


@router.post("/molds/{mold}/passed")
@least("record")
def compare_with_passed(
    request: Request, shop: ShopDep, mold: str, photo_id: Annotated[int, Form(ge=1, le=2**31 - 1)]
) -> RedirectResponse:
    """Make a reference of a photo of a piece that was passed as good, and go on to its outline."""
    find_mold(shop, mold)
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
    place: Annotated[str, Form(max_length=100)] = "",
) -> RedirectResponse:
    """Say whether a place is taken as normal; `place` is where the page began that said so."""
    find_mold(shop, mold)
    began = "" if place_in(place) is None else f"?{urlencode({'place': place})}"
    who = given_name(name)
    shop.lessons.switch(mold, place_id, on=normal == "yes", said_by=who)
    response = RedirectResponse(f"/molds/{quote(mold, safe='')}/normal{began}#place-{place_id}", status_code=303)
    remember_reviewer(response, who)
    return response


def _rank(place: NormalPlace) -> float:
    """What places are listed by, the highest first: those dismissed on most pieces, and all that rest below them."""
    return float(place.dismissed_pieces) if place.reference.in_use else -1.0 / place.dismissed_pieces


def _maps(shop: Workshop, places: Iterable[tuple[int, NormalPlace]]) -> list[PlacesOn]:
    """Numbered places by the reference that they are drawn on."""
    by_reference: dict[int, list[tuple[int, NormalPlace]]] = {}
    for number, place in places:
        by_reference.setdefault(place.reference.id, []).append((number, place))
    maps = []
    for of_one in by_reference.values():
        reference = of_one[0][1].reference
        photo = shop.photo(reference.photo_id)
        numbered = []
        for number, place in of_one:
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
        maps.append(PlacesOn(reference, photo, tuple(numbered)))
    return maps

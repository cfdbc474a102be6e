"""The page on which it is chosen whether pages and sheets are metric or in US customary units."""

from typing import Annotated

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from inspector.web.pages import ShopDep, render
from inspector.web.reviewer import MAX_NAME_LENGTH, given_name, remember_reviewer
from inspector.web.rights import least
from inspector.workshop import UNIT_SYSTEMS, UnitSystem

__all__ = ["router"]

router = APIRouter()


@router.get("/units", response_class=HTMLResponse)
@least("manage")
def show_units(request: Request, shop: ShopDep) -> HTMLResponse:
    """Show which units the pages are in, and who chose them."""
    return render(request, "units.html", {"systems": UNIT_SYSTEMS, "choices": shop.unit_choices()})


@router.post("/units")
@least("manage")
def choose_units(
    shop: ShopDep,
    units: Annotated[UnitSystem, Form()],
    name: Annotated[str, Form(max_length=10 * MAX_NAME_LENGTH)] = "",
) -> RedirectResponse:
    """Have all pages and sheets show other units from now on."""
    who = given_name(name)
    shop.choose_units(units, said_by=who)
    response = RedirectResponse("/units", status_code=303)
    remember_reviewer(response, who)
    return response

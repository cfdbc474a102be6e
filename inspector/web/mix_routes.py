"""The page of the mixes: which recipes there are, and adding one."""

from typing import Annotated

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from inspector.web.pages import ShopDep, render
from inspector.web.quantities import TypedNumber
from inspector.web.rights import least
from inspector.workshop import Admixture, CementClass

__all__ = ["router"]

router = APIRouter()

_TEXT_LENGTH = 500


@router.get("/mixes", response_class=HTMLResponse)
@least("see")
def show_mixes(request: Request, shop: ShopDep) -> HTMLResponse:
    """Show all mixes and the form that adds one."""
    return render(request, "mixes.html", {"mixes": shop.mixes()})


@router.post("/mixes")
@least("record")
def add_mix(
    shop: ShopDep,
    name: Annotated[str, Form(max_length=_TEXT_LENGTH)],
    cement_class: Annotated[CementClass, Form()],
    water_cement_ratio: Annotated[TypedNumber, Form()],
    aggregate: Annotated[str, Form(max_length=_TEXT_LENGTH)] = "",
    admixture: Annotated[str, Form(max_length=_TEXT_LENGTH)] = "",
    dose_percent: Annotated[TypedNumber | None, Form()] = None,
    fibres: Annotated[str, Form(max_length=_TEXT_LENGTH)] = "",
) -> RedirectResponse:
    """Add a recipe; a changed one is a new mix."""
    given = bool(admixture.strip()) or dose_percent is not None
    shop.add_mix(
        name,
        cement_class=cement_class,
        water_cement_ratio=water_cement_ratio,
        aggregate=aggregate,
        admixtures=[Admixture(name=admixture.strip(), dose_percent=dose_percent or 0.0)] if given else [],
        fibres=fibres,
    )
    return RedirectResponse("/mixes", status_code=303)

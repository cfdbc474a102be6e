"""The page on which somebody who may see several sites chooses one; where there is one, nothing leads here."""

from typing import Annotated

from fastapi import APIRouter, Form
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from inspector.web.callers import caller_of, keep_site
from inspector.web.going_back import own_path
from inspector.web.language import tr
from inspector.web.pages import render
from inspector.web.rights import least

__all__ = ["router"]

router = APIRouter()

_BACK_LENGTH = 2000


@router.get("/sites", response_class=HTMLResponse)
@least("see", of_scripts=None, of_a_site=False)
def show_sites(request: Request, back: str = "/") -> HTMLResponse:
    """Show the sites that somebody may choose from; `back` is the page that was asked for."""
    return render(request, "sites.html", {"back": own_path(back)})


@router.post("/sites")
@least("see", of_scripts=None, of_a_site=False)
def choose_site(
    request: Request,
    site: Annotated[int, Form()],
    back: Annotated[str, Form(max_length=_BACK_LENGTH)] = "/",
) -> RedirectResponse:
    """Have this browser show what belongs to another site, and go on to the page that was asked for."""
    chosen = next((one for one in caller_of(request).sites if one.id == site), None)
    if chosen is None:
        raise HTTPException(404, tr("There is no such site. Choose one of those on the page."))
    response = RedirectResponse(own_path(back), status_code=303)
    keep_site(response, request.scope, chosen)
    return response

"""Who is reviewing on this browser."""

from typing import Annotated

from fastapi import APIRouter, Form
from starlette.responses import RedirectResponse

from inspector.web.reviewer import MAX_NAME_LENGTH, given_name, remember_reviewer
from inspector.web.rights import least

__all__ = ["router"]

router = APIRouter()


@router.post("/reviewer")
@least("record")
def name_reviewer(
    reviewer: Annotated[str, Form(max_length=10 * MAX_NAME_LENGTH)] = "",
    back: Annotated[str, Form()] = "/",
) -> RedirectResponse:
    """Remember a name in this browser and go back to the page that asked for it."""
    name = given_name(reviewer)
    response = RedirectResponse(_own_path(back), status_code=303)
    remember_reviewer(response, name)
    return response


def _own_path(back: str) -> str:
    """The path asked for if it lies on these pages, else the first page."""
    is_own = back.startswith("/pieces/") and back.removeprefix("/pieces/").isdecimal() and back.isascii()
    return back if is_own else "/"

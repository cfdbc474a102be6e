"""The choice of a language, kept in the browser in which it was made."""

from typing import Annotated, Literal

from fastapi import APIRouter, Form
from starlette.responses import RedirectResponse

from inspector.web.going_back import own_path
from inspector.web.language import remember_language
from inspector.web.rights import least

__all__ = ["router"]

router = APIRouter()

_BACK_LENGTH = 2000


@router.post("/language")
@least("nobody", of_scripts=None)
def choose_language(
    language: Annotated[Literal["en", "es"], Form()], back: Annotated[str, Form(max_length=_BACK_LENGTH)] = "/"
) -> RedirectResponse:
    """Have the pages written in another language in this browser, and go back to the one that asked."""
    response = RedirectResponse(own_path(back), status_code=303)
    remember_language(response, language)
    return response

"""Who is reviewing: a name that the browser remembers, so that others see who said what."""

import unicodedata
from urllib.parse import quote, unquote

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from inspector.errors import InputError
from inspector.log import acting_as

__all__ = [
    "MAX_NAME_LENGTH",
    "ActAsReviewer",
    "cleaned_name",
    "given_name",
    "remember_reviewer",
    "required_reviewer",
    "reviewer_of",
]

MAX_NAME_LENGTH = 60

_COOKIE = "reviewer"
_REMEMBERED_S = 365 * 24 * 3600


def reviewer_of(request: Request) -> str | None:
    """The name that this browser gave, if it gave one."""
    return cleaned_name(unquote(request.cookies.get(_COOKIE, ""))) or None


def required_reviewer(request: Request) -> str:
    """The name that this browser gave.

    Raises
    ------
    InputError
        If it gave none.
    """
    name = reviewer_of(request)
    if name is None:
        raise InputError("Nobody is named as the reviewer. Go back, enter your name, and say it again.")
    return name


def given_name(text: str) -> str:
    """The name that a form gives.

    Raises
    ------
    InputError
        If it is empty.
    """
    name = cleaned_name(text)
    if not name:
        raise InputError("The name is empty. Go back and enter your name, so that others see who said what.")
    return name


class ActAsReviewer:
    """Has the log keep what a request changes under the name that its browser gave."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on."""
        with acting_as(reviewer_of(Request(scope)) if scope["type"] == "http" else None):
            await self.app(scope, receive, send)


def remember_reviewer(response: Response, name: str) -> None:
    """Have the browser send a name with its next requests."""
    response.set_cookie(_COOKIE, quote(name), max_age=_REMEMBERED_S, httponly=True, samesite="lax")


def cleaned_name(text: str, *, max_length: int = MAX_NAME_LENGTH) -> str:
    """A name on one line: no control characters, no outer blanks, not too long."""
    printable = "".join(" " if unicodedata.category(sign).startswith("C") else sign for sign in text)
    return " ".join(printable.split())[:max_length]

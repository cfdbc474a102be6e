"""Who is reviewing: whoever signed in, else a name that the browser remembers, so that others see who said what."""

import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from urllib.parse import quote, unquote

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from inspector.errors import InputError
from inspector.log import act_from_now_on_as, acting_as
from inspector.web.callers import caller_of
from inspector.web.language import tr

__all__ = [
    "MAX_NAME_LENGTH",
    "ActAsReviewer",
    "cleaned_name",
    "given_name",
    "remember_reviewer",
    "required_reviewer",
    "reviewer_of",
    "signed_in_as",
]

MAX_NAME_LENGTH = 60

_COOKIE = "reviewer"
_REMEMBERED_S = 365 * 24 * 3600

_signed_in: ContextVar[str | None] = ContextVar("signed_in", default=None)


@contextmanager
def signed_in_as(name: str | None) -> Iterator[None]:
    """Have a name stand for whoever a form names meanwhile; None leaves it to the form."""
    token = _signed_in.set(name)
    try:
        yield
    finally:
        _signed_in.reset(token)


def reviewer_of(request: Request) -> str | None:
    """The name that somebody signed in with; at this machine the name that this browser gave, if it gave one."""
    caller = caller_of(request)
    if caller.kind != "here":
        return caller.name
    return cleaned_name(unquote(request.cookies.get(_COOKIE, ""))) or None


def required_reviewer(request: Request) -> str:
    """The name that somebody signed in with, or that this browser gave.

    Raises
    ------
    InputError
        If it gave none.
    """
    name = reviewer_of(request)
    if name is None:
        raise InputError(tr("Nobody is named as the reviewer. Go back, enter your name, and say it again."))
    return name


def given_name(text: str) -> str:
    """The name that a form gives; that of whoever signed in counts more. The log keeps under it what the form changes.

    Raises
    ------
    InputError
        If it is empty.
    """
    name = _signed_in.get() or cleaned_name(text)
    if not name:
        raise InputError(tr("The name is empty. Go back and enter your name, so that others see who said what."))
    act_from_now_on_as(name)
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
    """Have the browser send a name with its next requests; one that signed in has a name already."""
    if _signed_in.get() is not None:
        return
    response.set_cookie(_COOKIE, quote(name), max_age=_REMEMBERED_S, httponly=True, samesite="lax")


def cleaned_name(text: str, *, max_length: int = MAX_NAME_LENGTH) -> str:
    """A name on one line: no control characters, no outer blanks, not too long."""
    printable = "".join(" " if unicodedata.category(sign).startswith("C") else sign for sign in text)
    return " ".join(printable.split())[:max_length]

"""Who may do what: each address states the least role that may use it, and every request is held to that.

`least("record")` above a route's function states it. An address that states nothing is refused to everybody on the
network, and a test says so. The people at this machine may do everything while the pages are served to them alone.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from re import Pattern
from typing import Literal, TypeVar
from urllib.parse import quote

from fastapi.routing import APIRoute
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Receive, Scope, Send

from inspector.errors import InspectorError
from inspector.settings import Settings
from inspector.web.callers import AT_THIS_MACHINE, NOBODY, Caller, session_code, token_code
from inspector.web.failing import failure_response
from inspector.web.language import mark, tr
from inspector.web.reviewer import signed_in_as
from inspector.workshop import Access, Role, may

__all__ = ["HoldToRights", "Least", "least", "stated"]

_Endpoint = TypeVar("_Endpoint", bound=Callable[..., object])
_STATED = "least_right"
_SIGN_IN = "/sign-in"
# Looks and scripts of the pages, the same for everybody.
_FOR_ALL = "/static/"

_NO_MANAGER = mark(
    "Nobody can sign in yet. Open the link that the program printed when it was started, on the machine that it runs "
    "on; it makes the first account."
)
_WORDS: dict[Role, str] = {"see": mark("look"), "record": mark("record"), "manage": mark("manage")}


@dataclass(frozen=True, slots=True)
class Least:
    """What an address asks of who uses it."""

    role: Role | Literal["nobody"]
    """`nobody`: whoever reaches the pages."""
    of_scripts: Role | None
    """What it asks of a script; None where it is for people only."""


def least(
    role: Role | Literal["nobody"], *, of_scripts: Role | Literal["same"] | None = "same"
) -> Callable[[_Endpoint], _Endpoint]:
    """State the least role that may use the address of a function, and that of scripts where it differs."""

    def state(endpoint: _Endpoint) -> _Endpoint:
        for_scripts: Role | None = ("see" if role == "nobody" else role) if of_scripts == "same" else of_scripts
        setattr(endpoint, _STATED, Least(role, for_scripts))
        return endpoint

    return state


def stated(endpoint: Callable[..., object]) -> Least | None:
    """What the address of a function asks; None where it states nothing."""
    return getattr(endpoint, _STATED, None)


class HoldToRights:
    """Finds out who sent a request, and refuses what they may not do before any of its body is read."""

    def __init__(self, app: ASGIApp, *, settings: Settings, routes: Iterable[BaseRoute]) -> None:
        self.app = app
        self.on_network = settings.needs_accounts
        self.most_bytes = 2 * settings.max_photo_bytes
        self.addresses: list[tuple[Pattern[str], set[str], Least | None]] = [
            (route.path_regex, route.methods or set(), stated(route.endpoint))
            for route in routes
            if isinstance(route, APIRoute)
        ]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it with a refusal."""
        if scope["type"] != "http" or scope["path"].startswith(_FOR_ALL):
            await self.app(scope, receive, send)
            return
        if not self.on_network:
            scope["caller"] = AT_THIS_MACHINE
            await self.app(scope, receive, send)
            return
        access: Access = scope["app"].state.workshop.access
        request = Request(scope, receive)
        try:
            caller = scope["caller"] = await run_in_threadpool(_find_caller, access, scope)
            refusal = self._refusal(request, caller)
            if refusal is None and scope["path"] == _SIGN_IN and not await run_in_threadpool(access.has_manager):
                refusal = failure_response(request, status=403, sentence=tr(_NO_MANAGER))
        except InspectorError as error:  # the log cannot be read just now
            caller, refusal = NOBODY, failure_response(request, status=503, sentence=str(error))
        if refusal is not None:
            await _read_out(receive, most_bytes=self.most_bytes)
            await refusal(scope, receive, send)
            return
        with signed_in_as(caller.name):
            await self.app(scope, receive, send)

    def _refusal(self, request: Request, caller: Caller) -> Response | None:
        if caller is NOBODY and token_code(request.scope) is not None:
            sentence = tr("This token is not known, or was revoked. Make a new one.")
            return failure_response(request, status=401, sentence=sentence, headers={"WWW-Authenticate": "Bearer"})
        asked = self._asked(request)
        if caller is NOBODY:
            if asked == [] or any(one is None or one.role != "nobody" for one in asked):
                return _sign_in_first(request)
            return None
        for one in asked:
            role = None if one is None else one.of_scripts if caller.kind == "script" else one.role
            if role is None:
                sentence = tr("This address is for people who sign in, not for scripts.")
                if one is None:
                    sentence = tr("This address does not say who may use it, so that nobody may.")
                return failure_response(request, status=403, sentence=sentence)
            if role != "nobody" and (caller.role is None or not may(caller.role, role)):
                return failure_response(request, status=403, sentence=_too_little(caller, role))
        return None

    def _asked(self, request: Request) -> list[Least | None]:
        """What all addresses ask that a request may be for, whichever of them answers it."""
        path, method = request.scope["path"], request.method
        return [
            asked for pattern, methods, asked in self.addresses if method in methods and pattern.match(path) is not None
        ]


async def _read_out(receive: Receive, *, most_bytes: int) -> None:
    """Take in what is still being sent, and keep none of it: a browser hears no answer while it sends a photo."""
    read_bytes = 0
    while read_bytes <= most_bytes:
        message = await receive()
        read_bytes += len(message.get("body", b""))
        if message["type"] != "http.request" or not message.get("more_body", False):
            return


def _find_caller(access: Access, scope: Scope) -> Caller:
    now = datetime.now(UTC)
    token = token_code(scope)
    if token is not None:
        script = access.token(token, now=now)
        return NOBODY if script is None else Caller("script", script.role, f"script {script.name}")
    code = session_code(scope)
    session = None if code is None else access.session(code, now=now)
    if session is None:
        return NOBODY
    account = session.account
    return Caller("person", account.role, account.name, account)


def _sign_in_first(request: Request) -> Response:
    # Somebody who opens a page is led on; a script or picture of a page would take the form for its answer.
    if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
        path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"{_SIGN_IN}?back={quote(path, safe='')}", status_code=303)
    sentence = tr("You are signed out, and nothing was kept. Sign in, go back, and send it again.")
    return failure_response(request, status=401, sentence=sentence)


def _too_little(caller: Caller, role: Role) -> str:
    has = tr("nothing") if caller.role is None else tr(_WORDS[caller.role])
    return tr(
        "%(name)s may %(has)s only, and this takes the right to %(needed)s. Ask somebody who manages accounts.",
        name=caller.name,
        has=has,
        needed=tr(_WORDS[role]),
    )

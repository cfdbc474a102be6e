"""Who may do what: each address states the least role that may use it, and every request is held to that.

`least("record")` above a route's function states it. An address that states nothing is refused to everybody on the
network, and a test says so. The people at this machine may do everything while the pages are served to them alone.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from re import Pattern
from typing import Literal, TypeVar
from urllib.parse import quote

from fastapi.routing import APIRoute
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from inspector.errors import InspectorError
from inspector.settings import Settings
from inspector.web.callers import AT_THIS_MACHINE, NOBODY, SITE_PARAMETER, Caller, chosen_site, session_code, token_code
from inspector.web.failing import failure_response
from inspector.web.language import mark, tr
from inspector.web.reviewer import signed_in_as
from inspector.workshop import Role, Site, Workshop, may

__all__ = ["HoldToRights", "Least", "least", "stated"]

_Endpoint = TypeVar("_Endpoint", bound=Callable[..., object])
_STATED = "least_right"
_SIGN_IN = "/sign-in"
_SITES = "/sites"
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
    of_a_site: bool
    """Whether it tells, or takes in, what belongs to a site."""


def least(
    role: Role | Literal["nobody"],
    *,
    of_scripts: Role | Literal["same"] | None = "same",
    of_a_site: bool = True,
) -> Callable[[_Endpoint], _Endpoint]:
    """State the least role that may use the address of a function, and that of scripts where it differs.

    Whatever asks for a role is about one site, but for what says otherwise.
    """

    def state(endpoint: _Endpoint) -> _Endpoint:
        for_scripts: Role | None = ("see" if role == "nobody" else role) if of_scripts == "same" else of_scripts
        setattr(endpoint, _STATED, Least(role, for_scripts, of_a_site and role != "nobody"))
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
        whole: Workshop = scope["app"].state.workshop
        request = Request(scope, receive)
        if not self.on_network and scope["path"] != _SITES and not self._is_of_a_site(request):
            scope["caller"], scope["workshop"] = AT_THIS_MACHINE, whole  # answered while the log cannot be read, too
            await self.app(scope, receive, send)
            return
        try:
            caller, site_id = await run_in_threadpool(_find_caller, whole, scope, on_network=self.on_network)
            scope["caller"] = caller
            # The one place where it is decided of which site a request can hear: its workshop knows no other.
            scope["workshop"] = whole if site_id is None else whole.at(site_id)
            refusal = self._refusal(request, caller, site_id=site_id)
            signs_in = refusal is None and self.on_network and scope["path"] == _SIGN_IN
            if signs_in and not await run_in_threadpool(whole.access.has_manager):
                refusal = failure_response(request, status=403, sentence=tr(_NO_MANAGER))
        except InspectorError as error:  # the log cannot be read just now
            caller, refusal = NOBODY, failure_response(request, status=503, sentence=str(error))
        if refusal is not None:
            await _read_out(receive, most_bytes=self.most_bytes)
            await refusal(scope, receive, send)
            return
        with signed_in_as(caller.name):
            await self.app(scope, receive, _staying_at(caller.site, scope, send))

    def _refusal(self, request: Request, caller: Caller, *, site_id: int | None) -> Response | None:
        if caller.role is not None and site_id is None and self._is_of_a_site(request):
            return _choose_first(request)
        return self._refusal_of_role(request, caller) if self.on_network else None

    def _is_of_a_site(self, request: Request) -> bool:
        """Whether a request is for an address that tells, or takes in, what belongs to a site."""
        return any(one is not None and one.of_a_site for one in self._asked(request))

    def _refusal_of_role(self, request: Request, caller: Caller) -> Response | None:
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


def _find_caller(whole: Workshop, scope: Scope, *, on_network: bool) -> tuple[Caller, int | None]:
    """Find who sent a request, and the site that it is about: the one that they may see, or chose of several."""
    now = datetime.now(UTC)
    token, code = token_code(scope), session_code(scope)
    if not on_network:
        sites = whole.sites.list()
        return _with_choice(AT_THIS_MACHINE, {site.id: "manage" for site in sites}, sites, scope)
    if token is not None:
        script = whole.access.token(token, now=now)
        if script is None:
            return NOBODY, None
        return Caller("script", script.role, f"script {script.name}"), script.site_id
    session = None if code is None else whole.access.session(code, now=now)
    if session is None:
        return NOBODY, None
    account = session.account
    person = Caller("person", None, account.name, account)
    return _with_choice(person, whole.access.site_roles(account.id), whole.sites.list(), scope)


def _with_choice(
    caller: Caller, roles: Mapping[int, Role], sites: Sequence[Site], scope: Scope
) -> tuple[Caller, int | None]:
    """Give a caller with what they may do at the site that they chose; without a choice they may look for one."""
    choices = tuple(site for site in sites if site.id in roles)
    chosen = choices[0] if len(choices) == 1 else None
    if len(choices) > 1:
        wanted = chosen_site(scope)
        chosen = next((site for site in choices if site.id == wanted), None)
        caller = replace(caller, sites=choices, site=chosen)
    role: Role | None = "see" if choices else None
    if chosen is not None:
        role = roles[chosen.id]
    account = None if caller.account is None else replace(caller.account, role=role)
    return replace(caller, role=role, account=account), None if chosen is None else chosen.id


def _staying_at(site: Site | None, scope: Scope, send: Send) -> Send:
    """Have a request that named its site be led on to a page of that site."""
    if site is None or f"{SITE_PARAMETER}={site.id}" not in scope["query_string"].decode("latin-1").split("&"):
        return send

    async def send_on(message: Message) -> None:
        headers = MutableHeaders(scope=message) if message["type"] == "http.response.start" else MutableHeaders()
        onward = headers.get("location", "")
        if onward.startswith("/") and not onward.startswith(_SITES):
            path, mark, fragment = onward.partition("#")
            joined = f"{path}{'&' if '?' in path else '?'}{SITE_PARAMETER}={site.id}{mark}{fragment}"
            headers["location"] = joined
        await send(message)

    return send_on


def _choose_first(request: Request) -> Response:
    if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
        path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"{_SITES}?back={quote(path, safe='')}", status_code=303)
    sentence = tr(
        "Several sites share these pages. Choose one under Sites, or add ?at= with its number to the address."
    )
    return failure_response(request, status=422, sentence=sentence)


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

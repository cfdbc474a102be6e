"""Who sent a request: somebody who signed in, a script with its token, the people at this machine, or nobody known.

A browser that signed in sends the code of its session in a cookie that scripts cannot read and other sites cannot have
sent with a form. Under TLS the cookie's name begins with `__Host-`, by which browsers keep others from planting one
(RFC 6265bis, 4.1.3).
"""

from dataclasses import dataclass
from typing import Literal
from urllib.parse import parse_qs

from starlette.datastructures import Headers
from starlette.requests import Request, cookie_parser
from starlette.responses import Response
from starlette.types import Scope

from inspector.workshop import LONGEST_SESSION, Account, Role, SignedIn, Site

__all__ = [
    "AT_THIS_MACHINE",
    "NOBODY",
    "SESSION_COOKIE",
    "SITE_PARAMETER",
    "Caller",
    "browser_code",
    "caller_of",
    "chosen_site",
    "forget_session",
    "keep_session",
    "keep_site",
    "names_a_session",
    "session_code",
    "token_code",
]

SESSION_COOKIE = "inspector-session"
"""Its name without TLS; with it, `__Host-` comes before."""
_BROWSER_COOKIE = "inspector-browser"
_SITE_COOKIE = "inspector-site"
SITE_PARAMETER = "at"
"""In an address: the number of the site that it is about."""
_LONGEST_NUMBER = 10
_BROWSER_KNOWN_S = 365 * 24 * 3600


@dataclass(frozen=True, slots=True)
class Caller:
    """Who sent a request, and what they may do."""

    kind: Literal["nobody", "person", "script", "here"]
    """`here`: the people at this machine, who need no account."""
    role: Role | None = None
    name: str | None = None
    account: Account | None = None
    sites: tuple[Site, ...] = ()
    """Those that they may choose from; empty where nobody has to know that there are sites."""
    site: Site | None = None
    """The one that they chose; None too where there is nothing to choose."""


NOBODY = Caller("nobody")
AT_THIS_MACHINE = Caller("here", "manage")


def caller_of(request: Request) -> Caller:
    """Who sent a request; nobody where it was refused before that was looked up."""
    return request.scope.get("caller", NOBODY)


def session_code(scope: Scope) -> str | None:
    """The code of a session that a request brings, whether there is such a session or not."""
    return _cookies(scope).get(_name(SESSION_COOKIE, scope))


def browser_code(scope: Scope) -> str | None:
    """What a browser in which somebody has signed in before sends."""
    return _cookies(scope).get(_name(_BROWSER_COOKIE, scope))


def token_code(scope: Scope) -> str | None:
    """The token that a request brings (RFC 6750, 2.1)."""
    scheme, _, code = Headers(scope=scope).get("authorization", "").partition(" ")
    return code.strip() if scheme.lower() == "bearer" else None


def chosen_site(scope: Scope) -> int | None:
    """The site that a request is about: as its address says, else as the browser last chose."""
    said = parse_qs(scope.get("query_string", b"").decode("latin-1")).get(SITE_PARAMETER, [])
    number = said[-1] if said else _cookies(scope).get(_name(_SITE_COOKIE, scope), "")
    return int(number) if number.isascii() and number.isdecimal() and len(number) < _LONGEST_NUMBER else None


def keep_site(response: Response, scope: Scope, site: Site) -> None:
    """Have the browser ask for what belongs to a site from now on."""
    response.set_cookie(
        _name(_SITE_COOKIE, scope),
        str(site.id),
        max_age=_BROWSER_KNOWN_S,
        path="/",
        secure=_is_secure(scope),
        httponly=True,
        samesite="lax",
    )


def names_a_session(scope: Scope) -> bool:
    """Whether a request would be taken for somebody's because of a cookie."""
    return token_code(scope) is None and session_code(scope) is not None


def keep_session(response: Response, scope: Scope, signed_in: SignedIn) -> None:
    """Have the browser send its codes with its next requests."""
    lasts_s = {SESSION_COOKIE: int(LONGEST_SESSION.total_seconds()), _BROWSER_COOKIE: _BROWSER_KNOWN_S}
    codes = {SESSION_COOKIE: signed_in.session_code, _BROWSER_COOKIE: signed_in.browser_code}
    for cookie, code in codes.items():
        response.set_cookie(
            _name(cookie, scope),
            code,
            max_age=lasts_s[cookie],
            path="/",
            secure=_is_secure(scope),
            httponly=True,
            samesite="lax",
        )


def forget_session(response: Response, scope: Scope) -> None:
    """Have the browser forget its session; it stays known as a browser in which somebody has signed in."""
    response.delete_cookie(
        _name(SESSION_COOKIE, scope), path="/", secure=_is_secure(scope), httponly=True, samesite="lax"
    )


def _name(cookie: str, scope: Scope) -> str:
    return f"__Host-{cookie}" if _is_secure(scope) else cookie


def _is_secure(scope: Scope) -> bool:
    return scope["scheme"] == "https"


def _cookies(scope: Scope) -> dict[str, str]:
    return cookie_parser(Headers(scope=scope).get("cookie", ""))

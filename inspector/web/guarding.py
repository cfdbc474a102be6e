"""What every request and answer passes: headers that bind the browser, no cross-site posts, no endless bodies.

Another web site, open in the same browser, must not post here in the name of the person at it, nor reach the pages
under a name of its own that it makes stand for this machine. Who may do what is told in `inspector.web.rights`.
"""

import ipaddress
import socket
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from inspector.settings import Settings, is_loopback
from inspector.web.callers import NOBODY, names_a_session
from inspector.web.failing import failure_response
from inspector.web.language import tr

__all__ = ["CheckHost", "LimitBody", "RefuseCrossSite", "SecurityHeaders"]

# Three words and a code, however they are encoded.
_MAX_BYTES_OF_NOBODY = 20_000
_SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

_CONTENT_SECURITY_POLICY = "; ".join(
    [
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    ]
)

_HEADERS = {
    "Content-Security-Policy": _CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Other sites learn nothing. "no-referrer" would say no more to them, but would have browsers send
    # "Origin: null" with our own forms (Fetch standard, "append a request Origin header").
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=()",
}


class SecurityHeaders:
    """Adds the headers that hold a browser to what these pages need."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and add to the answer."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
                # Pages and scripts are asked for anew, so that none is older than the log or the program.
                headers.setdefault("Cache-Control", "no-cache")
            await send(message)

        await self.app(scope, receive, send_with_headers)


class RefuseCrossSite:
    """Refuses requests that change something and that another web site made the browser send.

    Where a cookie says who sends it, the browser has to say as well that the request comes from these pages: with
    every form and script of today's browsers goes `Origin`, with most `Sec-Fetch-Site` (Fetch standard).
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it with a refusal."""
        if scope["type"] == "http" and scope["method"] not in _SAFE_METHODS and _is_cross_site(scope):
            request = Request(scope, receive)
            sentence = tr("This was sent from another web site. Open the page itself and do it there.")
            await failure_response(request, status=403, sentence=sentence)(scope, receive, send)
            return
        await self.app(scope, receive, send)


class CheckHost:
    """Refuses requests that call this machine by a name that is not its own.

    A page elsewhere can make its own name stand for this machine (DNS rebinding) and is then let by the browser to
    read what is here. It cannot do so with an address, so that addresses are allowed where the network is.
    """

    def __init__(self, app: ASGIApp, *, settings: Settings) -> None:
        self.app = app
        self.on_network = settings.needs_accounts
        self.names = {"localhost", *(name.lower().rstrip(".") for name in settings.allowed_hosts)}
        if self.on_network:
            own = socket.gethostname().lower()
            self.names |= {own, f"{own.partition('.')[0]}.local", settings.host.lower()}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it with a refusal."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        sentence = None
        if not self._is_own(headers.getlist("host")):
            sentence = tr(
                "This machine is not known by the name that was asked for. Use its address, or have it allowed: "
                "inspector serve --allowed-host NAME."
            )
        elif not self.on_network and _came_from_elsewhere(scope, headers):
            sentence = tr(
                "These pages are for the people at this machine, and this came from elsewhere. Serve them to others "
                "with --host or --proxy, which asks everybody to sign in."
            )
        if sentence is None:
            await self.app(scope, receive, send)
        else:
            await failure_response(Request(scope, receive), status=421, sentence=sentence)(scope, receive, send)

    def _is_own(self, hosts: list[str]) -> bool:
        if len(hosts) != 1:
            return False
        try:
            name = (urlsplit(f"//{hosts[0]}").hostname or "").rstrip(".")
            address = ipaddress.ip_address(name)
        except ValueError:
            return not set("/?#@\\") & set(hosts[0]) and name in self.names
        return address.is_loopback or self.on_network


class LimitBody:
    """Stops reading a request that is larger than all its photos may be; of strangers, larger than a form."""

    def __init__(self, app: ASGIApp, *, max_bytes: int) -> None:
        self.app = app
        self.max_bytes = max_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, counting what is read of it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        max_bytes = self.max_bytes
        sentence = tr(
            "The photos are more than %(most)s MB together. Send fewer at a time.", most=max_bytes // 1_000_000
        )
        if scope.get("caller", NOBODY) is NOBODY:
            max_bytes = _MAX_BYTES_OF_NOBODY
            sentence = tr("This is more than a name and a password. Sign in first.")
        declared = Headers(scope=scope).get("content-length", "")
        if declared.isdecimal() and int(declared) > max_bytes:
            await failure_response(Request(scope, receive), status=413, sentence=sentence)(scope, receive, send)
            return
        received_bytes = 0

        async def receive_counted() -> Message:
            nonlocal received_bytes
            message = await receive()
            if message["type"] == "http.request":
                received_bytes += len(message.get("body", b""))
                if received_bytes > max_bytes:
                    raise HTTPException(413, sentence)
            return message

        await self.app(scope, receive_counted, send)


def _is_cross_site(scope: Scope) -> bool:
    """Whether a browser says that the request comes from elsewhere, or says nothing where it has to."""
    headers = Headers(scope=scope)
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None and site not in {"same-origin", "none"}:
        return True
    if origin is None:
        return site is None and names_a_session(scope)  # other programs send neither, and no session
    told = urlsplit(origin)
    if scope["scheme"] == "https" and told.scheme != "https":
        return True
    # Otherwise the scheme is left out: behind a proxy that speaks TLS, and is not told to us, the two differ.
    return told.netloc.lower() != headers.get("host", "").lower()


def _came_from_elsewhere(scope: Scope, headers: Headers) -> bool:
    """Whether a request to pages that are for this machine reached them over the network or through a proxy."""
    if any(name in headers for name in ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip")):
        return True
    server = scope.get("server")
    try:
        return server is not None and not is_loopback(str(ipaddress.ip_address(server[0])))
    except ValueError:  # a socket of this machine, or a name that tests use
        return False

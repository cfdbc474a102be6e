"""What every request and answer passes: headers that bind the browser, no cross-site posts, no endless bodies.

The pages have no log-in: whoever reaches the address may review. What must not happen is that another
web site, open in the same browser, posts here in the reviewer's name.
"""

from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from inspector.web.failing import failure_response

__all__ = ["LimitBody", "RefuseCrossSite", "SecurityHeaders"]

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
    """Refuses requests that change something and that another web site made the browser send."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it with a refusal."""
        if scope["type"] == "http" and scope["method"] not in _SAFE_METHODS and _is_cross_site(Headers(scope=scope)):
            request = Request(scope, receive)
            sentence = "This was sent from another web site. Open the page itself and do it there."
            await failure_response(request, status=403, sentence=sentence)(scope, receive, send)
            return
        await self.app(scope, receive, send)


class LimitBody:
    """Stops reading a request that is larger than all its photos may be."""

    def __init__(self, app: ASGIApp, *, max_bytes: int) -> None:
        self.app = app
        self.max_bytes = max_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, counting what is read of it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        sentence = f"The photos are more than {self.max_bytes // 1_000_000} MB together. Send fewer at a time."
        declared = Headers(scope=scope).get("content-length", "")
        if declared.isdecimal() and int(declared) > self.max_bytes:
            await failure_response(Request(scope, receive), status=413, sentence=sentence)(scope, receive, send)
            return
        received_bytes = 0

        async def receive_counted() -> Message:
            nonlocal received_bytes
            message = await receive()
            if message["type"] == "http.request":
                received_bytes += len(message.get("body", b""))
                if received_bytes > self.max_bytes:
                    raise HTTPException(413, sentence)
            return message

        await self.app(scope, receive_counted, send)


def _is_cross_site(headers: Headers) -> bool:
    """Whether a browser says that the request comes from elsewhere; other programs send neither header."""
    site = headers.get("sec-fetch-site")
    if site is not None and site not in {"same-origin", "none"}:
        return True
    origin = headers.get("origin")
    if origin is None:
        return False
    # The scheme is left out: behind a proxy that speaks TLS the two differ.
    return urlsplit(origin).netloc.lower() != headers.get("host", "").lower()

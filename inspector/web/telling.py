"""One line in the program's log for each request: what was asked and how it went, and nothing that a person typed."""

import logging
import time

from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["TellRequests"]

_logger = logging.getLogger(__name__)


class TellRequests:
    """Tells of each request once it is answered: method, path, status and time; no query, cookie, name or address."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and watch its answer."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began_s = time.monotonic()
        status = 500  # what the server answers in place of an application that fails before it begins to

        async def send_watched(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self.app(scope, receive, send_watched)
        finally:
            said = {
                "method": scope["method"],
                "path": scope["path"],
                "status": status,
                "seconds": round(time.monotonic() - began_s, 4),
            }
            _logger.info("request", extra={"said": said})

"""Watches how requests are answered, for whoever tells of it or counts it."""

import time
from collections.abc import Callable

from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["WatchRequests"]


class WatchRequests:
    """Hands on each request once it is answered: its scope, the status of the answer, and how many seconds it took."""

    def __init__(self, app: ASGIApp, *, answered: Callable[[Scope, int, float], None]) -> None:
        self.app = app
        self.answered = answered

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
            self.answered(scope, status, time.monotonic() - began_s)

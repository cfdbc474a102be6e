"""Each request is answered in the language of whoever sent it, and in the units that the workshop reads."""

from functools import cache

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from inspector.web.language import Language, language_of, speaking
from inspector.web.quantities import measuring_in
from inspector.workshop import UnitSystem, Workshop

__all__ = ["SpeakAsAsked"]


class SpeakAsAsked:
    """Has each request answered in the language of whoever sent it and in the workshop's units.

    Units are asked for when the first quantity is written, once a request: few requests show any.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        language = scope["language"] = language_of(scope)

        async def send_with_language(message: Message) -> None:
            if message["type"] == "http.response.start":
                _tell_language(message, language)
            await send(message)

        def find_units() -> UnitSystem:
            workshop: Workshop | None = scope.get("workshop")
            return "metric" if workshop is None or workshop.site_id is None else workshop.units()

        with speaking(language), measuring_in(cache(find_units)):
            await self.app(scope, receive, send_with_language)


def _tell_language(message: Message, language: Language) -> None:
    headers = message["headers"]
    kind = next((value for name, value in headers if name.lower() == b"content-type"), b"")
    if kind.startswith((b"text/html", b"application/json")):
        headers.append((b"content-language", language.text.encode()))
        headers.append((b"vary", b"Accept-Language, Cookie"))

"""One line in the program's log for each request: what was asked and how it went, and nothing that a person typed."""

import logging

from starlette.types import Scope

__all__ = ["tell_request"]

_logger = logging.getLogger(__name__)


def tell_request(scope: Scope, status: int, seconds: float) -> None:
    """Tell of a request that was answered: method, path, status and time; no query, cookie, name or address."""
    said = {"method": scope["method"], "path": scope["path"], "status": status, "seconds": round(seconds, 4)}
    _logger.info("request", extra={"said": said})

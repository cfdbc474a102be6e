"""Every address that the program answers GET at, found by asking the program itself, so that none is forgotten."""

import re
from collections.abc import Mapping

from fastapi import FastAPI

__all__ = ["get_addresses", "with_parts"]

# A link with a code that is good once leads there; without one it is refused.
_BY_LINK_ONLY = "/set-password"


def get_addresses(app: FastAPI) -> list[str]:
    """The addresses, with their parts in braces; without the one that only a link with a code opens."""
    paths = app.openapi()["paths"]
    return [path for path, methods in paths.items() if "get" in methods and path != _BY_LINK_ONLY]


def with_parts(address: str, parts: Mapping[str, object]) -> str:
    """An address with something in place of each part in braces; a new part needs something in `parts`."""
    return re.sub(r"\{(\w+)\}", lambda found: str(parts[found[1]]), address)

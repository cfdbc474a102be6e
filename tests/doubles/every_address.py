"""Every address that the program answers GET at, found by asking the program itself, so that none is forgotten."""

import re
from collections.abc import Mapping

from fastapi import FastAPI

__all__ = ["get_addresses", "with_parts"]


def get_addresses(app: FastAPI) -> list[str]:
    """The addresses, with their parts in braces."""
    return [path for path, methods in app.openapi()["paths"].items() if "get" in methods]


def with_parts(address: str, parts: Mapping[str, object]) -> str:
    """An address with something in place of each part in braces; a new part needs something in `parts`."""
    return re.sub(r"\{(\w+)\}", lambda found: str(parts[found[1]]), address)

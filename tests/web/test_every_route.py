"""What holds for every address, read from the application itself, so that a new one cannot be forgotten.

There are no accounts yet: who asks is either the pages themselves or another web site open in the same browser.
"""

import re
from collections.abc import Callable, Iterator

import pytest
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

from inspector.log import list_changes
from inspector.settings import Settings
from inspector.web import create_app

FROM_ANOTHER_SITE = ({"Sec-Fetch-Site": "cross-site"}, {"Origin": "http://evil.example"}, {"Origin": "null"})
SAMPLES = {"size_px": "400", "name": "oak-leaf"}


def all_routes(routes: list[object]) -> Iterator[APIRoute]:
    for route in routes:
        if isinstance(route, APIRoute):
            yield route
        else:
            router = getattr(route, "original_router", None)  # where FastAPI keeps what was included
            yield from all_routes(list(router.routes) if router is not None else [])


def addresses(method: str) -> list[str]:
    routes = all_routes(list(create_app(Settings(data_dir=None)).routes))  # type: ignore[arg-type]
    return sorted({route.path for route in routes if method in (route.methods or ())})


def filled(path: str) -> str:
    return re.sub(r"\{(\w+)(:\w+)?\}", lambda found: SAMPLES.get(found[1], "1"), path)


def history(client: TestClient) -> list[int]:
    with client.app.state.workshop._log.reading() as session:  # type: ignore[attr-defined]
        return [change.id for change in list_changes(session, limit=1000)]


def test_the_application_tells_its_addresses() -> None:
    assert {"/", "/health", "/photos/{photo_id}/original"} <= set(addresses("GET"))
    assert {"/photos", "/reviewer"} <= set(addresses("POST"))


@pytest.mark.parametrize("path", addresses("POST"))
def test_another_site_can_post_nothing(reviewer: TestClient, add: Callable[..., int], path: str) -> None:
    add(chips=1)
    before = history(reviewer)
    for headers in FROM_ANOTHER_SITE:
        assert reviewer.post(filled(path), headers=headers).status_code == 403
    assert history(reviewer) == before


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
def test_nothing_is_written_in_other_ways(method: str) -> None:
    assert addresses(method) == []  # or the tests of this file have to send it as well


@pytest.mark.parametrize("path", addresses("GET"))
def test_looking_changes_nothing_and_binds_the_browser(
    reviewer: TestClient, add: Callable[..., int], path: str
) -> None:
    add(chips=1)
    before = history(reviewer)
    answer = reviewer.get(filled(path))
    assert answer.status_code < 500
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
    assert "unsafe" not in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert history(reviewer) == before


@pytest.mark.parametrize("path", [*(path for path in addresses("GET") if "{" in path), "/static/{path}"])
@pytest.mark.parametrize(
    "hostile", ["../../log.sqlite3", "..%2f..%2flog.sqlite3", "%2e%2e%2flog.sqlite3", "..%5clog.sqlite3", "%00", "1'--"]
)
def test_no_address_reaches_a_file(client: TestClient, path: str, hostile: str) -> None:
    answer = client.get(re.sub(r"\{[^}]+\}", hostile.replace("\\", ""), path))
    assert answer.status_code in (200, 404, 405, 422)
    assert b"SQLite format" not in answer.content
    if answer.status_code == 200:  # what a client makes of ../.. before it asks
        assert b"<html" in answer.content

"""What holds for every address, read from the application itself, so that a new one cannot be forgotten.

At this machine, who asks is either the pages themselves or another web site open in the same browser. Over the network,
every address is tried by nobody, by people and by scripts of each role.
"""

import re
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

from inspector.log.history import count_changes
from inspector.settings import Settings
from inspector.web import create_app, waiting_routes
from inspector.web.rights import stated
from inspector.workshop import ROLES, Workshop, may
from tests.web.conftest import draw_piece
from tests.web.network import Network, Prepared, served_to_network

FROM_ANOTHER_SITE = ({"Sec-Fetch-Site": "cross-site"}, {"Origin": "http://evil.example"}, {"Origin": "null"})
# Those tried belong to nobody, so that no try takes the rights of another away.
SAMPLES = {"size_px": "400", "mold": "oak-leaf", "account_id": "99", "token_id": "99"}


@cache
def all_routes() -> list[APIRoute]:
    app = create_app(Settings(data_dir=None, metrics=True))  # type: ignore[arg-type]
    return [route for route in app.routes if isinstance(route, APIRoute)]


def addresses(method: str) -> list[str]:
    return sorted({route.path for route in all_routes() if method in route.methods})


def every_address() -> list[tuple[str, str]]:
    return [(method, path) for method in ("GET", "POST") for path in addresses(method)]


@pytest.fixture(scope="module")
def network(
    tmp_path_factory: pytest.TempPathFactory, with_accounts: Prepared, open_workshop: Callable[[Path], Workshop]
) -> Iterator[Network]:
    with served_to_network(tmp_path_factory.mktemp("network") / "workshop", with_accounts, open_workshop) as network:
        yield network


@pytest.fixture(scope="module")
def pages(shared_client: TestClient) -> TestClient:
    """The browser of Marta at this machine, over a workshop with a piece."""
    shop: Workshop = shared_client.app.state.workshop  # type: ignore[attr-defined]
    shop.record(draw_piece(chips=1), name="leaf.png", mold="oak-leaf", pour_id=1)
    return shared_client


def filled(path: str) -> str:
    return re.sub(r"\{(\w+)(:\w+)?\}", lambda found: SAMPLES.get(found[1], "1"), path)


def history(client: TestClient | Network) -> int:
    """Count the entries: none is ever taken out."""
    with client.app.state.workshop._log.reading() as session:  # type: ignore[attr-defined]
        return count_changes(session.connection())


def test_the_application_tells_its_addresses() -> None:
    assert {"/", "/health", "/photos/{photo_id}/original"} <= set(addresses("GET"))
    assert {"/photos", "/reviewer"} <= set(addresses("POST"))


@pytest.mark.parametrize("path", addresses("POST"))
def test_another_site_can_post_nothing(pages: TestClient, path: str) -> None:
    before = history(pages)
    for headers in FROM_ANOTHER_SITE:
        assert pages.post(filled(path), headers=headers).status_code == 403
    assert history(pages) == before


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
def test_nothing_is_written_in_other_ways(method: str) -> None:
    assert addresses(method) == []  # or the tests of this file have to send it as well


@pytest.mark.parametrize("path", addresses("GET"))
def test_looking_changes_nothing_and_binds_the_browser(pages: TestClient, path: str) -> None:
    before = history(pages)
    answer = pages.get(filled(path))
    assert answer.status_code < 500
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
    assert "unsafe" not in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert history(pages) == before


@pytest.mark.parametrize("path", [*(path for path in addresses("GET") if "{" in path), "/static/{path}"])
@pytest.mark.parametrize(
    "hostile", ["../../log.sqlite3", "..%2f..%2flog.sqlite3", "%2e%2e%2flog.sqlite3", "..%5clog.sqlite3", "%00", "1'--"]
)
def test_no_address_reaches_a_file(pages: TestClient, path: str, hostile: str) -> None:
    answer = pages.get(re.sub(r"\{[^}]+\}", hostile.replace("\\", ""), path))
    assert answer.status_code in (200, 404, 405, 422)
    assert b"SQLite format" not in answer.content
    if answer.status_code == 200:  # what a client makes of ../.. before it asks
        assert b"<html" in answer.content


def test_every_address_states_its_least_role() -> None:
    assert [route.path for route in all_routes() if stated(route.endpoint) is None] == []


@pytest.mark.parametrize(("method", "path"), every_address())
def test_each_address_is_for_those_whose_role_it_states_and_for_nobody_else(
    network: Network, method: str, path: str
) -> None:
    (endpoint,) = {route.endpoint for route in all_routes() if route.path == path and method in route.methods}
    asked = stated(endpoint)
    assert asked is not None
    allowed = {
        "nobody": asked.role == "nobody",
        **{role: asked.role == "nobody" or may(role, asked.role) for role in ROLES},
        **{f"{role} script": asked.of_scripts is not None and may(role, asked.of_scripts) for role in ROLES},
    }
    callers = {
        "nobody": network.browser(),
        **{role: network.signed_in(role) for role in ROLES},
        **{f"{role} script": network.script(role) for role in ROLES},
    }
    let_in = {}
    for who, client in callers.items():
        before = history(network)
        answer = client.request(method, filled(path))
        to_sign_in = answer.status_code == 303 and answer.headers["location"].startswith("/sign-in?back=")
        let_in[who] = answer.status_code not in (401, 403) and not to_sign_in
        assert answer.status_code < 500, who
        if not let_in[who]:
            assert history(network) == before, who
    if path == "/set-password":  # refuses everybody without a code that is good
        let_in = dict.fromkeys(let_in, True)
    if (method, path) == ("POST", "/sign-in"):  # all of them gave a wrong password
        let_in = dict.fromkeys(let_in, True)
    assert let_in == allowed


def test_an_address_that_states_nothing_is_for_nobody(
    tmp_path: Path,
    with_accounts: Prepared,
    open_workshop: Callable[[Path], Workshop],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delattr(waiting_routes.show_waiting, "least_right")
    with served_to_network(tmp_path / "workshop", with_accounts, open_workshop) as network:
        assert network.signed_in("manage").get("/").status_code == 403
        assert network.script("manage").get("/").status_code == 403
        assert network.browser().get("/").status_code == 303


def test_what_is_no_address_tells_nothing_to_nobody(network: Network) -> None:
    assert network.browser().get("/nothing").headers["location"] == "/sign-in?back=%2Fnothing"
    assert network.browser().post("/nothing").status_code == 401
    assert network.browser().get("/photos/1/400.jpg", headers={"Accept": "image/*,*/*"}).status_code == 401
    assert network.signed_in("see").get("/nothing").status_code == 404
    assert network.browser().get("/openapi.json").status_code == 303

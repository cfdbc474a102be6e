"""Of what belongs to another site nobody hears, at any address, read from the application so that none is forgotten.

Each address is asked for a thing of another site and for one that does not exist: the answers are the same. And each is
asked before and after there is another site at all: the answers are the same again.
"""

import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient
from sqlalchemy import event, text

from inspector import log
from inspector.log.history import count_changes
from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import Workshop
from tests.web.conftest import ADDRESS, DEMOLDED_AT, POURED_AT, draw_piece
from tests.web.network import Network, Prepared, give_cookie, served_to_network

# What belongs to a site and is named in addresses and forms.
THINGS = {
    "account_id", "finding_id", "mix", "mold", "molds", "other", "photo_id", "piece_id", "place_id", "pour", "pour_id",
    "record_id", "reference", "reference_id", "test_id", "token_id",
}  # fmt: skip
MISSING = {"mix": "nothing", "mold": "nothing", "molds": "nothing", "other": "nothing", "reference": "nothing.png"}
MISSING_NUMBER = "987"
# One good value for each field of a form or address that names no thing.
FIELDS = {
    "admixture": "", "aggregate": "", "again": "x", "back": "/", "cement_class": "N", "code": "x", "corrects": "",
    "cure_notes": "", "decided": "", "demolded_at": DEMOLDED_AT.isoformat(), "design": "nothing",
    "dose_percent": "", "fibres": "", "first": "unsure", "from_day": "2026-11-01", "how": "found", "taken_by": "",
    "is_piece": "yes", "kind": "chip", "language": "en", "logger": None, "material": "",
    "mold_hour_cost": "", "month": "2026-11", "name": "Marta", "normal": "no", "note": "x", "number": "1", "old": "x",
    "outcome": "sell", "outline": "[[1, 1], [90, 1], [50, 80]]", "page": "1", "password": "x", "photo": None,
    "photo_key": "", "photos": None, "picture": "losses", "piece_cost": "", "piece_key": "",
    "poured_at": POURED_AT.isoformat(),
    "release_agent": "wax", "reviewer": "Marta", "role": "see", "seen": "0.0.0", "since": "2026-11-01", "site": "1",
    "place": "x", "size_px": "400", "strength_mpa": "", "strength_psi": "", "target_loss_percent": "5",
    "temperature_c": "18",
    "temperature_f": "", "tested_at": DEMOLDED_AT.isoformat(), "title": "T", "turnaround_h": "", "units": "metric",
    "until_h": "20", "v": "x", "verdict": "confirmed", "view": "front", "water_cement_ratio": "0.5", "when": "",
    "why": "so", "with_place": "", "within_s": "", "word": "crumbles",
}  # fmt: skip
FILES = {"photo", "photos"}


@dataclass
class Shared:
    """A workshop that two sites share, served to the network."""

    network: Network
    here: dict[str, str]
    elsewhere: dict[str, str]
    alone: dict[str, tuple[int, str]]
    """What each address answered before there was another site."""


def routes() -> list[tuple[str, APIRoute]]:
    app = create_app(Settings(data_dir=None, metrics=True))  # type: ignore[arg-type]
    found = [route for route in app.routes if isinstance(route, APIRoute)]
    return [(method, route) for route in found for method in sorted(route.methods or ())]


def parameters(route: APIRoute) -> list[str]:
    dependant = route.dependant
    return [field.alias for field in (*dependant.path_params, *dependant.query_params, *dependant.body_params)]


def named_things() -> list[Any]:
    return [
        pytest.param(method, route, name, id=f"{method} {route.path} {name}")
        for method, route in routes()
        for name in parameters(route)
        if name in THINGS
    ]


@pytest.fixture(scope="module")
def shared(
    tmp_path_factory: pytest.TempPathFactory, with_accounts: Prepared, open_workshop: Callable[[Path], Workshop]
) -> Iterator[Shared]:
    data_dir = tmp_path_factory.mktemp("shared") / "workshop"
    with served_to_network(data_dir, with_accounts, open_workshop) as network:
        whole: Workshop = network.app.state.workshop
        (site,) = whole.sites.list()
        here = fill(whole.at(site.id), mold="oak-leaf", mark="here")
        manager = network.signed_in("manage")
        alone = {route.path: asked(manager, route, here) for method, route in routes() if method == "GET"}
        other = whole.sites.add("hall 2")
        elsewhere = fill(whole.at(other.id), mold="owl-yonder", mark="yonder")
        yield Shared(network, here, elsewhere, alone)


def fill(shop: Workshop, *, mold: str, mark: str) -> dict[str, str]:
    """Put one of each thing into a site; give their names and numbers."""
    seed = len(mark)
    if mold not in [each.name for each in shop.molds()]:
        shop.add_mold(mold, title=f"Owl {mark}")
        added = shop.add_reference(draw_piece(seed=seed), name=f"{mark}.png", mold=mold).reference
        shop.confirm_reference(added.id)
    reference = shop.mold(mold).references[0]
    mix = shop.add_mix(f"mix {mark}", cement_class="N", water_cement_ratio=0.5)
    pour = shop.add_pour(mix=mix.name, molds=[mold], poured_at=POURED_AT)
    shop.curing.add_temperature(pour.id, 18.0)
    test = shop.curing.add_pour_break_test(pour.id, tested_at=DEMOLDED_AT, word="crumbles")
    pieces = [
        shop.record(
            draw_piece(chips=1, seed=seed + number + 1),
            name=f"{mark}.png",
            mold=mold,
            pour_id=pour.id,
            demolded_at=DEMOLDED_AT,
        )
        for number in range(2)
    ]
    detail = shop.piece(pieces[0].detail.piece.id)
    now = datetime.now(UTC)
    account, _ = shop.access.add_account(f"Ella {mark}", role="see", now=now)
    token, _ = shop.access.add_token(f"token {mark}", role="see", now=now)
    (record,) = shop.curing.temperatures(pour.id)
    return {
        "account_id": str(account.id), "finding_id": str(detail.inspections[0].findings[0].id), "mix": mix.name,  # type: ignore[union-attr]
        "mold": mold, "molds": mold, "other": mold, "photo_id": str(detail.photos[0].id),
        "piece_id": str(detail.piece.id), "place_id": "1", "pour": str(pour.id), "pour_id": str(pour.id),
        "record_id": str(record.id), "reference": reference.name, "reference_id": str(reference.id),
        "test_id": str(test.id), "token_id": str(token.id),
    }  # fmt: skip


def asked(client: TestClient, route: APIRoute, things: dict[str, str], *, method: str = "GET") -> tuple[int, str]:
    """Ask an address for things; give the status and, where it is words, what was answered."""
    values = {name: things.get(name, FIELDS.get(name)) for name in parameters(route)}
    path = re.sub(r"\{(\w+)(:\w+)?\}", lambda found: str(values[found[1]]), route.path)
    fields = {field.alias for field in route.dependant.query_params}
    body = {field.alias for field in route.dependant.body_params}
    answer = client.request(
        method,
        path,
        params={name: str(values[name]) for name in fields if values[name]},
        data={name: str(values[name]) for name in body - FILES if values[name]} or None,
        files=[(name, ("a.png", draw_piece(seed=77))) for name in body & FILES] or None,
    )
    kind = answer.headers.get("content-type", "")
    is_words = kind.startswith(("text/", "application/json")) and not path.startswith("/metrics")
    said = re.sub(r"\d{1,2}:\d\d", "#", answer.text)  # a sheet tells when it was made
    return answer.status_code, said if is_words else answer.headers.get("location", kind)


def test_every_field_has_a_value_to_be_tried_with() -> None:
    assert {name for _, route in routes() for name in parameters(route)} - THINGS - FIELDS.keys() == set()


@pytest.mark.parametrize(("method", "route", "name"), named_things())
def test_a_thing_of_another_site_is_answered_as_one_that_does_not_exist(
    shared: Shared, method: str, route: APIRoute, name: str
) -> None:
    client = shared.network.signed_in("manage")
    missing = MISSING.get(name, MISSING_NUMBER)
    answers, entries = [], []
    for value in (shared.elsewhere[name], missing):
        before = history(shared)
        status, said = asked(client, route, {**shared.here, name: value}, method=method)
        # What was asked for is repeated in the answer; nothing else may differ.
        for word in (shared.elsewhere[name], missing):
            said = re.sub(rf"\b{re.escape(word)}\b", "#", said)
        answers.append((status, said))
        entries.append(history(shared) - before)
    assert answers[0] == answers[1]
    assert entries[0] == entries[1]


@pytest.mark.parametrize("route", [pytest.param(route, id=route.path) for method, route in routes() if method == "GET"])
def test_the_pages_of_a_site_are_the_same_with_another_beside_it(shared: Shared, route: APIRoute) -> None:
    now = asked(shared.network.signed_in("manage"), route, shared.here)
    assert "yonder" not in now[1].lower()
    assert now[0] == shared.alone[route.path][0]
    if not route.path.startswith(("/accounts", "/tokens")):  # which tell when somebody was last here
        assert now == shared.alone[route.path]


def history(shared: Shared) -> int:
    with shared.network.app.state.workshop._log.reading() as session:
        return count_changes(session.connection())


NEW_MIX = {"name": "white", "cement_class": "N", "water_cement_ratio": "0.5"}


@pytest.fixture
def network(tmp_path: Path, with_accounts: Prepared, open_workshop: Callable[[Path], Workshop]) -> Iterator[Network]:
    """Two sites, the second with a mold, and nobody who may see it."""
    with served_to_network(tmp_path / "workshop", with_accounts, open_workshop) as network:
        whole: Workshop = network.app.state.workshop
        whole.at(whole.sites.add("hall 2").id).add_mold("owl", title="Owl of hall 2")
        yield network


def test_a_site_that_another_lets_look_is_chosen_and_only_looked_at(network: Network) -> None:
    whole: Workshop = network.app.state.workshop
    manager, script = network.signed_in("manage"), network.script("manage")
    assert "Owl of hall 2" not in manager.get("/molds?at=2").text  # nor does asking for it by number show it
    assert "hall 2" not in manager.get("/sites").text
    whole.sites.let_see("first", sees="hall 2")
    assert manager.get("/molds").headers["location"] == "/sites?back=%2Fmolds"
    page = manager.get("/molds?at=2").text
    assert "Owl of hall 2" in page
    assert "New mold" not in page
    assert manager.post("/mixes?at=2", data=NEW_MIX).status_code == 403
    assert manager.post("/mixes", data=NEW_MIX).status_code == 422
    # A form that was open while another site was chosen writes where it was shown, and leads on there.
    assert 'action="/mixes?at=1"' in manager.get("/mixes?at=1").text
    added = manager.post("/mixes?at=1", data=NEW_MIX)
    assert (added.status_code, added.headers["location"].endswith("?at=1")) == (303, True)
    assert [mix.name for mix in whole.at(1).mixes()] == ["grey", "white"]
    assert whole.at(2).mixes() == ()
    # A token is of its site, whatever its people may see.
    assert "Owl of hall 2" not in script.get("/molds?at=2").text
    whole.sites.let_see_no_more("first", sees="hall 2")
    assert "Owl of hall 2" not in manager.get("/molds?at=2").text


def test_one_account_has_a_role_at_each_site(network: Network) -> None:
    whole: Workshop = network.app.state.workshop
    now = datetime.now(UTC)
    rosa = network.accounts["record"]
    whole.at(2).access.give_role("Rosa", "manage", now=now)
    browser = network.signed_in("record")
    assert browser.get("/accounts?at=1").status_code == 403
    assert "Rosa" in (page := browser.get("/accounts?at=2").text)
    assert "Marta" not in page
    chosen = browser.post("/sites", data={"site": "2", "back": "/molds"})
    assert (chosen.status_code, chosen.headers["location"]) == (303, "/molds")
    give_cookie(browser, "inspector-site", "2")
    assert "Owl of hall 2" in browser.get("/molds").text
    assert browser.post("/sites", data={"site": "3"}).status_code == 404
    # Whoever manages one of her sites cannot make a link that lets them in as her at the other.
    refused = network.signed_in("manage").post(f"/accounts/{rosa.id}/link")
    assert (refused.status_code, "other sites as well" in refused.text) == (422, True)
    whole.at(1).access.remove_account(rosa.id, now=now)
    assert whole.access.site_roles(rosa.id) == {2: "manage"}
    assert whole.access.account_named("Rosa").password_set_at is not None


def test_who_has_nothing_to_do_at_any_site_is_let_see_none(network: Network) -> None:
    whole: Workshop = network.app.state.workshop
    browser = network.signed_in("see")
    with whole._log.writing() as session:
        session.execute(text("DELETE FROM site_role WHERE role = 'see'"))
    assert browser.get("/molds").status_code == 403


def test_at_this_machine_one_chooses_among_all_sites(
    tmp_path: Path, furnished: Path, open_workshop: Callable[[Path], Workshop]
) -> None:
    shutil.copytree(furnished, tmp_path / "workshop")
    app = create_app(Settings(data_dir=tmp_path / "workshop"), open_workshop=open_workshop)
    with TestClient(app, base_url=ADDRESS, follow_redirects=False, headers={"Accept": "text/html"}) as client:
        alone = client.get("/molds").text
        assert 'class="site"' not in alone
        whole: Workshop = app.state.workshop
        whole.at(whole.sites.add("hall 2").id).add_mold("owl", title="Owl of hall 2")
        assert client.get("/molds").headers["location"] == "/sites?back=%2Fmolds"
        assert client.get("/molds", headers={"Accept": "application/json"}).status_code == 422
        assert client.get("/health").status_code == 200
        page = client.get("/sites?back=/molds").text
        assert ("first" in page, "hall 2" in page) == (True, True)
        client.post("/sites", data={"site": "2", "back": "/molds"})
        page = client.get("/molds").text
        assert ("Owl of hall 2" in page, "Oak leaf" in page, 'data-site="2"' in page) == (True, False, True)


def test_a_manager_says_which_shared_design_a_mold_is_of(network: Network) -> None:
    whole: Workshop = network.app.state.workshop
    manager = network.signed_in("manage")
    setup = "/molds/oak-leaf/setup"
    assert "Its design" not in manager.get(setup).text
    whole.sites.share_design("large leaf", ["first", "hall 2"])
    page = manager.get(setup).text
    assert ("Its design" in page, "<option>large leaf</option>" in page, "hall 2" in page) == (True, True, False)
    assert "Its design" not in network.signed_in("record").get(setup).text
    assert network.signed_in("record").post("/molds/oak-leaf/design", data={"design": "large leaf"}).status_code == 403
    assert manager.post("/molds/oak-leaf/design", data={"design": "large leaf"}).status_code == 303
    assert "<option selected>large leaf</option>" in manager.get(setup).text
    refused = manager.post("/molds/oak-leaf/design", data={"design": "owl"})
    assert (refused.status_code, "No design owl is shared here" in refused.text) == (422, True)
    # What molds elsewhere tell is said of its window, and where only to those who may look there.
    assert "Learnt also" not in manager.get("/molds/oak-leaf").text
    there = whole.at(2)
    there.designs.set("owl", "large leaf")
    log.keep_mold_estimates(there._log, {"owl": ESTIMATE})
    with asking(network) as asked_for:
        page = manager.get("/molds/oak-leaf").text
    assert "Learnt also from 50 pieces of this design elsewhere." in page
    assert sum("mold_estimate" in one for one in asked_for) == 1
    with asking(network) as asked_for:
        manager.get("/molds")
        manager.get("/today")
    assert sum("mold_estimate" in one for one in asked_for) <= 2
    manager.post("/molds/oak-leaf/design", data={"design": ""})
    assert "Learnt also" not in manager.get("/molds/oak-leaf").text


ESTIMATE = '{"information": [-40, 0, 0], "precision": [[50, 0, 0], [0, 0, 0], [0, 0, 0]], "pieces": 50, "lost": 2}'


@contextmanager
def asking(network: Network) -> Iterator[list[str]]:
    """Gather what the database is asked meanwhile."""
    engine = network.app.state.workshop._log._engine
    statements: list[str] = []

    def note(connection: Any, cursor: Any, statement: str, *_: Any) -> None:
        statements.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    yield statements
    event.remove(engine, "before_cursor_execute", note)

"""Tries to get in, to stay in, and to do in somebody's name what they did not want."""

import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from inspector.errors import InspectorError
from inspector.log import list_changes
from inspector.workshop import Workshop
from inspector.workshop.access import IDLE_SESSION, LINK_LASTS, LONGEST_SESSION
from tests.web.network import ADDRESS, HOST, PASSWORD, Network, Prepared, give_cookie, served_to_network

OTHER_PASSWORD = "other words in a row"
SESSION = "inspector-session"


@pytest.fixture
def network(tmp_path: Path, with_accounts: Prepared, open_workshop: Callable[[Path], Workshop]) -> Iterator[Network]:
    with served_to_network(tmp_path / "workshop", with_accounts, open_workshop) as network:
        yield network


def sign_in(browser: TestClient, name: str = "Rosa", password: str = PASSWORD, back: str = "/") -> int:
    return browser.post("/sign-in", data={"name": name, "password": password, "back": back}).status_code


def is_in(browser: TestClient) -> bool:
    return browser.get("/pours").status_code == 200


def test_signing_in_leads_back_to_the_page_that_was_asked_for(network: Network) -> None:
    browser = network.browser()
    asked = browser.get("/pours?x=1")
    assert asked.headers["location"] == "/sign-in?back=%2Fpours%3Fx%3D1"
    assert '"/pours?x=1"' in browser.get(asked.headers["location"]).text
    answer = browser.post("/sign-in", data={"name": " rosa ", "password": PASSWORD, "back": "/pours?x=1"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/pours?x=1")
    assert is_in(browser)


@pytest.mark.parametrize("back", ["//evil.example", "https://evil.example/", "/\\evil.example", "/\t/evil.example"])
def test_signing_in_leads_nowhere_else(network: Network, back: str) -> None:
    answer = network.browser().post("/sign-in", data={"name": "Rosa", "password": PASSWORD, "back": back})
    assert answer.headers["location"] == "/"


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(network: Network) -> None:
    for scheme, name in (("http", SESSION), ("https", f"__Host-{SESSION}")):
        browser = network.browser(scheme=scheme)
        answer = browser.post("/sign-in", data={"name": "Rosa", "password": PASSWORD})
        (cookie,) = [line for line in answer.headers.get_list("set-cookie") if line.startswith(f"{name}=")]
        assert {"httponly", "path=/", "samesite=lax"} <= {part.strip().lower() for part in cookie.split(";")}
        assert ("secure" in cookie.lower()) == (scheme == "https")
        assert "domain" not in cookie.lower()


def test_a_session_that_was_planted_before_is_not_the_one_after(network: Network) -> None:
    thief = network.browser()
    planted = "planted-by-a-thief"
    give_cookie(thief, SESSION, planted)
    victim = network.browser()
    give_cookie(victim, SESSION, planted)
    sign_in(victim)
    assert not is_in(thief)
    # Nor does a session of one's own, planted into another's browser, become theirs.
    own = network.signed_in("see")
    code = own.cookies[SESSION]
    victim = network.browser()
    give_cookie(victim, SESSION, code)
    sign_in(victim, "Marta")
    assert own.get("/accounts").status_code != 200


def test_a_stolen_cookie_is_of_no_use_after_signing_out(network: Network) -> None:
    browser, thief = network.signed_in("record"), network.browser()
    give_cookie(thief, SESSION, browser.cookies[SESSION])
    assert is_in(thief)
    answer = browser.post("/sign-out")
    assert 'inspector-session=""' in answer.headers["set-cookie"]
    assert not is_in(thief)


def test_signing_out_is_not_done_by_another_site(network: Network) -> None:
    browser = network.signed_in("record")
    assert browser.post("/sign-out", headers={"Origin": "http://evil.example"}).status_code == 403
    assert is_in(browser)


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"http://{HOST}", "Sec-Fetch-Site": "same-site"},
        {"Origin": ""},
        {},
    ],
)
def test_a_session_does_nothing_that_does_not_come_from_the_pages(network: Network, headers: dict[str, str]) -> None:
    browser = network.signed_in("record")
    browser.headers = headers  # type: ignore[assignment]
    said = {"name": "red", "cement_class": "N", "water_cement_ratio": "0.5"}
    assert browser.post("/mixes", data=said).status_code == 403
    assert "red" not in [mix.name for mix in network.app.state.workshop.mixes()]
    browser.headers = {"Origin": ADDRESS}  # type: ignore[assignment]
    assert browser.post("/mixes", data=said).status_code == 303


def test_under_tls_the_page_without_it_counts_as_another_site(network: Network) -> None:
    browser = network.browser(scheme="https")
    sign_in(browser)
    assert browser.post("/mixes", headers={"Origin": f"http://{HOST}"}).status_code == 403
    assert browser.post("/mixes", headers={"Origin": f"https://{HOST}"}).status_code == 422


def test_a_token_needs_no_origin_and_its_name_goes_with_what_it_did(network: Network) -> None:
    said = {"name": "red", "cement_class": "N", "water_cement_ratio": "0.5"}
    assert network.script("see").post("/mixes", data=said).status_code == 403
    assert network.script("record").post("/mixes", data=said).status_code == 303
    assert last_change(network) == ("mix", "script record script")


def test_what_somebody_does_goes_under_the_name_of_their_account(network: Network) -> None:
    browser = network.signed_in("record")
    give_cookie(browser, "reviewer", "Mallory")
    browser.post("/pours/1/withdrawal", data={"name": "Mallory", "why": "never was"})
    assert last_change(network) == ("pour_withdrawal", "Rosa")
    assert network.app.state.workshop.pour(1).withdrawn_why == "never was"
    assert "Mallory" not in browser.get("/pours/1").text


def test_a_form_s_own_name_does_not_stand_for_an_account(network: Network) -> None:
    browser = network.signed_in("record")
    said = {"release_agent": "paste wax", "from_day": "2026-11-01", "name": "Mallory"}
    assert browser.post("/molds/oak-leaf/release-agent", data=said).status_code == 303
    with network.app.state.workshop._log.reading() as session:
        (change,) = list_changes(session, row_table="release_agent", limit=2)
    assert change.after is not None
    assert (change.by, change.after["said_by"]) == ("Rosa", "Rosa")


def test_a_photo_that_is_inspected_later_goes_under_the_name_of_who_sent_it(
    network: Network, piece_photo: Callable[..., bytes]
) -> None:
    senders = {"Rosa": network.signed_in("record"), "script record script": network.script("record")}
    for seed, (name, sender) in enumerate(senders.items()):
        give_cookie(sender, "reviewer", "Mallory")
        photo = {"photos": ("leaf.png", piece_photo(chips=1, seed=seed))}
        assert sender.post("/photos", data={"mold": "oak-leaf"}, files=photo).status_code == 200
        with network.app.state.workshop._log.reading() as session:
            (inspection,) = list_changes(session, row_table="inspection", limit=1)
            (piece,) = list_changes(session, row_table="piece", limit=1)
        assert (inspection.by, piece.by) == (name, name)


def test_the_description_for_programs_is_for_all_who_may_look_and_says_how_they_come_in(network: Network) -> None:
    assert network.browser().get("/openapi.json", headers={"Accept": "application/json"}).status_code == 401
    for who in (network.signed_in("see"), network.script("see")):
        described = who.get("/openapi.json").json()
        ways = described["components"]["securitySchemes"]
        assert (ways["token"]["scheme"], ways["session"]["name"]) == ("bearer", SESSION)
        assert described["security"] == [{}, {"token": []}, {"session": []}]


def last_change(network: Network) -> tuple[str, str | None]:
    with network.app.state.workshop._log.reading() as session:
        change = list_changes(session, limit=1)[0]
    return change.row_table, change.by


def test_an_unknown_name_and_a_wrong_password_are_answered_alike(network: Network) -> None:
    answers = [
        network.browser().post("/sign-in", data={"name": name, "password": "wrong words in a row"})
        for name in ("Rosa", "Ruth")
    ]
    assert [answer.status_code for answer in answers] == [401, 401]
    assert answers[0].text.replace("Rosa", "Ruth") == answers[1].text


@pytest.fixture
def clock_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    """No wait passes, however slow the machine is."""
    now = datetime.now(UTC)
    monkeypatch.setattr("inspector.web.sign_in_routes._now", lambda: now)


def test_wrong_passwords_make_wait(network: Network, clock_stands: None) -> None:
    thief = network.browser(client="192.168.7.66")
    codes = [sign_in(thief, password=f"wrong words {number}") for number in range(8)]
    assert codes == [401] * 5 + [429] * 3
    answer = thief.post("/sign-in", data={"name": "Rosa", "password": PASSWORD})
    assert answer.status_code == 429  # the right one, too early
    assert answer.headers["retry-after"] == "1"
    assert sign_in(thief, "Nobody", "whatever it may be") == 429
    # Others are not held up.
    assert sign_in(network.browser()) == 303


def test_a_stranger_can_lock_nobody_out(network: Network, clock_stands: None) -> None:
    browser = network.browser(client="192.168.7.40")
    sign_in(browser)
    browser.post("/sign-out")
    for number in range(30):  # from ever other addresses
        sign_in(network.browser(client=f"10.0.0.{number}"), password="wrong words in a row")
    assert sign_in(network.browser(client="10.1.0.1"), password=PASSWORD) == 429
    # Where Rosa signed in before, she is not kept waiting, nor by a manager's link.
    assert sign_in(browser) == 303
    code = network.access.make_link(network.accounts["record"].id, now=datetime.now(UTC))
    new = {"code": code, "password": OTHER_PASSWORD, "again": OTHER_PASSWORD}
    elsewhere = network.browser(client="10.0.0.1")
    assert elsewhere.post("/set-password", data=new).status_code == 303
    assert is_in(elsewhere)


def link_in(page: str) -> str:
    found = re.search(r'<code class="once">http://192.168.7.20:8417(/set-password\?code=[\w-]+)</code>', page)
    assert found, page
    return found[1]


def test_a_manager_lets_somebody_in_by_a_link_that_works_once(network: Network) -> None:
    manager, browser, thief = network.signed_in("manage"), network.browser(), network.browser()
    page = manager.post("/accounts", data={"name": "Jonas", "role": "record"}).text
    link = link_in(page)
    assert link not in manager.get("/accounts").text
    for _ in range(2):  # programs that look at links beforehand do not use them up
        assert "A password for Jonas" in browser.get(link).text
    fields = {"code": link.partition("=")[2], "password": PASSWORD, "again": PASSWORD}
    assert browser.post("/set-password", data={**fields, "again": OTHER_PASSWORD}).status_code == 422
    assert browser.post("/set-password", data={**fields, "password": "short", "again": "short"}).status_code == 422
    assert browser.post("/set-password", data=fields).status_code == 303
    assert is_in(browser)
    assert browser.get("/accounts").status_code == 403
    assert thief.get(link).status_code == 403
    assert thief.post("/set-password", data=fields).status_code == 403
    assert not is_in(thief)


def test_links_end_by_themselves_and_when_a_newer_one_is_made(network: Network) -> None:
    now, rosa = datetime.now(UTC), network.accounts["record"].id
    late = network.access.make_link(rosa, now=now - LINK_LASTS)
    assert network.browser().get(f"/set-password?code={late}").status_code == 403
    first, second = (network.access.make_link(rosa, now=now) for _ in range(2))
    assert network.browser().get(f"/set-password?code={first}").status_code == 403
    assert network.browser().get(f"/set-password?code={second}").status_code == 200


def test_a_new_password_signs_out_everywhere_else(network: Network) -> None:
    browser, other = network.signed_in("record"), network.signed_in("record")
    wrong = {"old": "not this one at all", "password": OTHER_PASSWORD, "again": OTHER_PASSWORD}
    assert browser.post("/account/password", data=wrong).status_code == 422
    before = browser.cookies[SESSION]
    assert browser.post("/account/password", data={**wrong, "old": PASSWORD}).status_code == 303
    assert browser.cookies[SESSION] != before
    assert is_in(browser)
    assert not is_in(other)
    assert sign_in(network.browser(), password=PASSWORD) == 401
    assert sign_in(network.browser(), password=OTHER_PASSWORD) == 303


def test_other_rights_end_the_sessions_that_had_the_old_ones(network: Network) -> None:
    manager, rosa, thief = network.signed_in("manage"), network.signed_in("record"), network.browser()
    assert manager.post(f"/accounts/{network.accounts['record'].id}/role", data={"role": "manage"}).status_code == 303
    assert not is_in(rosa)
    give_cookie(thief, SESSION, manager.cookies[SESSION])
    sign_in(rosa)  # Rosa may manage now, so that Marta may give it up
    own = manager.post(f"/accounts/{network.accounts['manage'].id}/role", data={"role": "see"})
    assert own.headers["location"] == "/"
    assert is_in(manager)
    assert manager.get("/accounts").status_code == 403
    assert not is_in(thief)


def test_the_last_manager_stays_one(network: Network) -> None:
    manager = network.signed_in("manage")
    marta = network.accounts["manage"].id
    for what, data in (("role", {"role": "see"}), ("removal", {})):
        answer = manager.post(f"/accounts/{marta}/{what}", data=data)
        assert answer.status_code == 422
        assert "Marta is the only one who may manage accounts" in answer.text
    assert manager.get("/accounts").status_code == 200


def test_who_is_removed_is_out_at_once_with_the_tokens_that_they_made(network: Network) -> None:
    marta = network.signed_in("manage")
    role = {"role": "manage"}
    marta.post(f"/accounts/{network.accounts['record'].id}/role", data=role)
    rosa = network.signed_in("record")
    page = rosa.post("/tokens", data={"name": "display", "role": "see"}).text
    token = re.search(r'<code class="once">(inspector-token-[\w-]+)</code>', page)
    assert token
    script = network.browser()
    script.headers = {"Authorization": f"Bearer {token[1]}"}  # type: ignore[assignment]
    assert is_in(script)
    assert token[1] not in rosa.get("/tokens").text
    marta.post(f"/accounts/{network.accounts['record'].id}/removal")
    assert not is_in(rosa)
    assert script.get("/pours").status_code == 401
    assert sign_in(network.browser()) == 401


def test_a_token_that_was_revoked_is_of_no_use(network: Network) -> None:
    script = network.script("record")
    assert is_in(script)
    (token,) = [token for token in network.access.tokens() if token.name == "record script"]
    network.signed_in("manage").post(f"/tokens/{token.id}/revocation")
    answer = script.get("/pours")
    assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")


def test_a_token_leaves_nothing_behind_that_outlasts_it(network: Network) -> None:
    script = network.script("manage")
    new = {"name": "left behind", "role": "manage"}
    account = network.accounts["see"].id
    ways = ("/tokens", "/accounts", f"/accounts/{account}/link", f"/accounts/{account}/role")
    assert [script.post(way, data=new).status_code for way in ways] == [403] * len(ways)
    assert "left behind" not in {token.name for token in network.access.tokens()}
    assert network.access.account(account).role == "see"


def test_a_wrong_token_is_not_made_good_by_a_session(network: Network) -> None:
    browser = network.signed_in("manage")
    assert browser.get("/pours", headers={"Authorization": "Bearer inspector-token-x"}).status_code == 401


def test_a_session_ends_when_it_was_idle_and_when_it_is_old(network: Network) -> None:
    rosa = network.accounts["record"]
    now = datetime.now(UTC)
    idle = network.access.begin_session(rosa, now=now - IDLE_SESSION).session_code
    assert network.access.session(idle, now=now) is None
    begun = now - LONGEST_SESSION
    old = network.access.begin_session(rosa, now=begun).session_code
    at = begun
    while at < now - timedelta(hours=1):  # used every day
        assert network.access.session(old, now=at) is not None
        at += timedelta(days=1)
    assert network.access.session(old, now=now) is None


def test_secrets_are_not_in_the_history_and_changes_of_rights_are(network: Network) -> None:
    manager = network.signed_in("manage")
    page = manager.post("/accounts", data={"name": "Jonas", "role": "see"}).text
    network.browser().post(
        "/set-password", data={"code": link_in(page).partition("=")[2], "password": PASSWORD, "again": PASSWORD}
    )
    jonas = network.access.account_named("Jonas").id
    manager.post(f"/accounts/{jonas}/role", data={"role": "record"})
    with network.app.state.workshop._log.reading() as session:
        changes = list_changes(session, limit=1000)
    told = [(change.by, change.did) for change in changes if (change.row_table, change.row_id) == ("account", jonas)]
    assert told == [("Jonas", "changed"), ("Marta", "added")]
    rights = [change for change in changes if change.row_table == "site_role"][:2]
    assert [(change.by, change.did) for change in rights] == [("Marta", "changed"), ("Marta", "added")]
    role = rights[0]
    assert (role.before or {})["role"] == "see"
    assert (role.after or {})["role"] == "record"
    tables = {change.row_table for change in changes}
    assert {"account", "script_token"} <= tables
    assert not [name for name in tables if "password" in name or "session" in name or "secret" in name]
    assert "argon2" not in repr(changes)


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8417", "192.168.7.20@evil.example", "", "a b"])
def test_a_name_that_is_not_this_machine_s_is_refused(network: Network, host: str) -> None:
    browser = network.signed_in("manage")
    assert browser.get("/pours", headers={"Host": host}).status_code == 421
    assert browser.post("/accounts/1/link", headers={"Host": host, "Origin": f"http://{host}"}).status_code == 421


def test_a_name_that_was_allowed_is_this_machine_s_and_then_all_sign_in(
    tmp_path: Path, with_accounts: Prepared, open_workshop: Callable[[Path], Workshop]
) -> None:
    folder = tmp_path / "workshop"
    with served_to_network(folder, with_accounts, open_workshop, allowed_hosts=("Shop.example",)) as network:
        assert network.browser(host="shop.example").get("/pours").status_code == 303
        assert network.browser(host="shop.example:8443").get("/pours").status_code == 303
        assert network.browser(host="other.example").get("/pours").status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "evil.example"},  # a page elsewhere that makes its name stand for this machine
        {"Host": "192.168.7.20:8417"},
        {"X-Forwarded-For": "203.0.113.9"},
        {"Forwarded": "for=203.0.113.9"},
    ],
)
def test_pages_for_this_machine_are_shown_to_no_other(client: TestClient, headers: dict[str, str]) -> None:
    assert client.get("/").status_code == 200
    assert client.get("/", headers=headers).status_code == 421


def test_pages_for_this_machine_are_not_shown_where_the_server_was_put_on_the_network(client: TestClient) -> None:
    """Somebody starts it by other means than `inspector serve`, so that the settings do not know."""
    elsewhere = TestClient(client.app, base_url="http://192.168.7.20:8417")
    assert elsewhere.get("/", headers={"Host": "127.0.0.1"}).status_code == 421


def test_before_the_first_account_only_the_printed_link_leads_on(
    tmp_path: Path, with_accounts: Prepared, open_workshop: Callable[[Path], Workshop]
) -> None:
    with served_to_network(tmp_path / "workshop", with_accounts, open_workshop) as network:
        for account in network.accounts.values():
            if account.role != "manage":
                network.access.remove_account(account.id, now=datetime.now(UTC))
        with network.app.state.workshop._log.writing() as session:
            session.connection().exec_driver_sql("DELETE FROM account_password")
        browser = network.browser()
        answer = browser.get("/sign-in")
        assert (answer.status_code, "link that the program printed" in answer.text) == (403, True)
        code = network.access.make_first_link(now=datetime.now(UTC))
        fields = {"code": code, "name": "Ines", "password": PASSWORD, "again": PASSWORD}
        assert "The first account" in browser.get(f"/set-password?code={code}").text
        assert browser.post("/set-password", data=fields).status_code == 303
        assert browser.get("/accounts").status_code == 200
        # A second link would make a second first manager.
        late = network.access.make_first_link(now=datetime.now(UTC))
        assert network.browser().post("/set-password", data={**fields, "code": late}).status_code == 403


def test_a_photo_that_is_sent_while_signed_out_is_refused_and_kept_nowhere(
    network: Network, piece_photo: Callable[..., bytes]
) -> None:
    answer = network.browser().post(
        "/photos",
        data={"mold": "oak-leaf"},
        files={"photos": ("leaf.png", piece_photo(chips=1))},
        headers={"Accept": "application/json"},
    )
    assert answer.status_code == 401
    assert "Sign in" in answer.json()["error"]["message"]
    assert network.app.state.workshop.pieces() == ()


def test_who_may_only_look_is_not_asked_for_a_name(network: Network, piece_photo: Callable[..., bytes]) -> None:
    photo = {"photos": ("leaf.png", piece_photo(chips=1))}
    assert network.signed_in("record").post("/photos", data={"mold": "oak-leaf"}, files=photo).status_code == 200
    page = network.signed_in("see").get("/pieces/1").text
    assert "You may look" in page
    assert "Your name" not in page
    assert "Your name" not in network.signed_in("record").get("/pieces/1").text


def test_who_may_only_look_is_given_no_photo_that_tells_its_place(
    network: Network, piece_photo: Callable[..., bytes]
) -> None:
    photo = {"photos": ("leaf.png", piece_photo(chips=1))}
    recorder, looker = network.signed_in("record"), network.signed_in("see")
    assert recorder.post("/photos", data={"mold": "oak-leaf"}, files=photo).status_code == 200
    original, export = "/photos/2/original", "/molds/oak-leaf/export.zip"
    for page, address in (("/pieces/1", original), ("/molds/oak-leaf", export), ("/molds/oak-leaf/month", export)):
        assert address in recorder.get(page).text
        assert recorder.get(address).status_code == 200
        assert address not in looker.get(page).text
        assert looker.get(address).status_code == 403


@pytest.mark.parametrize("path", ["/static/../pours", "/static/%2e%2e/pours", "/static/..%2fpours", "//pours"])
def test_no_way_around_leads_to_a_page(network: Network, path: str) -> None:
    answer = network.browser().get(path)
    assert answer.status_code in (303, 307, 404)
    assert "/sign-in" in answer.headers.get("location", "/sign-in")


def test_looking_goes_on_while_nothing_can_be_written(network: Network, monkeypatch: pytest.MonkeyPatch) -> None:
    rosa = network.accounts["record"]
    session = network.access.begin_session(rosa, now=datetime.now(UTC) - timedelta(hours=1))
    browser = network.browser()
    give_cookie(browser, SESSION, session.session_code)

    def full(*_: object, **__: object) -> None:
        raise InspectorError("The disk is full.")

    monkeypatch.setattr("inspector.log.touch_session", full)
    assert is_in(browser)
    monkeypatch.setattr("inspector.log.find_session", full)
    answer = browser.get("/pours")
    assert (answer.status_code, "The disk is full." in answer.text) == (503, True)


@pytest.mark.parametrize("announced", [True, False])
def test_a_stranger_fills_no_disk(network: Network, announced: bool) -> None:
    head = b'--x\r\nContent-Disposition: form-data; name="name"; filename="a"\r\n\r\n'
    body = head + bytes(50_000)
    answer = network.browser().post(
        "/sign-in",
        content=body if announced else iter([head, *[bytes(5_000)] * 10]),
        headers={"Content-Type": "multipart/form-data; boundary=x"},
    )
    assert (answer.status_code, "Sign in first" in answer.text) == (413, True)

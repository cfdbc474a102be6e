from collections.abc import Callable, Iterator

import pytest
from fastapi.testclient import TestClient

from inspector.errors import InspectorError
from inspector.settings import Settings


@pytest.mark.parametrize("address", ["/", "/pieces/1", "/pieces/99", "/photos/2/400.jpg", "/static/page.css"])
def test_every_answer_binds_the_browser(client: TestClient, add: Callable[..., int], address: str) -> None:
    add(chips=1)
    headers = client.get(address).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert "no-cache" in headers["cache-control"]


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site", "Origin": "http://127.0.0.1:8417"},
    ],
)
def test_another_web_site_cannot_say_anything_here(
    reviewer: TestClient, add: Callable[..., int], headers: dict[str, str]
) -> None:
    piece = add(chips=1)
    addresses = {
        f"/pieces/{piece}/findings/1/reviews": {"verdict": "dismissed"},
        f"/pieces/{piece}/dispositions": {"outcome": "scrap"},
        "/reviewer": {"reviewer": "Mallory"},
        "/photos": {"mold": "oak-leaf"},
    }
    for address, said in addresses.items():
        answer = reviewer.post(address, data=said, headers=headers)
        assert answer.status_code == 403
        assert "another web site" in answer.text
    page = reviewer.get(f"/pieces/{piece}").text
    assert "Nobody has looked at it yet" in page
    assert "Not decided yet" in page


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "http://127.0.0.1:8417"},
        {"Origin": "http://127.0.0.1:8417", "Sec-Fetch-Site": "same-origin"},
    ],
)
def test_the_pages_themselves_can(reviewer: TestClient, add: Callable[..., int], headers: dict[str, str]) -> None:
    piece = add(chips=1)
    answer = reviewer.post(f"/pieces/{piece}/dispositions", data={"outcome": "sell", "seen": "0.0.0"}, headers=headers)
    assert "Marta: <strong>sell</strong>" in answer.text


def test_nothing_is_changed_by_looking(reviewer: TestClient, add: Callable[..., int]) -> None:
    piece = add(chips=1)
    for address in (f"/pieces/{piece}/findings/1/reviews", f"/pieces/{piece}/dispositions", "/reviewer", "/photos"):
        assert reviewer.get(address).status_code == 405


@pytest.mark.parametrize("announced", [True, False])
def test_an_endless_request_is_cut_short(client: TestClient, settings: Settings, announced: bool) -> None:
    too_much = 10 * settings.max_photo_bytes + 1
    head = b'--x\r\nContent-Disposition: form-data; name="photos"; filename="a.png"\r\n\r\n'

    def chunks() -> Iterator[bytes]:
        yield head
        for _ in range(too_much // 50_000 + 1):
            yield bytes(50_000)

    body = b"".join(chunks()) if announced else chunks()
    answer = client.post("/photos", content=body, headers={"Content-Type": "multipart/form-data; boundary=x"})
    assert answer.status_code == 413
    assert "Send fewer at a time" in answer.text


def test_programs_are_told_of_every_failure_in_one_shape(client: TestClient) -> None:
    ask = {"Accept": "application/json"}
    answers = [
        client.get("/pieces/99", headers=ask),
        client.get("/pieces/swan", headers=ask),
        client.get("/nothing", headers=ask),
        client.get("/reviewer", headers=ask),
        client.post("/reviewer", headers=ask),
        client.post("/photos", headers=ask),
        client.post("/photos", content=b"x", headers={**ask, "Content-Type": "multipart/form-data"}),
        client.post("/reviewer", headers={**ask, "Origin": "null"}),
    ]
    assert [answer.status_code for answer in answers] == [404, 404, 404, 405, 422, 422, 400, 403]
    for answer in answers:
        error = answer.json()
        assert list(error) == ["error"]
        assert list(error["error"]) == ["message"]
        assert error["error"]["message"].endswith(".")


def test_a_fault_of_the_program_is_a_page_without_its_inner_parts(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(**_asked: object) -> int:
        raise RuntimeError("secret path /home/x")

    monkeypatch.setattr(client.app.state.workshop.at(1), "count_waiting", fail)  # type: ignore[attr-defined]
    answer = client.get("/")
    assert answer.status_code == 500
    assert "The program failed" in answer.text
    assert "secret" not in answer.text


def test_a_log_that_cannot_be_read_is_no_fault_of_the_asker(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(**_asked: object) -> int:
        raise InspectorError("The disk is full. Make room and try again.")

    monkeypatch.setattr(client.app.state.workshop.at(1), "count_waiting", fail)  # type: ignore[attr-defined]
    answer = client.get("/")
    assert answer.status_code == 503
    assert "The disk is full. Make room and try again." in answer.text

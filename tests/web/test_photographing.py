from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response

from inspector.web import photo_routes

FOR_A_PROGRAM = {"Accept": "application/json"}


def send(client: TestClient, photo: bytes, *, name: str = "leaf.png", **fields: str) -> Response:
    return client.post("/photos", data=fields, files={"photos": (name, photo)}, headers=FOR_A_PROGRAM)


def key(letter: str) -> str:
    return letter * 32


def test_a_second_try_is_answered_as_the_first_and_adds_nothing(
    client: TestClient, piece_photo: Callable[..., bytes]
) -> None:
    answers = [
        send(client, piece_photo(chips=1), mold="oak-leaf", photo_key=key("a"), piece_key=key("b")) for _ in range(2)
    ]
    assert [answer.status_code for answer in answers] == [200, 200]
    assert answers[0].json() == answers[1].json()
    assert answers[1].json()["photos"][0]["already_logged"] is False
    assert "1 piece waiting" in client.get("/").text


def test_two_tries_at_the_same_time_are_one_photo(client: TestClient, piece_photo: Callable[..., bytes]) -> None:
    def attempt(_: int) -> Response:
        return send(client, piece_photo(), mold="oak-leaf", photo_key=key("a"), piece_key=key("b"))

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(attempt, range(4)))
    assert {answer.json()["photos"][0]["piece"] for answer in answers} == {"/pieces/1"}
    assert {answer.json()["photos"][0]["already_logged"] for answer in answers} == {False}
    assert "1 piece waiting" in client.get("/").text


def test_the_same_photo_under_another_key_is_told_as_the_same(
    client: TestClient, piece_photo: Callable[..., bytes]
) -> None:
    send(client, piece_photo(), mold="oak-leaf", photo_key=key("a"))
    (photo,) = send(client, piece_photo(), mold="oak-leaf", photo_key=key("b")).json()["photos"]
    assert (photo["already_logged"], photo["piece"]) == (True, "/pieces/1")


def test_another_photo_under_the_same_key_is_refused(client: TestClient, piece_photo: Callable[..., bytes]) -> None:
    send(client, piece_photo(seed=1), mold="oak-leaf", photo_key=key("a"))
    answer = send(client, piece_photo(seed=2), mold="oak-leaf", photo_key=key("a"))
    assert answer.status_code == 422
    assert "Another photo was sent under the key" in answer.json()["error"]["message"]


def test_photos_of_one_piece_share_its_key_and_its_first_time(
    client: TestClient, piece_photo: Callable[..., bytes]
) -> None:
    for seed, hour in ((1, "12"), (2, "13")):
        answer = send(
            client,
            piece_photo(seed=seed),
            name=f"{seed}.png",
            mold="oak-leaf",
            pour_id="1",
            demolded_at=f"2026-11-24T{hour}:00:00+01:00",
            photo_key=key(str(seed)),
            piece_key=key("p"),
        )
        assert answer.json()["photos"][0]["piece"] == "/pieces/1"
    shop = client.app.state.workshop  # type: ignore[attr-defined]
    (piece,) = shop.pieces()
    assert piece.photo_names == ("1.png", "2.png")
    assert piece.demold_age_h == 28.0  # poured on the 23rd at 08:00 +01:00


def test_one_more_photo_joins_a_piece_that_was_photographed_before(
    client: TestClient, piece_photo: Callable[..., bytes]
) -> None:
    send(client, piece_photo(seed=1), mold="oak-leaf")
    send(client, piece_photo(seed=1), mold="oak-leaf", photo_key=key("a"), piece_key=key("p"))
    (photo,) = send(client, piece_photo(seed=2), photo_key=key("b"), piece_key=key("p")).json()["photos"]
    assert photo["piece"] == "/pieces/1"


def test_keys_are_for_one_photo_each(client: TestClient, piece_photo: Callable[..., bytes]) -> None:
    answer = client.post(
        "/photos",
        data={"mold": "oak-leaf", "photo_key": key("a")},
        files=[("photos", ("1.png", piece_photo(seed=1))), ("photos", ("2.png", piece_photo(seed=2)))],
        headers=FOR_A_PROGRAM,
    )
    assert answer.status_code == 422
    assert "Send each by itself" in answer.json()["error"]["message"]


def test_a_key_of_another_form_is_refused(client: TestClient, piece_photo: Callable[..., bytes]) -> None:
    assert send(client, piece_photo(), mold="oak-leaf", photo_key="a b").status_code == 422


def test_the_outline_of_a_good_piece_is_given_for_the_live_picture(client: TestClient) -> None:
    answer = client.get("/molds/oak-leaf/poses")
    (pose,) = answer.json()["poses"]
    assert pose["view"] == "front"
    assert (pose["width_px"], pose["height_px"]) == (320, 240)
    assert pose["polygon"] == [[10, 10], [300, 10], [300, 230]]  # as the stand-in for the engine draws it
    assert client.get("/molds/nothing/poses").status_code == 404


def test_the_page_offers_molds_that_are_filled_with_their_pours(client: TestClient) -> None:
    page = client.get("/photograph").text
    assert 'data-mold="oak-leaf" data-pour="1"' in page
    assert "In their molds now" in page


def test_a_mold_that_a_piece_came_out_of_is_offered_no_more(client: TestClient, add: Callable[..., int]) -> None:
    add()
    assert "In their molds now" not in client.get("/photograph").text


def test_a_piece_whose_photo_waits_says_so_and_is_not_called_unusable(
    client: TestClient, piece_photo: Callable[..., bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photo_routes, "_WAITS_BEHIND", 0)
    shop = client.app.state.workshop  # type: ignore[attr-defined]
    monkeypatch.setattr(shop.queue, "inspect_next", lambda **_: None)
    answer = send(client, piece_photo(chips=1), mold="oak-leaf", photo_key=key("a"))
    (photo,) = answer.json()["photos"]
    assert (answer.status_code, photo["outcome"], photo["message"]) == (202, "kept", "It is inspected next")
    again = send(client, piece_photo(chips=1), mold="oak-leaf", photo_key=key("a"))
    assert (again.status_code, again.json()["photos"][0]["piece"]) == (202, photo["piece"])
    for page in (client.get(photo["piece"]).text, client.get("/").text):
        assert "not inspected yet" in page.lower()
        assert "could not be" not in page.partition("<main")[2]
    assert client.get(f"{photo['verdict']}?within_s=0.1").json()["outcome"] == "kept"
    assert client.get(f"{photo['verdict']}?within_s=60").status_code == 422  # nobody may hold an answer that long
    monkeypatch.undo()
    # It is looked for every two seconds: the answer is held back until it is inspected.
    assert client.get(f"{photo['verdict']}?within_s=8").json()["message"] == "1 chip"
    assert "not inspected yet" not in client.get(photo["piece"]).text.lower().partition("<main")[2]


def test_a_photo_that_nobody_recognises_is_kept_until_somebody_names_its_mold(
    client: TestClient, black_photo: bytes
) -> None:
    answer = send(client, black_photo)
    assert answer.status_code == 422
    (photo,) = answer.json()["photos"]
    assert (photo["outcome"], photo["piece"]) == ("could not be used", None)
    assert "1 photo could not be recognised" in client.get("/").text
    page = client.get("/photos/unrecognised").text
    photo_id = photo["verdict"].split("/")[2]
    assert f'action="/photos/{photo_id}/mold"' in page
    assert client.post(f"/photos/{photo_id}/mold", data={"mold": "swan"}).status_code == 422
    shown = client.post(f"/photos/{photo_id}/mold", data={"mold": "oak-leaf"}).text
    assert "No photo is without a mold" in shown
    assert client.post(f"/photos/{photo_id}/mold", data={"mold": "oak-leaf"}).status_code == 422  # said already
    shop = client.app.state.workshop  # type: ignore[attr-defined]
    assert shop.photo(int(photo_id)).piece_id is not None


def test_a_photo_that_shows_no_piece_is_left_out_and_kept(client: TestClient, black_photo: bytes) -> None:
    (photo,) = send(client, black_photo).json()["photos"]
    photo_id = photo["verdict"].split("/")[2]
    assert "No photo is without a mold" in client.post(f"/photos/{photo_id}/leave-out").text
    assert client.get(photo["verdict"]).status_code == 404
    assert client.get(f"/photos/{photo_id}/original").content == black_photo

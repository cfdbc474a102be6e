import json
import logging
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from types import SimpleNamespace

import pytest
from fastapi.testclient import TestClient

from inspector.settings import Settings


def told(caplog: pytest.LogCaptureFixture, what: str) -> list[dict[str, object]]:
    return [vars(record)["said"] for record in caplog.records if record.getMessage() == what]


def test_each_request_and_photo_is_told_in_one_line(
    client: TestClient, add: Callable[..., int], caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.INFO, logger="inspector"):
        piece = add(chips=2)
        client.get("/nowhere?secret=1")
    photo, posted, missing = *told(caplog, "photo"), *told(caplog, "request")
    assert (photo["piece"], photo["findings"], photo["status"]) == (piece, 2, "inspected")
    assert (posted["method"], posted["path"], posted["status"]) == ("POST", "/photos", 200)
    assert (missing["path"], missing["status"]) == ("/nowhere", 404)


def test_no_name_cookie_or_query_is_told(
    reviewer: TestClient, caplog: pytest.LogCaptureFixture, add: Callable[..., int]
) -> None:
    with caplog.at_level(logging.INFO, logger="inspector"):
        reviewer.post("/reviewer?token=abc", data={"reviewer": "Marta Secret"})
        add(chips=1)
    lines = json.dumps(told(caplog, "request") + told(caplog, "photo"))
    assert not any(word in lines for word in ("Marta", "abc", "leaf.png", "reviewer="))


def test_a_request_that_fails_is_told(
    client: TestClient, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client.app.state.workshop.at(1), "page_of_waiting", lambda **_: 1 / 0)  # type: ignore[attr-defined]
    with caplog.at_level(logging.INFO, logger="inspector"):
        client.get("/")
    assert told(caplog, "request")[0]["status"] == 500


def test_health_is_well_and_says_nothing_of_the_log(client: TestClient) -> None:
    answer = client.get("/health")
    assert (answer.status_code, answer.json()) == (200, {"status": "well", "troubles": []})


def test_a_disk_that_is_nearly_full_is_no_health(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=1000))
    answer = client.get("/health")
    assert (answer.status_code, answer.json()["troubles"]) == (503, ["the disk is nearly full"])


@pytest.mark.parametrize("accept", ["text/html", "application/json"])
def test_a_log_that_cannot_be_read_is_told_on_every_page(client: TestClient, settings: Settings, accept: str) -> None:
    # Nobody reads it at that moment: what SQLite says of a file that changes under a connection is not always the same.
    client.app.state.inspecting.__exit__(None, None, None)  # type: ignore[attr-defined]
    # All of it: what a page is written by, as the choice of units, is in the log as well.
    client.app.state.workshop._log.close()  # type: ignore[attr-defined]
    (settings.data_dir / "log.sqlite3").write_bytes(b"no database" * 1000)
    for path in ("/", "/pours", "/molds/oak-leaf", "/metrics", "/labels.pdf", "/accounts"):
        answer = client.get(path, headers={"Accept": accept})
        assert answer.status_code == 503, path
        assert "could not be read: file is not a database" in answer.text, path
    photo = {"photos": ("a.png", b"x")}
    sent = client.post("/photos", files=photo, data={"mold": "oak-leaf"}, headers={"Accept": accept})
    assert (sent.status_code, "could not be read" in sent.text) == (503, True)


def test_a_log_that_cannot_be_read_is_no_health(client: TestClient, settings: Settings) -> None:
    with closing(sqlite3.connect(settings.data_dir / "log.sqlite3")) as connection:
        connection.execute("ALTER TABLE piece_standing RENAME TO gone")
    answer = client.get("/health")
    assert (answer.status_code, answer.json()["troubles"]) == (503, ["the log cannot be read"])

"""Figures for Prometheus, read back by the parser of its own client library."""

from collections.abc import Callable
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse_open_metrics
from prometheus_client.parser import text_string_to_metric_families as parse

from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import Workshop


def figures(text: str) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in parse(text)
        for sample in family.samples
    }


def figure(client: TestClient, name: str, **labels: str) -> float:
    return figures(client.get("/metrics").text)[name, frozenset(labels.items())]


def test_requests_photos_and_waiting_pieces_are_counted(
    client: TestClient, add: Callable[..., int], black_photo: bytes
) -> None:
    add(chips=1)
    add(seed=1)
    client.post("/photos", data={"mold": "oak-leaf"}, files={"photos": ("dark.png", black_photo)})
    client.get("/pieces/1")
    client.get("/pieces/2")
    client.get("/secret-name?token=abc")
    assert figure(client, "inspector_requests_total", method="GET", route="/pieces/{piece_id}", status="200") == 2
    assert figure(client, "inspector_requests_total", method="POST", route="/photos", status="200") == 3
    assert figure(client, "inspector_request_seconds_count", method="POST", route="/photos") == 3
    states = {state: figure(client, "inspector_photos", state=state) for state in ("waiting", "inspected", "unusable")}
    assert states == {"waiting": 0, "inspected": 2, "unusable": 1}
    assert figure(client, "inspector_pieces_waiting") == 3
    assert figure(client, "inspector_failures_total") == 0
    text = client.get("/metrics").text
    assert not any(word in text for word in ("secret-name", "abc", "oak-leaf", "leaf.png"))


def test_failures_are_counted(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(client.app.state.workshop.at(1), "page_of_waiting", lambda **_: 1 / 0)  # type: ignore[attr-defined]
    client.get("/")
    assert figure(client, "inspector_failures_total") == 1


def test_whoever_asks_for_open_metrics_gets_them(client: TestClient) -> None:
    answer = client.get("/metrics", headers={"Accept": "application/openmetrics-text; version=1.0.0"})
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    names = {family.name for family in parse_open_metrics(answer.text)}
    assert {"inspector_requests", "inspector_photos", "inspector_pieces_waiting"} <= names


def test_figures_are_given_only_when_asked_for(tmp_path: Path, open_workshop: Callable[[Path], Workshop]) -> None:
    app = create_app(Settings(data_dir=tmp_path / "workshop"), open_workshop=open_workshop)
    with TestClient(app, base_url="http://127.0.0.1:8417") as client:
        assert client.get("/metrics").status_code == 404

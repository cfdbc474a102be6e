"""The description of the HTTP interface: what it says is so, and nothing that it allows or forbids breaks the program.

The requests are made up by schemathesis from the description itself, https://schemathesis.readthedocs.io
"""

import json
import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import requests
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel
from schemathesis import GenerationMode

from inspector.settings import Settings
from inspector.web import create_app
from inspector.web.describing import FailureAnswer, HealthAnswer, LabelsAnswer, PhotoAnswer, PhotosAnswer, PosesAnswer
from inspector.workshop import Workshop
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.large_log import fill_log

REQUESTS_AN_ADDRESS = int(os.environ.get("REQUESTS_AN_ADDRESS", "3"))
MOLDS = 2
# What is there: an address is asked with what is made up for its parts, and then with these.
THERE = {
    "piece_id": 1, "photo_id": MOLDS + 1, "finding_id": 1, "mold": "leaf-00", "pour_id": 1, "reference_id": 1,
    "record_id": 1, "test_id": 1, "size_px": 400, "picture": "loss-by-age", "account_id": 99, "token_id": 99,
    "place_id": 1,
}  # fmt: skip

DESCRIBED = create_app(Settings(data_dir=None))  # type: ignore[arg-type]
SCHEMA = schemathesis.openapi.from_dict(DESCRIBED.openapi())
SCHEMA.config.generation.update(with_security_parameters=False)  # here nobody has to sign in
OPERATIONS = [found.ok() for found in SCHEMA.get_all_operations()]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    data_dir = tmp_path_factory.mktemp("described") / "data"
    fill_log(data_dir, pieces=12, molds=MOLDS)
    app = create_app(
        Settings(data_dir=data_dir), open_workshop=lambda folder: Workshop.open(folder, engine=DRAWN_ENGINE)
    )
    with TestClient(
        app, base_url="http://127.0.0.1:8417", cookies={"reviewer": "Ada"}, raise_server_exceptions=False
    ) as client:
        yield client


def examples(model: type[BaseModel]) -> list[dict[str, Any]]:
    return model.model_json_schema().get("examples", [])


# Each has a name of its own: tests that schemathesis makes share one, and pytest-xdist would run only one of them.
@pytest.mark.parametrize("operation", OPERATIONS, ids=lambda operation: operation.label)
def test_nothing_that_is_sent_breaks_the_program(served: TestClient, operation: Any) -> None:
    @settings(
        max_examples=REQUESTS_AN_ADDRESS,
        phases=[Phase.generate],
        derandomize=True,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(case=st.one_of([operation.as_strategy(generation_mode=mode) for mode in GenerationMode]))
    def send(case: Any) -> None:
        for parts in (case.path_parameters, THERE if case.path_parameters else None):
            if parts is None:
                continue
            case.path_parameters = {name: parts[name] for name in case.path_parameters}
            asked = requests.Request(
                **case.as_transport_kwargs(base_url=str(served.base_url), headers={"Accept": "application/json"})
            ).prepare()
            answer = served.request(
                asked.method or "GET",
                asked.url or "/",
                content=asked.body,
                headers=dict(asked.headers),
                follow_redirects=False,
            )
            assert answer.status_code < 500, case.as_curl_command()

    send()


@pytest.mark.parametrize("model", [PhotoAnswer, FailureAnswer, LabelsAnswer, PosesAnswer, HealthAnswer])
def test_the_examples_are_as_described(model: type[BaseModel]) -> None:
    assert examples(model)
    for example in examples(model):
        assert model.model_validate_json(json.dumps(example), strict=True, extra="forbid")


def test_answers_are_as_described(client: TestClient, piece_photo: Callable[..., bytes]) -> None:
    for_a_program = {"Accept": "application/json"}
    sent = client.post(
        "/photos", data={"mold": "oak-leaf"}, files={"photos": ("a.png", piece_photo(chips=1))}, headers=for_a_program
    )
    refused = client.post("/photos", files={"photos": ("a.png", b"eggs")}, headers=for_a_program)
    for model, answer in (
        (PhotosAnswer, sent),
        (PhotosAnswer, refused),
        (PhotoAnswer, client.get("/photos/2/verdict")),
        (PosesAnswer, client.get("/molds/oak-leaf/poses")),
        (HealthAnswer, client.get("/health")),
        (FailureAnswer, client.get("/pieces/99", headers=for_a_program)),
        (FailureAnswer, client.post("/pours", data={"mix": "grey"}, headers=for_a_program)),
    ):
        assert model.model_validate(answer.json(), extra="forbid"), answer.url


def test_every_failure_is_described_in_one_shape() -> None:
    description = DESCRIBED.openapi()
    assert "HTTPValidationError" not in str(description)
    for path, methods in description["paths"].items():
        for operation in methods.values():
            assert "FailureAnswer" in str(operation["responses"]["4XX"]), path

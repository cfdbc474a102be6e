"""How long the program works on each page, with 5,000 pieces in the log."""

import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from fastapi.testclient import TestClient

from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import Workshop
from tests.benchmarks.conftest import PIECES
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.every_address import get_addresses, with_parts
from tests.doubles.large_log import FILE_EVERY, LARGE_MOLDS

REQUESTS = 30
MOST_MS = 100
# What is made to be kept, not to be looked at, may take longer.
FILES_TO_KEEP = (".pdf", ".zip")
NAMES = ("loss-by-age", "strength-gain", "losses-over-time", "where-pieces-break")


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory, large_log: Path) -> Iterator[TestClient]:
    data_dir = shutil.copytree(large_log, tmp_path_factory.mktemp("pages") / "data")
    app = create_app(
        Settings(data_dir=data_dir), open_workshop=lambda folder: Workshop.open(folder, engine=DRAWN_ENGINE)
    )
    with TestClient(app, base_url="http://127.0.0.1:8417", cookies={"reviewer": "Ada"}) as client:
        yield client


def parts(rng: np.random.Generator) -> dict[str, object]:
    return {
        "piece_id": rng.integers(1, PIECES),
        "photo_id": LARGE_MOLDS + 1 + FILE_EVERY * rng.integers(PIECES // FILE_EVERY),
        "mold": f"leaf-{rng.integers(LARGE_MOLDS):02}",
        "pour_id": rng.integers(1, PIECES // 10),
        "reference_id": rng.integers(1, LARGE_MOLDS),
        "size_px": 400,
        "picture": rng.choice(NAMES),
    }


def test_each_page_is_made_within_a_tenth_of_a_second(client: TestClient) -> None:
    rng = np.random.default_rng(1)
    for number in range(LARGE_MOLDS):  # what is drawn once an hour, or after something was added
        for name in NAMES:
            client.get(f"/molds/leaf-{number:02}/pictures/{name}.svg")
    slow = {}
    print(f"\n{PIECES} pieces, {REQUESTS} requests each: median, p95, the first")
    for address in get_addresses(client.app):  # type: ignore[arg-type]
        if address.endswith(FILES_TO_KEEP):
            continue
        took_ms = []
        for _ in range(REQUESTS):
            began_s = time.perf_counter()
            assert client.get(with_parts(address, parts(rng))).status_code == 200
            took_ms.append(1000 * (time.perf_counter() - began_s))
        median_ms, p95_ms = np.percentile(took_ms, [50, 95])
        print(f"{median_ms:6.0f} {p95_ms:6.0f} {took_ms[0]:6.0f} ms  {address}")
        if p95_ms > MOST_MS:
            slow[address] = p95_ms
    assert slow == {}


def test_what_is_worked_out_anew_after_a_word_is_told(client: TestClient) -> None:
    shop: Workshop = client.app.state.workshop  # type: ignore[attr-defined]
    for address in ("/molds", "/today", "/molds/leaf-03", "/pieces/3"):
        shop.reviewing.decide(1, "sell", decided_by="Ada")
        began_s = time.perf_counter()
        assert client.get(address).status_code == 200
        print(f"{1000 * (time.perf_counter() - began_s):6.0f} ms  {address}, just after somebody decided on a piece")

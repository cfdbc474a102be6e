"""A workshop with a stand-in for the engine, so that the pages are tested by themselves.

The stand-in flags what is painted in pure colours on a grey piece: red is a chip, blue a hairline crack.
A black photo is unusable.
"""

import shutil
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from fastapi.testclient import TestClient
from httpx2 import Response
from numpy.typing import NDArray

from inspector.errors import InputError
from inspector.imaging.reading import Photo, read_photo
from inspector.inspection.engine import Engine
from inspector.inspection.overlay import draw_overlay
from inspector.inspection.results import Finding, Inspection, SeenAs
from inspector.settings import Settings
from inspector.web import create_app, photo_routes
from inspector.workshop import Workshop
from tests.doubles.drawn_engine import propose_features, recognise_photo, sign_reference
from tests.web.network import Prepared, prepare

RED_BGR = (0, 0, 255)
BLUE_BGR = (255, 0, 0)
ADDRESS = "http://127.0.0.1:8417"
POURED_AT = datetime.fromisoformat("2026-11-23T08:00:00+01:00")
DEMOLDED_AT = POURED_AT + timedelta(hours=31)

_PAINTED = {"chip": RED_BGR, "hairline crack": BLUE_BGR}


def draw_piece(*, chips: int = 0, cracks: int = 0, seed: int = 0) -> bytes:
    """A PNG of a grey piece, 320 x 240 px; the seed makes it a photo of its own."""
    image = np.full((240, 320, 3), 120 + seed, np.uint8)
    for number in range(chips):
        cv2.rectangle(image, (20 + 60 * number, 30), (50 + 60 * number, 60), RED_BGR, -1)
    for number in range(cracks):
        cv2.rectangle(image, (20 + 60 * number, 120), (22 + 60 * number, 200), BLUE_BGR, -1)
    return encoded(image)


def encoded(image_bgr: NDArray[np.uint8]) -> bytes:
    return cv2.imencode(".png", image_bgr)[1].tobytes()


@pytest.fixture
def piece_photo() -> Callable[..., bytes]:
    """Draws the photo of a piece: `chips`, `cracks`, `seed`."""
    return draw_piece


@pytest.fixture
def black_photo() -> bytes:
    return encoded(np.zeros((240, 320, 3), np.uint8))


@pytest.fixture(autouse=True)
def answers_bring_the_verdict(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have whoever sends a photo wait for its verdict, however slow the machine is."""
    monkeypatch.setattr(photo_routes, "_VERDICT_WITHIN_S", 120.0)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(data_dir=tmp_path / "workshop", max_photo_bytes=200_000, metrics=True)


@pytest.fixture(scope="session")
def open_workshop() -> Callable[[Path], Workshop]:
    engine = Engine(
        version="stand-in",
        read_photo=read_photo,
        prepare_reference=_prepare_reference,
        combine=tuple,
        with_reviews=lambda references, places: references,  # noqa: ARG005 - its reviews teach nothing
        inspect_photo=_inspect_photo,
        reference_in_photo=_reference_in_photo,
        draw_overlay=draw_overlay,
        propose_features=lambda references: propose_features(SimpleNamespace(references=references)),
        sign_reference=sign_reference,
        recognise_photo=recognise_photo,
    )
    return lambda data_dir: Workshop.open(data_dir, engine=engine)


@pytest.fixture(scope="session")
def furnished(tmp_path_factory: pytest.TempPathFactory, open_workshop: Callable[[Path], Workshop]) -> Path:
    """The data folder of a workshop with one mold and one pour, made once and copied for each test."""
    data_dir = tmp_path_factory.mktemp("furnished") / "workshop"
    with open_workshop(data_dir) as shop:
        shop.add_mold("oak-leaf", title="Oak leaf, curled tips")
        reference = shop.add_reference(draw_piece(seed=90), name="r1.png", mold="oak-leaf").reference
        shop.confirm_reference(reference.id)
        shop.add_mix("grey", cement_class="N", water_cement_ratio=0.45)
        shop.add_pour(mix="grey", molds=["oak-leaf"], poured_at=POURED_AT)
    return data_dir


@pytest.fixture(scope="session")
def with_accounts(
    tmp_path_factory: pytest.TempPathFactory, furnished: Path, open_workshop: Callable[[Path], Workshop]
) -> Prepared:
    """The same workshop with an account and a token of each role."""
    return prepare(tmp_path_factory.mktemp("accounts") / "workshop", furnished, open_workshop)


@pytest.fixture
def client(settings: Settings, open_workshop: Callable[[Path], Workshop], furnished: Path) -> Iterator[TestClient]:
    """A browser in which nobody has given a name yet, over the furnished workshop."""
    shutil.copytree(furnished, settings.data_dir)
    app = create_app(settings, open_workshop=open_workshop)
    with TestClient(app, base_url=ADDRESS, raise_server_exceptions=False) as client:
        yield client


@pytest.fixture(scope="module")
def shared_client(
    tmp_path_factory: pytest.TempPathFactory, open_workshop: Callable[[Path], Workshop], furnished: Path
) -> Iterator[TestClient]:
    """The browser of Marta over a furnished workshop: one for all tests of a file, that may change nothing."""
    data_dir = tmp_path_factory.mktemp("shared") / "workshop"
    shutil.copytree(furnished, data_dir)
    app = create_app(Settings(data_dir=data_dir, metrics=True), open_workshop=open_workshop)
    with TestClient(app, base_url=ADDRESS, raise_server_exceptions=False) as client:
        client.post("/reviewer", data={"reviewer": "Marta"})
        yield client


@pytest.fixture
def reviewer(client: TestClient) -> TestClient:
    """The same browser after Marta gave her name."""
    client.post("/reviewer", data={"reviewer": "Marta"})
    return client


@pytest.fixture
def say(client: TestClient) -> Callable[..., Response]:
    """Posts a word on a piece as its page does, with the version of the piece that the page shows."""

    def say_as_the_page_does(address: str, **fields: str) -> Response:
        piece_id = int(address.split("/")[2])
        try:
            seen = str(client.app.state.workshop.piece(piece_id).version)  # type: ignore[attr-defined]
        except InputError:
            seen = "0.0.0"
        return client.post(address, data={"seen": seen, **fields})

    return say_as_the_page_does


@pytest.fixture
def add(client: TestClient) -> Callable[..., int]:
    """Adds the photo of a piece and gives the piece's number."""

    def add_piece(**painted: int) -> int:
        response = client.post(
            "/photos",
            data={"mold": "oak-leaf", "pour_id": "1", "demolded_at": DEMOLDED_AT.isoformat()},
            files={"photos": ("leaf.png", draw_piece(**painted))},
            headers={"Accept": "application/json"},
        )
        return int(response.json()["photos"][0]["piece"].removeprefix("/pieces/"))

    return add_piece


def _prepare_reference(photo: Photo, *, features: Sequence[Any] = (), outline_xy: Any = None) -> Any:
    outline_xy = np.array([[10, 10], [300, 10], [300, 230]], float) if outline_xy is None else outline_xy
    return SimpleNamespace(name=photo.name, outline_xy=outline_xy, px_per_mm=5.0, features=tuple(features))


def _inspect_photo(photo: Photo, references: Sequence[Any]) -> Inspection:
    if not photo.image_bgr.any():
        return Inspection(photo.name, "unusable", "The photo is black. Turn on a light.", 0.0, None, None, 0.01)
    findings = [finding for kind, colour in _PAINTED.items() for finding in _painted(photo.image_bgr, kind, colour)]
    return Inspection(
        photo=photo.name,
        status="inspected",
        reason=None,
        score=min(0.95, 0.05 + 0.3 * len(findings)),
        px_per_mm=5.0,
        reference=references[0].name,
        seconds=0.01,
        findings=tuple(findings),
        warnings=(),
        photo_from_reference=np.eye(3),
    )


def _painted(image_bgr: NDArray[np.uint8], kind: Any, colour: tuple[int, int, int]) -> list[Finding]:
    contours, _ = cv2.findContours(cv2.inRange(image_bgr, colour, colour), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    found = []
    for contour in sorted(contours, key=lambda points: points[:, 0, 0].min()):
        _, _, width_px, height_px = cv2.boundingRect(contour)
        longest_mm, shortest_mm = max(width_px, height_px) / 5, min(width_px, height_px) / 5
        polygon_xy = contour[:, 0, :].astype(float)
        seen_as: SeenAs = "dark line" if kind == "hairline crack" else "outline lost"
        area_mm2 = longest_mm * shortest_mm
        found.append(Finding(kind, polygon_xy, 0.74, area_mm2, longest_mm, shortest_mm, None, None, seen_as=seen_as))
    return found


def _reference_in_photo(photo: Photo, reference: Any, inspection: Inspection) -> NDArray[np.uint8]:
    return np.full_like(photo.image_bgr, 200)

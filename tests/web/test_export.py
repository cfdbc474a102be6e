"""The zip of a mold, read with other programs' readers: pycocotools for the outlines, the csv module, zipfile."""

import contextlib
import csv
import io
import json
import zipfile
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from fastapi.testclient import TestClient
from httpx2 import Response
from PIL import Image
from pycocotools.coco import COCO

from inspector.workshop import Month, Workshop
from inspector.workshop.piece_csv import csv_lines
from tests.web.conftest import DEMOLDED_AT, POURED_AT, draw_piece


def shop_of(client: TestClient) -> Workshop:
    workshop: Workshop = client.app.state.workshop  # type: ignore[attr-defined]
    return workshop


def archive_of(answer: Response) -> zipfile.ZipFile:
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/zip"
    archive = zipfile.ZipFile(io.BytesIO(answer.content))
    assert archive.testzip() is None
    return archive


def rows_of(archive: zipfile.ZipFile) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(archive.read("pieces.csv").decode(), newline="")))


@pytest.fixture
def stocked(reviewer: TestClient, add: Callable[..., int], say: Callable[..., Response]) -> TestClient:
    """Piece 1 has two chips, the first dismissed, and a crack; piece 2 is good."""
    piece_id = add(chips=2, cracks=1, seed=1)
    add(seed=2)
    (inspection,) = shop_of(reviewer).piece(piece_id).inspections
    assert inspection is not None
    say(f"/pieces/{piece_id}/findings/{inspection.findings[0].id}/reviews", verdict="dismissed")
    return reviewer


# Raised inside pycocotools 2.0.11 by NumPy 2, which it was made before.
@pytest.mark.filterwarnings("ignore:__array__ implementation doesn't accept a copy keyword:DeprecationWarning")
def test_outlines_are_read_by_the_makers_of_the_format(stocked: TestClient, tmp_path: Path) -> None:
    archive = archive_of(stocked.get("/molds/oak-leaf/export.zip"))
    (tmp_path / "coco.json").write_bytes(archive.read("coco.json"))
    with contextlib.redirect_stdout(io.StringIO()):
        coco = COCO(str(tmp_path / "coco.json"))
    assert [category["name"] for category in coco.loadCats(coco.getCatIds())] == [
        "missing feature", "chip", "hairline crack", "surface void", "excess",
    ]  # fmt: skip
    assert {image["file_name"] for image in coco.loadImgs(coco.getImgIds())} <= set(archive.namelist())
    assert len(coco.getImgIds()) == 2
    (chip,) = coco.loadAnns(coco.getAnnIds(catIds=coco.getCatIds(catNms=["chip"])))  # the other one was dismissed
    # Drawn from (80, 30) to (110, 60); outlines run through the middles of the pixels.
    assert chip["bbox"] == [80, 30, 30, 30]
    assert chip["area"] == 900
    mask = coco.annToMask(chip)
    assert mask.shape == (240, 320)
    ys, xs = np.nonzero(mask)
    assert (xs.min(), ys.min()) == (80, 30)
    assert mask.sum() == pytest.approx(chip["area"], rel=0.08)
    (crack,) = coco.loadAnns(coco.getAnnIds(catIds=coco.getCatIds(catNms=["hairline crack"])))
    assert crack["verdict"] is None
    assert crack["length_mm"] == pytest.approx(16.2)


def test_pieces_are_rows_with_their_photos(stocked: TestClient) -> None:
    archive = archive_of(stocked.get("/molds/oak-leaf/export.zip"))
    rows = rows_of(archive)
    assert [(row["piece"], row["kind"], row["verdict"], row["mix"]) for row in rows] == [
        ("2", "", "", "grey"),
        ("1", "chip", "dismissed", "grey"),
        ("1", "chip", "", "grey"),
        ("1", "hairline crack", "", "grey"),
    ]
    assert {row["photo_file"] for row in rows} == {name for name in archive.namelist() if name.startswith("photos/")}
    assert datetime.fromisoformat(rows[0]["demolded_at"]) == DEMOLDED_AT
    assert b"\r\n" in archive.read("pieces.csv")


def test_only_the_month_that_was_asked_for(stocked: TestClient) -> None:
    shop_of(stocked).record(
        draw_piece(seed=7), name="later.png", mold="oak-leaf", demolded_at=DEMOLDED_AT + timedelta(days=30)
    )
    november = archive_of(stocked.get("/molds/oak-leaf/export.zip?month=2026-11"))
    december = stocked.get("/molds/oak-leaf/export.zip?month=2026-12")
    assert {row["piece"] for row in rows_of(november)} == {"1", "2"}
    assert {row["piece"] for row in rows_of(archive_of(december))} == {"3"}
    assert 'filename="oak-leaf-2026-12.zip"' in december.headers["content-disposition"]
    assert (
        json.loads(archive_of(stocked.get("/molds/oak-leaf/export.zip?month=2020-01")).read("coco.json"))["images"]
        == []
    )
    assert stocked.get("/molds/oak-leaf/export.zip?month=2026-13").status_code == 404
    assert stocked.get("/molds/swan/export.zip").status_code == 404


def test_a_month_goes_by_the_day_on_the_wall() -> None:
    # Half past midnight on 1 March in Berlin is still February in UTC.
    late = datetime.fromisoformat("2026-03-01T00:30:00+01:00")
    month = Month.read("2026-03")
    assert month.holds(late)
    assert not month.before.holds(late)
    since, until = month.search_span
    assert since < late < until
    assert (Month.read("2026-01").before, Month.read("2025-12").after) == (Month(2025, 12), Month(2026, 1))


@pytest.mark.parametrize(
    "name",
    ["=cmd|calc.png", "../../../etc/passwd.png", "C:\\x\\CON.png", "-x.png", "+1.png", "@a.png", "blätter\n🙂.png"],
)
def test_names_harm_neither_spreadsheet_nor_disk(client: TestClient, name: str) -> None:
    shop_of(client).record(draw_piece(chips=1), name=name, mold="oak-leaf", demolded_at=DEMOLDED_AT)
    archive = archive_of(client.get("/molds/oak-leaf/export.zip"))
    (row,) = rows_of(archive)
    assert name.endswith(row["photo"].removeprefix("'"))  # folders are left behind when it is recorded
    assert not row["photo"].startswith(("=", "+", "-", "@"))
    (photo,) = [entry for entry in archive.namelist() if entry not in ("pieces.csv", "coco.json", "READ-ME.txt")]
    folder, _, plain = photo.partition("/")
    assert folder == "photos"
    assert plain.startswith("000002")
    assert plain.replace("-", "").replace(".", "").replace("_", "").isalnum()
    assert plain.isascii()


# OWASP, "CSV Injection", from memory: what begins a formula in one spreadsheet or another.
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


@pytest.mark.parametrize("sign", FORMULA_SIGNS)
def test_no_column_begins_a_formula(sign: str) -> None:
    row = dict.fromkeys(("mold", "photo", "feature", "reviewer", "mix"), f"{sign}1+1")
    (told,) = csv.DictReader(io.StringIO("".join(csv_lines([{**row, "length_mm": -1.5}])), newline=""))
    assert told == {**dict.fromkeys(row, f"'{sign}1+1"), "length_mm": "-1.5"}


def test_nothing_that_people_write_begins_a_formula(client: TestClient) -> None:
    shop = shop_of(client)
    for number, sign in enumerate(FORMULA_SIGNS):
        shop.add_mix(f"{sign}mix {number}", cement_class="N", water_cement_ratio=0.45)
        mix = next(mix.name for mix in shop.mixes() if mix.name.endswith(f"mix {number}"))
        pour = shop.add_pour(mix=mix, molds=["oak-leaf"], poured_at=POURED_AT)
        photo = draw_piece(chips=1, seed=number)
        piece = shop.record(photo, name=f"{sign}photo.png", mold="oak-leaf", pour_id=pour.id, demolded_at=DEMOLDED_AT)
        (inspection,) = piece.detail.inspections
        assert inspection
        client.cookies.clear()
        client.post("/reviewer", data={"reviewer": f"{sign}Ada"})
        finding = f"/pieces/{piece.detail.piece.id}/findings/{inspection.findings[0].id}/reviews"
        assert client.post(finding, data={"verdict": "confirmed", "seen": "0.0.0"}, follow_redirects=False).is_redirect
    rows = rows_of(archive_of(client.get("/molds/oak-leaf/export.zip")))
    assert len(rows) == len(FORMULA_SIGNS)
    written = [row[column] for row in rows for column in ("photo", "mix", "reviewer")]
    assert all(text.lstrip("'\t\r\n=+-@\uff1d\uff0b\uff0d\uff20") for text in written)  # the words have arrived
    assert [text for row in rows for text in row.values() if text.startswith(FORMULA_SIGNS)] == []


def test_photos_tell_no_place_unless_asked_for(client: TestClient) -> None:
    import tests.imaging.test_placeless as placeless

    original = placeless.jpeg()
    kept = shop_of(client).record(original, name="there.jpg", mold="oak-leaf", demolded_at=DEMOLDED_AT)
    name = f"photos/{kept.photo_id:06d}-there.jpg"
    given = archive_of(client.get("/molds/oak-leaf/export.zip")).read(name)
    assert placeless.PLACE.encode() not in given
    assert archive_of(client.get("/molds/oak-leaf/export.zip?with_place=true")).read(name) == original


@pytest.mark.parametrize("kind", ["WEBP", "TIFF"])
def test_other_formats_become_upright_jpeg(client: TestClient, kind: str) -> None:
    tags = Image.Exif()
    tags[0x0112] = 6  # to be turned by a quarter
    tags.get_ifd(0x8825)[1] = "N"
    file = io.BytesIO()
    Image.open(io.BytesIO(draw_piece())).save(file, kind, exif=tags)
    shop_of(client).record(file.getvalue(), name=f"p.{kind.lower()}", mold="oak-leaf", demolded_at=DEMOLDED_AT)
    archive = archive_of(client.get("/molds/oak-leaf/export.zip"))
    (entry,) = json.loads(archive.read("coco.json"))["images"]
    assert entry["file_name"] == "photos/000002-p.jpg"
    with Image.open(io.BytesIO(archive.read(entry["file_name"]))) as image:
        assert (image.format, image.size) == ("JPEG", (240, 320))
        assert image.size == (entry["width"], entry["height"])
        assert not image.getexif()


def test_it_is_sent_while_it_is_made(stocked: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    shop = shop_of(stocked)
    read: list[int] = []
    monkeypatch.setattr(shop.exporting, "_photo", lambda photo, **_: read.append(photo.id) or bytes(300_000))
    chunks = shop.exporting.export(now=DEMOLDED_AT).chunks
    assert len(next(chunks)) < 600_000
    assert len(read) == 1
    assert sum(map(len, chunks)) > 300_000
    assert len(read) == 2


def test_a_photo_that_is_gone_is_named_and_the_others_come(stocked: TestClient) -> None:
    shop = shop_of(stocked)
    photo = shop.photo(2)
    shop._log.photos.path(bytes.fromhex(photo.sha256), photo.media_type).unlink()
    archive = archive_of(stocked.get("/molds/oak-leaf/export.zip"))
    assert [name for name in archive.namelist() if name.startswith("photos/")] == ["photos/000003-leaf.png"]
    assert "Photo 2 (leaf.png) could not be put in" in archive.read("READ-ME.txt").decode()

"""Labels as they are printed and read again: a code drawn by one library is read by another."""

from datetime import datetime

import cv2
import numpy as np
import pypdfium2
import pytest
from fastapi.testclient import TestClient

from inspector.imaging.labels import find_labels
from tests.web.conftest import ADDRESS, encoded


def printed(client: TestClient, query: str = "") -> tuple[str, list[str]]:
    """The words on printed labels, and what their codes say."""
    answer = client.get(f"/labels.pdf{query}")
    assert answer.headers["content-type"] == "application/pdf"
    page = pypdfium2.PdfDocument(answer.content)[0]
    seen = np.ascontiguousarray(page.render(scale=2.5).to_numpy()[:, :, :3])
    return page.get_textpage().get_text_range(), sorted(find_labels(seen))


def test_labels_of_all_molds_lead_to_the_page_that_photographs(client: TestClient) -> None:
    shop = client.app.state.workshop  # type: ignore[attr-defined]
    shop.add_mold("finial", title="Finial")
    words, codes = printed(client)
    assert codes == [f"{ADDRESS}/photograph?mold=finial", f"{ADDRESS}/photograph?mold=oak-leaf"]
    assert "Oak leaf, curled tips" in words


def test_labels_of_one_mold_and_a_pour(client: TestClient) -> None:
    shop = client.app.state.workshop  # type: ignore[attr-defined]
    for name in ("finial", "tile", "bird"):
        shop.add_mold(name, title=name.capitalize())
    at = datetime.fromisoformat("2026-11-24T08:00:00+01:00")
    shop.add_pour(mix="grey", molds=["bird", "finial", "oak-leaf", "tile"], poured_at=at)
    words, codes = printed(client, "?mold=oak-leaf&pour=2")
    assert codes == [f"{ADDRESS}/photograph?mold=oak-leaf", f"{ADDRESS}/photograph?pour=2"]
    assert "Pour 2" in words
    assert "2 more" in words


@pytest.mark.parametrize("query", ["?mold=heron", "?pour=77"])
def test_a_label_of_what_is_not_there_is_not_printed(client: TestClient, query: str) -> None:
    assert client.get(f"/labels.pdf{query}").status_code == 404


def test_a_photographed_label_is_read_and_not_kept(client: TestClient) -> None:
    code = cv2.QRCodeEncoder.create().encode(f"{ADDRESS}/photograph?mold=oak-leaf")
    photo = cv2.resize(np.pad(code, 4, constant_values=255), None, fx=6, fy=6, interpolation=cv2.INTER_NEAREST)
    before = client.app.state.workshop.count_photos()  # type: ignore[attr-defined]
    answer = client.post("/labels/reading", files={"photo": ("l.png", encoded(photo))})
    assert answer.json() == {"labels": [f"{ADDRESS}/photograph?mold=oak-leaf"]}
    nothing = client.post("/labels/reading", files={"photo": ("l.png", encoded(np.full((90, 90, 3), 99, np.uint8)))})
    assert nothing.json() == {"labels": []}
    refused = client.post("/labels/reading", files={"photo": ("l.png", b"no photo")})
    assert refused.status_code == 422
    assert "l.png is not a photo" in refused.text
    assert client.app.state.workshop.count_photos() == before  # type: ignore[attr-defined]


def test_the_address_of_a_label_chooses_mold_and_pour(client: TestClient) -> None:
    chosen_pour, chosen_mold = '<option value="1" data-molds="oak-leaf" selected>', '<option value="oak-leaf" selected>'
    shop = client.app.state.workshop  # type: ignore[attr-defined]
    reference = shop.mold("oak-leaf").references[0]
    assert reference.in_use
    shop.add_mold("finial", title="Finial")  # with one mold only, that one is chosen anyway
    by_mold, by_pour = client.get("/photograph?mold=oak-leaf").text, client.get("/photograph?pour=1").text
    for page in (by_mold, by_pour):
        assert chosen_mold in page
        assert chosen_pour in page
    assert chosen_pour not in client.get("/photograph").text

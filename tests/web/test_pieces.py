from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response

from inspector.log import check_log, evidence_mark
from inspector.settings import Settings
from inspector.web.reviewer import cleaned_name
from inspector.workshop import Workshop
from tests.web.conftest import POURED_AT, draw_piece


def test_a_finding_is_told_by_number_word_line_size_confidence_and_age(
    client: TestClient, add: Callable[..., int]
) -> None:
    page = client.get(f"/pieces/{add(chips=1, cracks=1)}").text
    # 31 px by 31 px and 3 px by 81 px as drawn, 5 px per mm.
    assert "6.2 × 6.2 mm" in page
    assert "16 mm long, 0.60 mm wide" in page
    assert page.count("Likely (74\N{NO-BREAK SPACE}%)") == 2
    assert page.count("Part of the outline is gone") == page.count("A dark line that good pieces lack") == 1
    assert page.count("Demold age <strong>31 h</strong>") == 2
    assert ">1 chip</text>" in page
    assert ">2 hairline crack</text>" in page
    assert 'class="line kind-chip" points="20.0,30.0 20.0,60.0 50.0,60.0 50.0,30.0"' in page
    assert 'class="line kind-hairline-crack"' in page


def test_a_piece_stands_beside_its_reference(client: TestClient, add: Callable[..., int]) -> None:
    page = client.get(f"/pieces/{add(chips=1)}").text
    assert "Good piece" in page
    assert "reference r1.png" in page
    assert page.count('src="/photos/2/reference-1600.jpg"') == 2
    picture = client.get("/photos/2/reference-1600.jpg")
    assert picture.headers["content-type"] == "image/jpeg"
    assert picture.content.startswith(b"\xff\xd8")


def test_a_photo_that_cannot_be_used_says_why_and_asks_for_another(client: TestClient, black_photo: bytes) -> None:
    sent = client.post("/photos", data={"mold": "oak-leaf"}, files={"photos": ("dark.png", black_photo)}).text
    assert "The photo is black. Turn on a light." in sent
    page = client.get("/pieces/1").text
    assert "could not be inspected" in page
    assert "The photo is black. Turn on a light." in page
    assert "Nothing flagged" not in page
    assert '<details class="more" id="another" open>' in page


@pytest.mark.parametrize(("age_h", "asked"), [(1.5, True), (3.9, True), (4.0, False), (31.0, False)])
def test_a_piece_that_came_out_too_soon_to_be_true_is_asked_about(
    client: TestClient, age_h: float, asked: bool
) -> None:
    at = POURED_AT + timedelta(hours=age_h)
    sent = client.post(
        "/photos",
        data={"mold": "oak-leaf", "pour_id": "1", "demolded_at": at.isoformat()},
        files={"photos": ("leaf.png", draw_piece())},
        headers={"Accept": "application/json"},
    ).json()["photos"][0]
    question = f"It came out {age_h:.1f} h after its pour, which few mixes allow."
    assert any(note.startswith(question) for note in sent["notes"]) == asked
    page = client.get(sent["piece"]).text
    assert (question in page, '<a href="/pours/1">Its pour</a>' in page) == (asked, asked)


def test_a_name_is_asked_for_once_before_anything_is_said(
    client: TestClient, add: Callable[..., int], say: Callable[..., Response]
) -> None:
    piece = add(chips=1)
    before = client.get(f"/pieces/{piece}").text
    assert "Who is reviewing?" in before
    assert 'value="confirmed"' not in before
    refused = say(f"/pieces/{piece}/findings/1/reviews", verdict="confirmed")
    assert refused.status_code == 422
    assert "enter your name" in refused.text
    named = client.post("/reviewer", data={"reviewer": "  Zoë \n Müller ", "back": f"/pieces/{piece}"})
    assert named.url.path == f"/pieces/{piece}"
    assert "Who is reviewing?" not in named.text
    assert "Zoë Müller" in named.text
    assert 'value="confirmed"' in named.text


@pytest.mark.parametrize("back", ["https://elsewhere.example/", "//elsewhere.example", "/pieces/../x", "javascript:1"])
def test_naming_leads_nowhere_else(client: TestClient, back: str) -> None:
    answer = client.post("/reviewer", data={"reviewer": "Marta", "back": back}, follow_redirects=False)
    assert answer.headers["location"] == "/"


def test_a_name_stays_on_one_line_and_short() -> None:
    assert cleaned_name("  a\x07b\x00c\u202e \n d ") == "a b c d"
    assert cleaned_name("x" * 300, max_length=200) == "x" * 200


@pytest.mark.parametrize("name", ["", "   ", "\t\n"])
def test_an_empty_name_is_refused(client: TestClient, name: str) -> None:
    answer = client.post("/reviewer", data={"reviewer": name})
    assert answer.status_code == 422
    assert "The name is empty" in answer.text


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ({"verdict": "confirmed", "kind": "excess"}, "<strong>Confirmed</strong>"),
        ({"verdict": "dismissed", "kind": "excess"}, "<strong>Dismissed</strong>"),
        ({"verdict": "kind changed", "kind": "excess"}, "<strong>Kind changed</strong> from chip"),
    ],
)
def test_what_is_said_of_a_finding_is_shown_with_who_said_it(
    reviewer: TestClient, add: Callable[..., int], said: dict[str, str], shown: str, say: Callable[..., Response]
) -> None:
    piece = add(chips=1)
    assert "Nobody has looked at it yet" in reviewer.get(f"/pieces/{piece}").text
    page = say(f"/pieces/{piece}/findings/1/reviews", **said).text
    assert shown in page
    assert f"Marta: {said['verdict']}" in page
    assert "Nobody has looked at it yet" not in page
    assert (">1 excess</text>" in page) == (said["verdict"] == "kind changed")


def test_two_people_at_once_are_both_shown_and_the_last_word_counts(
    reviewer: TestClient, add: Callable[..., int], say: Callable[..., Response]
) -> None:
    piece = add(chips=1)
    say(f"/pieces/{piece}/findings/1/reviews", verdict="dismissed")
    reviewer.post("/reviewer", data={"reviewer": "Jonas"})
    page = say(f"/pieces/{piece}/findings/1/reviews", verdict="confirmed").text
    assert page.index("Marta: dismissed") < page.index("Jonas: confirmed")
    assert "<strong>Confirmed</strong>" in page


@pytest.mark.parametrize("said", [{}, {"verdict": "perhaps"}, {"verdict": "kind changed"}])
def test_a_word_that_says_nothing_is_refused(
    reviewer: TestClient, add: Callable[..., int], said: dict[str, str], say: Callable[..., Response]
) -> None:
    piece = add(chips=1)
    assert say(f"/pieces/{piece}/findings/1/reviews", **said).status_code == 422
    assert "Nobody has looked at it yet" in reviewer.get(f"/pieces/{piece}").text


def test_deciding_leads_to_the_next_piece_and_a_way_back(
    reviewer: TestClient, add: Callable[..., int], say: Callable[..., Response]
) -> None:
    worst, middle, best = add(chips=3, seed=1), add(chips=1, seed=2), add(seed=3)
    then = say(f"/pieces/{worst}/dispositions", outcome="scrap", note="bill gone")
    assert then.url.path == f"/pieces/{middle}"
    assert "<strong>scrap</strong>" in then.text
    assert f'href="/pieces/{worst}">Back to it' in then.text
    assert f'href="/pieces/{best}" data-next' in then.text
    back = reviewer.get(f"/pieces/{worst}").text
    assert "Marta: <strong>scrap</strong>, “bill gone”" in back


def test_a_decision_can_be_taken_back_by_a_later_one(
    reviewer: TestClient, add: Callable[..., int], say: Callable[..., Response]
) -> None:
    piece = add(chips=1)
    say(f"/pieces/{piece}/dispositions", outcome="scrap")
    page = say(f"/pieces/{piece}/dispositions", outcome="repair").text
    assert page.index("<strong>scrap</strong>") < page.index("<strong>repair</strong>")
    assert 'value="repair" aria-current="true"' in page


def test_a_piece_can_have_more_photos(
    client: TestClient, add: Callable[..., int], piece_photo: Callable[..., bytes]
) -> None:
    piece = add(chips=1)
    client.post(
        "/photos",
        data={"mold": "oak-leaf", "piece_id": str(piece)},
        files={"photos": ("back.png", piece_photo(cracks=1, seed=7))},
    )
    page = client.get(f"/pieces/{piece}").text
    assert "leaf.png" in page
    assert "back.png" in page
    assert page.count('<section class="photo"') == 2


@pytest.mark.parametrize(
    "address",
    ["/pieces/99", "/pieces/0", "/pieces/-1", "/pieces/swan", f"/pieces/{10**30}", "/pieces/1?decided=99", "/nothing"],
)
def test_what_is_not_there_is_a_page_that_says_so(client: TestClient, add: Callable[..., int], address: str) -> None:
    add(seed=1)
    answer = client.get(address)
    assert answer.status_code == 404
    assert "<h1>Not found</h1>" in answer.text
    assert 'href="/"' in answer.text


def test_what_is_not_there_cannot_be_reviewed_or_decided(
    reviewer: TestClient, add: Callable[..., int], say: Callable[..., Response]
) -> None:
    piece, other = add(chips=1, seed=1), add(chips=1, seed=2)
    for address in ("/pieces/99/findings/1/reviews", f"/pieces/{piece}/findings/99/reviews"):
        assert say(address, verdict="confirmed").status_code == 404
    # The finding of another piece.
    assert say(f"/pieces/{other}/findings/1/reviews", verdict="confirmed").status_code == 404
    assert say("/pieces/99/dispositions", outcome="sell").status_code == 404
    assert say(f"/pieces/{piece}/dispositions", outcome="burn").status_code == 422


def test_a_piece_tells_how_old_it_is_at_20_degc(client: TestClient, add: Callable[..., int]) -> None:
    piece = add()
    # Nobody wrote down how warm it was, so 20 degC: EN 1992-1-1, Eq. (B.10) ages by 0.998 there, 31 h to 31 h;
    # Eq. (3.2), class N: exp(0.25 (1 - sqrt(672 / 30.94))) = 0.4005.
    assert "as old as 31 h at 20 °C, with about 40 % of its 28-day strength" in client.get(f"/pieces/{piece}").text
    client.app.state.workshop.curing.expect_temperature(5, from_at=datetime(2026, 11, 1, tzinfo=UTC))
    # The same formula: 0.47784 at 5 degC.
    assert "as old as 15 h at 20 °C" in client.get(f"/pieces/{piece}").text


def test_a_piece_of_a_spreadsheet_tells_what_was_written_down(client: TestClient) -> None:
    columns = "mold,poured_at,demolded_at,temperature_c,wet_cured_until_h,defects"
    lines = ["oak-leaf,2026-05-04,2026-05-05,,,chip;chip", "oak-leaf,2026-05-04,2026-05-05,,,"]
    client.app.state.workshop.import_pieces("\r\n".join([columns, *lines]).encode(), name="pieces.csv")
    broken, good = (client.get(f"/pieces/{number}").text for number in (1, 2))
    assert "Written down without a photo: 2 chips." in broken
    assert "Written down without a photo: a good piece." in good
    assert "ould not be judged" not in broken + good
    assert "2 chips" not in client.get("/").text


def test_the_pour_and_time_of_a_piece_are_put_right_and_what_stood_there_stays(
    client: TestClient, add: Callable[..., int], settings: Settings
) -> None:
    shop: Workshop = client.app.state.workshop  # type: ignore[attr-defined]
    piece_id, other = add(), shop.add_pour(mix="grey", molds=["oak-leaf"], poured_at=POURED_AT + timedelta(hours=7))
    mark = evidence_mark(shop._log)
    at = (POURED_AT + timedelta(hours=40)).astimezone().strftime("%Y-%m-%dT%H:%M")
    form = {"pour_id": str(other.id), "demolded_at": at, "name": "Zoë", "why": "wrong label"}
    page = client.post(f"/pieces/{piece_id}/correction", data=form).text
    assert "<strong>33 h</strong>" in page
    assert "Pour 1, out of the mold" in page
    assert "Zoë put it right" in page
    assert evidence_mark(shop._log) != mark  # so that windows are learnt anew
    again = client.post(f"/pieces/{piece_id}/correction", data={**form, "name": "Jo", "why": "once more"}).text
    assert "Jo put it right" not in again  # nothing changed
    early = client.post(f"/pieces/{piece_id}/correction", data={**form, "demolded_at": "2020-01-01T10:00"})
    assert early.status_code == 422
    assert "lies before pour" in early.text
    unknown = client.post(f"/pieces/{piece_id}/correction", data={"name": "Jo", "why": "nobody knows"}).text
    assert "age unknown" in unknown
    assert check_log(settings.data_dir).troubles == ()


def test_the_minute_that_a_page_told_leaves_the_seconds_as_they_are(
    client: TestClient, add: Callable[..., int]
) -> None:
    shop: Workshop = client.app.state.workshop  # type: ignore[attr-defined]
    piece = shop.piece(add()).piece
    at = piece.demolded_at
    assert at is not None
    shop.correct_piece(piece.id, pour_id=1, demolded_at=at.replace(second=41), corrected_by="Jo", why="by the camera")
    told = at.replace(second=0, microsecond=0)
    shop.correct_piece(piece.id, pour_id=None, demolded_at=told, corrected_by="Jo", why="another pour")
    assert shop.piece(piece.id).piece.demolded_at == at.replace(second=41)
    assert [was.pour_id for was in shop.piece_corrections(piece.id)] == [1, 1]

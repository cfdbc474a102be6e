from collections.abc import Callable

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response

from inspector.log import list_changes

SQUARE = "10,10 60,10 60,35 10,35"

Say = Callable[..., Response]
Add = Callable[..., int]


def test_an_outline_is_corrected_and_drawn_with_its_size(reviewer: TestClient, add: Add, say: Say) -> None:
    piece = add(chips=1)
    page = say(f"/pieces/{piece}/findings/1/reviews", verdict="outline corrected", outline=SQUARE).text
    assert "<strong>Outline corrected</strong>" in page
    # 50 x 25 px at 5 px per mm.
    assert "10 × 5.0 mm" in page
    assert 'points="10.0,10.0 60.0,10.0 60.0,35.0 10.0,35.0"' in page


def test_a_missed_defect_stands_beside_those_that_were_found(reviewer: TestClient, add: Add, say: Say) -> None:
    piece = add(chips=1)
    page = say(f"/pieces/{piece}/photos/2/findings", kind="hairline crack", outline=SQUARE).text
    assert "2 places flagged, 1 to look at" in page
    assert "Marked by Marta" in page
    assert "Dismiss finding 2" in page
    assert "1 chip, 1 hairline crack" in reviewer.get("/").text


@pytest.mark.parametrize(
    "outline", ["", "1,1", "1,1 9,9", "a,b c,d e,f", "1,1 2 3,3", "nan,1 5,5 9,1", "1,1,1 2,2,2 3,3,3"]
)
def test_an_outline_that_is_none_is_refused_and_nothing_is_kept(
    reviewer: TestClient, add: Add, say: Say, outline: str
) -> None:
    piece = add(chips=1)
    for answer in (
        say(f"/pieces/{piece}/photos/2/findings", kind="chip", outline=outline),
        say(f"/pieces/{piece}/findings/1/reviews", verdict="outline corrected", outline=outline),
    ):
        assert answer.status_code == 422
        assert "outline" in answer.text
    assert "1 place flagged, 1 to look at" in reviewer.get(f"/pieces/{piece}").text


def test_nothing_is_marked_on_another_pieces_photo(reviewer: TestClient, add: Add, say: Say) -> None:
    piece, _ = add(seed=1), add(seed=2)
    answer = say(f"/pieces/{piece}/photos/3/findings", kind="chip", outline=SQUARE)
    assert answer.status_code == 422
    assert f"Piece {piece} has no photo 3" in answer.text


def test_the_last_word_can_be_undone_until_there_is_none(reviewer: TestClient, add: Add, say: Say) -> None:
    piece = add(chips=1)
    assert "Undo" not in reviewer.get(f"/pieces/{piece}").text.replace("undo", "")
    say(f"/pieces/{piece}/findings/1/reviews", verdict="confirmed")
    say(f"/pieces/{piece}/dispositions", outcome="scrap")
    assert "Undo: scrap" in reviewer.get(f"/pieces/{piece}").text
    page = say(f"/pieces/{piece}/undo").text
    assert "Undo: confirmed" in page
    assert "Marta: <strong>took that back</strong>" in page
    assert "Not decided yet" in page
    page = say(f"/pieces/{piece}/undo").text
    assert "Nobody has looked at it yet" in page
    assert "Undo:" not in page
    assert say(f"/pieces/{piece}/undo").status_code == 422


def test_a_decision_can_be_undone_from_the_next_piece(reviewer: TestClient, add: Add, say: Say) -> None:
    worst, other = add(chips=1, seed=1), add(seed=2)
    page = say(f"/pieces/{worst}/dispositions", outcome="scrap")
    assert page.url.path == f"/pieces/{other}"
    assert f'action="/pieces/{worst}/undo"' in page.text


def test_notes_stand_with_who_wrote_them_and_are_taken_back_in_sight(reviewer: TestClient, add: Add, say: Say) -> None:
    piece = add()
    page = say(f"/pieces/{piece}/notes", note="bill <short>").text
    assert "bill &lt;short&gt;" in page
    assert "Undo: note" in page
    page = say(f"/pieces/{piece}/undo").text
    assert "<del>bill &lt;short&gt;</del> (taken back)" in page
    assert say(f"/pieces/{piece}/notes", note=" ").status_code == 422


def test_who_comes_too_late_sees_both_states_and_can_say_it_again(reviewer: TestClient, add: Add, say: Say) -> None:
    piece = add(chips=1, cracks=1)
    address = f"/pieces/{piece}/findings/2/reviews"
    seen = "0.0.0"
    say(f"/pieces/{piece}/findings/1/reviews", verdict="dismissed")
    reviewer.post("/reviewer", data={"reviewer": "Jonas"})
    late = reviewer.post(address, data={"verdict": "kind changed", "kind": "excess", "seen": seen})
    assert late.status_code == 409
    before, now = late.text.split("When you opened it")[1].split("Now</h2>")
    assert "1: chip: <strong>nobody has looked at it yet</strong>" in before
    assert "1: chip: <strong>dismissed</strong>" in now
    assert "Marta: <strong>1: chip: dismissed</strong>" not in late.text
    assert "Marta: <strong>1: dismissed</strong>" in late.text
    assert "<strong>kind changed to excess</strong>" in late.text
    assert "Nobody has looked at it yet" in reviewer.get(f"/pieces/{piece}").text
    # The page offers to send the same again, about the state that it shows.
    for field in ('name="verdict" value="kind changed"', 'name="kind" value="excess"', f'action="{address}"'):
        assert field in late.text
    assert "Jonas: kind changed to excess" in say(address, verdict="kind changed", kind="excess").text


def test_every_word_that_could_overwrite_is_held_to_its_state(reviewer: TestClient, add: Add, say: Say) -> None:
    piece = add(chips=1)
    say(f"/pieces/{piece}/findings/1/reviews", verdict="confirmed")
    words = {
        f"/pieces/{piece}/findings/1/reviews": {"verdict": "dismissed"},
        f"/pieces/{piece}/photos/2/findings": {"kind": "chip", "outline": SQUARE},
        f"/pieces/{piece}/dispositions": {"outcome": "sell"},
        f"/pieces/{piece}/undo": {},
    }
    for address, fields in words.items():
        assert reviewer.post(address, data={**fields, "seen": "0.0.0"}).status_code == 409, address
        assert reviewer.post(address, data=fields).status_code == 422, address
        assert reviewer.post(address, data={**fields, "seen": "yesterday"}).status_code == 422, address
    as_json = reviewer.post(f"/pieces/{piece}/undo", data={"seen": "0.0.0"}, headers={"Accept": "application/json"})
    assert "Somebody else has said something" in as_json.json()["error"]["message"]


def test_the_difference_is_a_picture_of_the_photos_size(reviewer: TestClient, add: Add) -> None:
    add(chips=1)
    picture = reviewer.get("/photos/2/difference-1600.jpg")
    assert picture.headers["content-type"] == "image/jpeg"
    assert reviewer.get("/photos/2/difference-1234.jpg").status_code == 404


def test_what_a_page_changes_is_in_the_history_under_the_reviewer(reviewer, add, say):
    piece_id = add(chips=1)
    say(f"/pieces/{piece_id}/dispositions", outcome="scrap")
    with reviewer.app.state.workshop._log.reading() as session:
        changes = list_changes(session, row_table="disposition", limit=5)
    assert [(change.did, change.by) for change in changes] == [("added", "Marta")]

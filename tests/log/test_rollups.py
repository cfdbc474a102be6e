"""What is worked out from the log says what the log says, whatever is done to pieces and pours in whatever order."""

from datetime import UTC, datetime, timedelta

import pytest

from inspector import log
from inspector.log import NotedDefect, PastPiece, PastPour, PieceFilter, check_log
from inspector.log.rollups import disagreements
from tests.doubles.places import silently

WAITING = PieceFilter(waiting=True)
AT = datetime(2026, 5, 9, 8, tzinfo=UTC)
PAST = PastPour(
    mix="grey", poured_at=datetime(2024, 5, 4, 16, tzinfo=UTC), temperature_degc=17.5, wet_until_h=None, cure_notes="",
    pieces=(PastPiece("heron", datetime(2024, 5, 5, 20, tzinfo=UTC), (NotedDefect("chip", "bill"),)),),
)  # fmt: skip


def disagreeing(opened):
    with opened.reading() as session:
        return disagreements(session.connection())


def waiting(opened):
    return [piece.id for piece in log.list_waiting(opened, mold=None, limit=50).items]


def test_the_list_follows_each_word(stocked, make):
    pieces = []
    for number, score in enumerate((0.2, 0.9, None, 0.5)):
        inspected = (
            make.inspection(score=score) if score is not None else make.inspection(status="unusable", score=None)
        )
        content = b"\xff\xd8\xff" + bytes([number])
        pieces.append(log.add_piece_photo(stocked, make.piece_photo(stocked, content, inspection=inspected)).piece_id)
        assert disagreeing(stocked) == []
    assert waiting(stocked) == [pieces[1], pieces[3], pieces[0], pieces[2]]
    log.add_disposition(stocked, pieces[1], "sell", decided_by="Ada", note="")
    assert waiting(stocked) == [pieces[3], pieces[0], pieces[2]]
    log.take_back(stocked, pieces[1], by="Ada")
    assert waiting(stocked)[0] == pieces[1]
    # Another side of a piece that looks worse moves it up.
    worse = make.inspection(score=0.95)
    log.add_piece_photo(
        stocked, make.piece_photo(stocked, b"\xff\xd8\xff top", piece_id=pieces[0], view="top", inspection=worse)
    )
    assert waiting(stocked)[0] == pieces[0]
    assert log.count_pieces(stocked, WAITING) == 4
    assert log.count_photos(stocked) == {"waiting": 0, "inspected": 4, "unusable": 1}
    assert disagreeing(stocked) == []


def test_what_is_not_written_is_not_listed(stocked, make):
    broken = make.inspection(make.CHIP, status="neither")
    with pytest.raises(Exception, match="ck_inspection_status"):
        log.add_piece_photo(stocked, make.piece_photo(stocked, inspection=broken))
    assert waiting(stocked) == []


@pytest.fixture
def busy(stocked, make):
    """A piece with a photo of two marks, one inspected anew, one noted by hand, and a pour without pieces."""
    log.add_piece_photo(stocked, make.piece_photo(stocked, inspection=make.inspection(make.CHIP, make.CHIP, score=0.4)))
    log.add_past(stocked, [PAST], source="book")
    log.add_pour(stocked, mix="grey", molds=["heron", "finial"], poured_at=AT, cure_notes="")
    return stocked


def test_what_is_known_of_pieces_follows_reviews_notes_and_pours(busy):
    first, second = log.find_piece(busy, 1).inspections[0].findings
    for verdict, kind in (("confirmed", None), ("kind changed", "excess"), ("dismissed", None)):
        log.add_review(busy, first.id, verdict=verdict, new_kind=kind, reviewer="Ada")
        assert disagreeing(busy) == []
    assert [len(outcome.found) for outcome in log.list_piece_outcomes(busy)] == [1, 0]
    log.take_back(busy, 1, by="Ada")
    assert {item.kind for item in log.list_piece_outcomes(busy)[0].found} == {"excess", second.kind}
    pour = log.list_pours(busy, limit=1)[0]
    log.correct_pour(busy, pour.id, mix="grey", molds=["finial"], poured_at=AT - timedelta(hours=3), cure_notes="",
                     corrected_by="Ada", why="wrong mold")  # fmt: skip
    assert disagreeing(busy) == []
    assert [item.mold for item in log.list_filled_molds(busy, at=AT)] == ["finial"]
    log.withdraw_pour(busy, pour.id, withdrawn_by="Ada", why="never was")
    assert disagreeing(busy) == []
    assert log.list_filled_molds(busy, at=AT) == ()


@pytest.mark.parametrize(
    ("statement", "what"),
    [
        ("DELETE FROM piece_standing WHERE piece_id = 1", "piece 1"),
        ("UPDATE piece_standing SET score = 0.1 WHERE piece_id = 1", "piece 1"),
        ("UPDATE piece_standing SET found = '[]' WHERE piece_id = 1", "piece 1"),
        ("UPDATE piece_standing SET waiting_rank = 0 WHERE piece_id = 2", "piece 2"),
        ("UPDATE piece_standing SET unsure_rank = 0.2 WHERE piece_id = 1", "piece 1"),
        ("DELETE FROM mold_pour WHERE mold_id = 1 AND pour_id = 3", "pour 3"),
        ("DELETE FROM site_pour WHERE pour_id = 3", "pour 3"),
        ("UPDATE site_pour SET withdrawn = NOT withdrawn WHERE pour_id = 3", "pour 3"),
        ("UPDATE photo_count SET photos = 7 WHERE state = 'inspected'", "photos inspected"),
    ],
)
def test_what_says_something_else_is_told_and_put_right(busy, statement, what):
    silently(busy, statement)
    (trouble,) = check_log(busy.place).troubles
    assert f"know of {what} is not what the log says" in trouble.what
    log.work_out_rollups(busy)
    assert check_log(busy.place).troubles == ()

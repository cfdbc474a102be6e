"""The list of pieces that wait says what the log says, whatever is done to pieces in whatever order."""

import pytest

from inspector import log
from inspector.log import PieceFilter, check_log
from inspector.log.waiting import disagreements
from tests.doubles.places import silently

WAITING = PieceFilter(waiting=True)


def disagreeing(opened):
    with opened.reading() as session:
        return disagreements(session.connection())


def waiting(opened):
    return [piece.id for piece in log.list_pieces_worst_first(opened, WAITING, limit=None, offset=0)]


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
    assert disagreeing(stocked) == []


def test_what_is_not_written_is_not_listed(stocked, make):
    broken = make.inspection(make.CHIP, status="neither")
    with pytest.raises(Exception, match="ck_inspection_status"):
        log.add_piece_photo(stocked, make.piece_photo(stocked, inspection=broken))
    assert waiting(stocked) == []


@pytest.mark.parametrize(
    "statement",
    ["DELETE FROM waiting_piece", "UPDATE waiting_piece SET score = 0.1", "UPDATE waiting_piece SET score = NULL"],
)
def test_a_list_that_says_something_else_is_told_and_put_right_by_a_decision(stocked, make, statement):
    piece_id = log.add_piece_photo(stocked, make.piece_photo(stocked)).piece_id
    silently(stocked, statement)
    (trouble,) = check_log(stocked.place).troubles
    assert f"Piece {piece_id} is listed as waiting" in trouble.what
    log.add_disposition(stocked, piece_id, "sell", decided_by="Ada", note="")
    assert check_log(stocked.place).troubles == ()

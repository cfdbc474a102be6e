import pytest

from inspector import log
from inspector.errors import InputError
from inspector.log import PhotoSending


def test_a_sending_brings_its_photo_once(stocked, make):
    sending = PhotoSending(photo_key="a", piece_key="p")
    tries = [log.add_piece_photo(stocked, make.piece_photo(stocked, sending=sending)) for _ in range(2)]
    assert [(one.added, one.sent_before) for one in tries] == [(True, False), (False, True)]
    assert log.find_sent_piece(stocked, "p") == tries[0].piece_id
    assert log.find_sent_piece(stocked, "q") is None


def test_photos_with_one_piece_key_are_of_one_piece(stocked, make):
    first = log.add_piece_photo(stocked, make.piece_photo(stocked, sending=PhotoSending("a", "p")))
    second = log.add_piece_photo(
        stocked, make.piece_photo(stocked, b"\xff\xd8\xff two", name="b.jpg", sending=PhotoSending("b", "p"))
    )
    assert second.added
    assert second.piece_id == first.piece_id


def test_another_photo_under_the_same_key_is_refused_and_not_logged(stocked, make):
    log.add_piece_photo(stocked, make.piece_photo(stocked, sending=PhotoSending("a", "p")))
    with pytest.raises(InputError, match="Another photo was sent under the key a before"):
        log.add_piece_photo(stocked, make.piece_photo(stocked, b"\xff\xd8\xff two", sending=PhotoSending("a", "p")))
    assert log.count_pieces(stocked, log.PieceFilter()) == 1


def test_a_photo_that_is_in_the_log_already_takes_a_key_so_that_others_join_its_piece(stocked, make):
    logged = log.add_piece_photo(stocked, make.piece_photo(stocked))
    sent_before = [log.note_sending(stocked, PhotoSending("a", "p"), photo_id=logged.photo_id) for _ in range(2)]
    assert sent_before == [False, True]
    assert log.find_sent_piece(stocked, "p") == logged.piece_id

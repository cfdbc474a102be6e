from datetime import UTC, datetime, timedelta

import pytest

from inspector import log
from inspector.errors import InputError


@pytest.fixture
def two_pieces(stocked, make):
    """Two herons of pour 1, and one piece without a demolding time."""
    for number, demolded_at in enumerate(
        [datetime(2026, 5, 6, 16, tzinfo=UTC), datetime(2026, 5, 5, 16, tzinfo=UTC), None]
    ):
        log.add_piece_photo(stocked, make.piece_photo(stocked, b"\xff\xd8\xff %d" % number, demolded_at=demolded_at))
    return stocked


def test_the_latest_word_on_a_wet_cure_counts(stocked):
    for until_h in (24.0, 72.0):
        log.add_wet_cure(stocked, pour_id=1, piece_id=None, until_h=until_h)
    assert log.find_pour_cure(stocked, 1).wet_until_h == 72


def test_demoldings_come_in_order_of_time_with_what_is_known_of_each(two_pieces):
    log.add_wet_cure(two_pieces, pour_id=None, piece_id=1, until_h=168.0)
    first, second = log.list_piece_demoldings(two_pieces)
    assert (first.piece_id, first.mold, first.pour_id, first.wet_until_h) == (2, "heron", 1, None)
    assert (second.piece_id, second.wet_until_h) == (1, 168)
    assert second.demolded_at - first.demolded_at == timedelta(days=1)
    assert log.list_piece_demoldings(two_pieces, mold="heron") == (first, second)
    assert log.list_piece_demoldings(two_pieces, mold="finial") == ()


def test_pour_cures_come_in_order_of_time_and_by_mold(stocked):
    log.add_constant_temperature(stocked, pour_id=1, temperature_degc=18, source="typed")
    log.add_pour(stocked, mix="grey", molds=["finial"], poured_at=datetime(2026, 5, 1, tzinfo=UTC), cure_notes="")
    assert [cure.pour_id for cure in log.list_pour_cures(stocked)] == [2, 1]
    (cure,) = log.list_pour_cures(stocked, mold="heron")
    assert cure == log.find_pour_cure(stocked, 1)
    assert cure.constant_degc == 18


@pytest.mark.parametrize(
    ("of", "message"),
    [({"pour_id": 9, "piece_id": None}, "no pour 9"), ({"pour_id": None, "piece_id": 9}, "no piece 9")],
)
def test_a_wet_cure_of_what_is_not_there_is_refused(stocked, of, message):
    with pytest.raises(InputError, match=message):
        log.add_wet_cure(stocked, **of, until_h=24.0)

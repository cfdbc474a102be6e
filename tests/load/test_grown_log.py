"""A grown log is what the program would have written: whole, with a history that fits, over both kinds of database."""

from dataclasses import replace

import pytest

from inspector.log import LogPlace, Piece, check_log, read_piece_details
from inspector.workshop import PieceFilter, Workshop
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.places import ON_BOTH
from tests.load.grown_log import ENDS_AT, fill_grown_log

PIECES, MOLDS = 240, 3


@pytest.fixture(params=ON_BOTH)
def grown(request, tmp_path) -> LogPlace:
    on_server = request.param == "postgresql"
    server = request.getfixturevalue("postgresql_server") if on_server else None
    place = LogPlace(tmp_path / "data", server.new_database() if server else None)
    fill_grown_log(place, pieces=PIECES, molds=MOLDS)
    return place


def test_a_grown_log_is_whole_but_for_the_photos_that_it_has_rows_of_only(grown):
    found = check_log(grown)
    assert [trouble for trouble in found.troubles if " is gone: " not in trouble.what] == []
    assert found.changes > 5 * PIECES
    with Workshop.open(grown, engine=DRAWN_ENGINE) as shop:
        assert shop.count_waiting() > 0
        assert 0.02 < len(shop.pieces(PieceFilter(outcome="scrap"))) / PIECES < 0.4
        # What lists show, from what is kept of each piece, is what its findings, reviews and decisions say themselves.
        listed = shop.pieces()
        details = read_piece_details(shop._log, [piece.id for piece in listed])
        assert [_sorted(piece) for piece in listed] == [_sorted(detail.piece) for detail in details]
        # Windows and decisions that the trial adds to it come with their entries of the history.
        assert len(shop.losses.refit(now=ENDS_AT)) == MOLDS
        shop.reviewing.decide(1, "second", decided_by="Ada")
    found = check_log(grown)
    assert [trouble for trouble in found.troubles if " is gone: " not in trouble.what] == []


def _sorted(piece: Piece) -> Piece:
    return replace(piece, kinds=tuple(sorted(piece.kinds)))

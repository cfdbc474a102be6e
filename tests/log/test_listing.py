from datetime import UTC, datetime, timedelta

import pytest

from inspector import log
from inspector.log import NewFinding, PieceFilter
from inspector.log.tables import PieceRow

CRACK = NewFinding(kind="hairline crack", polygon_xy=((0, 0), (9, 0), (9, 9)), confidence=0.7)


@pytest.fixture
def shelf(stocked, make):
    """Four pieces, a day apart: chip 0.9, crack 0.7, clean 0.1, unusable."""
    inspections = [
        make.inspection(make.CHIP, score=0.9),
        make.inspection(CRACK, score=0.7),
        make.inspection(score=0.1),
        make.inspection(status="unusable", score=0.0),
    ]
    for number, inspection in enumerate(inspections):
        log.add_piece_photo(
            stocked,
            make.piece_photo(
                stocked,
                b"\xff\xd8\xff %d" % number,
                demolded_at=datetime(2026, 5, 5, 17, tzinfo=UTC) + timedelta(days=number),
                inspection=inspection,
            ),
        )
    return stocked


def listed(opened, **filters):
    return [piece.id for piece in log.list_pieces(opened, PieceFilter(**filters), limit=None, offset=0)]


def waiting(opened):
    pieces = log.list_pieces_worst_first(opened, PieceFilter(waiting=True), limit=None, offset=0)
    return [piece.id for piece in pieces]


def test_pieces_are_listed_latest_demolding_first(shelf):
    assert listed(shelf) == [4, 3, 2, 1]


def test_pieces_waiting_come_worst_first_and_those_without_a_usable_photo_last(shelf):
    assert waiting(shelf) == [1, 2, 3, 4]


def test_a_decided_piece_waits_no_longer(shelf):
    log.add_disposition(shelf, 1, "scrap", decided_by="Ada", note="")
    assert waiting(shelf) == [2, 3, 4]
    assert listed(shelf, waiting=False) == [1]
    assert log.count_pieces(shelf, PieceFilter(waiting=True)) == 3


@pytest.mark.parametrize(
    ("filters", "expected"),
    [
        ({"mold": "heron"}, [4, 3, 2, 1]),
        ({"mold": "finial"}, []),
        ({"since": datetime(2026, 5, 7, tzinfo=UTC)}, [4, 3]),
        ({"until": datetime(2026, 5, 7, tzinfo=UTC)}, [2, 1]),
        ({"since": datetime(2026, 5, 6, tzinfo=UTC), "until": datetime(2026, 5, 7, tzinfo=UTC)}, [2]),
        ({"kind": "hairline crack"}, [2]),
        ({"kind": "excess"}, []),
        ({"min_score": 0.7}, [2, 1]),
        ({"min_score": 0.5, "kind": "chip"}, [1]),
    ],
)
def test_filters_narrow_the_list(shelf, filters, expected):
    assert listed(shelf, **filters) == expected


def test_the_latest_disposition_is_filtered_by(shelf):
    log.add_disposition(shelf, 2, "repair", decided_by="Ada", note="")
    log.add_disposition(shelf, 2, "second", decided_by="Ada", note="")
    assert listed(shelf, outcome="second") == [2]
    assert listed(shelf, outcome="repair") == []


def test_kinds_are_filtered_as_reviewers_left_them(shelf):
    (finding,) = log.find_piece(shelf, 1).inspections[0].findings
    log.add_review(shelf, finding.id, verdict="kind changed", new_kind="excess", reviewer="Ada")
    assert listed(shelf, kind="excess") == [1]
    assert listed(shelf, kind="chip") == []
    log.add_review(shelf, finding.id, verdict="dismissed", new_kind=None, reviewer="Ada")
    assert listed(shelf, kind="excess") == []
    assert listed(shelf, kind="chip") == []


def test_lists_come_in_pages(shelf):
    pages = [log.list_pieces(shelf, PieceFilter(), limit=2, offset=offset) for offset in (0, 2, 4)]
    assert [[piece.id for piece in page] for page in pages] == [[4, 3], [2, 1], []]


def test_the_list_agrees_with_each_piece(shelf):
    log.add_disposition(shelf, 3, "sell", decided_by="Ada", note="")
    for piece in log.list_pieces(shelf, PieceFilter(), limit=None, offset=0):
        assert piece == log.find_piece(shelf, piece.id).piece
    details = log.list_piece_details(shelf, PieceFilter(), limit=None, offset=0)
    assert [detail.piece for detail in details] == list(log.list_pieces(shelf, PieceFilter(), limit=None, offset=0))
    assert details[-1] == log.find_piece(shelf, 1)


def test_a_list_longer_than_one_query_takes_is_whole(stocked):
    # More pieces than are read in one portion.
    now = datetime(2026, 5, 5, tzinfo=UTC)
    with stocked.writing() as session:
        session.add_all(
            PieceRow(mold_id=1, demolded_at=now, demolded_offset_min=0, created_at=now) for _ in range(1100)
        )
    assert listed(stocked) == list(range(1100, 0, -1))

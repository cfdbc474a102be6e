from datetime import UTC, datetime, timedelta

import pytest

from inspector import log
from inspector.errors import InputError
from inspector.log import NewFinding, PieceFilter, PlaceInList, cut_page
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
    return [piece.id for piece in log.list_pieces(opened, PieceFilter(**filters), limit=2000).items]


def waiting(opened, **order):
    return [piece.id for piece in log.list_waiting(opened, mold=None, limit=50, **order).items]


def test_pieces_are_listed_latest_demolding_first(shelf):
    assert listed(shelf) == [4, 3, 2, 1]


def test_pieces_waiting_come_worst_first_and_those_without_a_usable_photo_last(shelf):
    assert waiting(shelf) == [1, 2, 3, 4]


def test_pieces_waiting_come_least_sure_first_and_those_without_a_usable_photo_last(shelf, make):
    # Least sure is 0.3; 0.7 lies four sevenths of the way from there to 1, 0.1 two thirds of the way to 0.
    assert waiting(shelf, first="unsure") == [2, 3, 1, 4]
    for score in (0.3, 0.51, 0.25):
        inspection = make.inspection(score=score)
        log.add_piece_photo(shelf, make.piece_photo(shelf, b"\xff\xd8\xff %g" % score, inspection=inspection))
    order = [5, 7, 6, 2, 3, 1, 4]
    assert waiting(shelf, first="unsure") == order
    assert [log.find_next_waiting(shelf, each, first="unsure") for each in order] == [*order[1:], 5]
    log.add_disposition(shelf, 5, "sell", decided_by="Ada", note="")
    assert waiting(shelf, first="unsure")[0] == log.find_next_waiting(shelf, 4, first="unsure") == 7
    log.take_back(shelf, 5, by="Ada")
    assert waiting(shelf, first="unsure")[0] == 5


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


def ids(page):
    return [piece.id for piece in page.items]


@pytest.mark.parametrize(
    ("read", "given", "whole"),
    [
        ("list_pieces", {"which": PieceFilter()}, [4, 3, 2, 1]),
        ("list_waiting", {"mold": None}, [1, 2, 3, 4]),
        ("list_waiting", {"mold": "heron", "first": "unsure"}, [2, 3, 1, 4]),
    ],
)
def test_lists_are_turned_on_and_back(shelf, read, given, whole):
    def turned(place, limit=3):
        return getattr(log, read)(shelf, **given, limit=limit, place=place and PlaceInList.read(place.text))

    first = turned(None)
    second = turned(first.after)
    assert (ids(first), ids(second)) == (whole[:3], whole[3:])
    assert (first.before, second.after) == (None, None)
    # Back from the second page is the first one, whole, and there is nothing before that.
    again = turned(second.before)
    assert (ids(again), again.before is None) == (whole[:3], True)
    assert ids(turned(again.after)) == ids(second)
    # One row at a time to the end, and back: the beginning is never half a page.
    place, seen = None, []
    while True:
        page = turned(place, limit=1)
        seen += ids(page)
        if page.after is None:
            break
        place = page.after
    assert seen == whole
    assert ids(turned(page.before, limit=2)) == whole[1:3]
    skipping = getattr(log, read)(shelf, **given, limit=2, skip=2)
    assert (ids(skipping), ids(turned(skipping.before, limit=2))) == (whole[2:], whole[:2])


def test_a_page_does_not_move_while_pieces_come_and_go(shelf, make):
    first = log.list_pieces(shelf, PieceFilter(), limit=2)
    newer = make.piece_photo(shelf, b"\xff\xd8\xff newer", demolded_at=datetime(2026, 6, 1, tzinfo=UTC))
    log.add_piece_photo(shelf, newer)
    assert ids(log.list_pieces(shelf, PieceFilter(), limit=2, place=first.after)) == [2, 1]
    waiting_first = log.list_waiting(shelf, mold="heron", limit=2)
    assert ids(waiting_first) == [1, 5]
    log.add_disposition(shelf, 5, "sell", decided_by="Ada", note="")
    assert ids(log.list_waiting(shelf, mold="heron", limit=1, place=waiting_first.after)) == [2]


def test_pieces_of_one_time_are_all_turned_to(stocked):
    now = datetime(2026, 5, 5, tzinfo=UTC)
    with stocked.writing() as session:
        session.add_all(PieceRow(mold_id=1, demolded_at=now, demolded_offset_min=0, created_at=now) for _ in range(7))
    place, seen = None, []
    while page := log.list_pieces(stocked, PieceFilter(mold="heron"), limit=2, place=place):
        seen += ids(page)
        if (place := page.after) is None:
            break
    assert seen == [7, 6, 5, 4, 3, 2, 1]


@pytest.mark.parametrize("limit", [1, 2, 3, 7, 8])
def test_a_list_that_was_worked_out_is_turned_like_one_that_is_read(limit):
    items = [(3.0, 4), (3.0, 9), (1.0, 1), (1.0, 2), (1.0, 8), (-0.5, 3), (-1.0, 7)]

    def turned(place):
        return cut_page(items, lambda item: PlaceInList(*item), limit=limit, place=place)

    page, seen = turned(None), []
    assert page.before is None
    while True:
        seen += page.items
        if page.after is None:
            break
        following = turned(page.after)
        assert turned(following.before) == page
        page = following
    assert seen == items
    # What a place names may be gone: the list goes on after where it stood.
    assert turned(PlaceInList(1.0, 5)).items == tuple(items[4 : 4 + limit])
    assert turned(PlaceInList(-2.0, 1)).items == ()
    with pytest.raises(InputError, match="another list"):
        turned(PlaceInList(datetime.now(UTC), 1))


@pytest.mark.parametrize("text", ["", "x", "PjE", "4pyT", PlaceInList(0.5, 1).text[:-3], PlaceInList(0.5, 0).text])
def test_what_is_no_place_is_refused(text):
    with pytest.raises(InputError, match="no place in a list"):
        PlaceInList.read(text)


def test_a_place_of_another_list_is_refused(shelf):
    place = log.list_waiting(shelf, mold=None, limit=1).after
    with pytest.raises(InputError, match="another list"):
        log.list_pieces(shelf, PieceFilter(), limit=1, place=place)


def test_the_next_piece_that_waits_follows_the_list(shelf):
    assert [log.find_next_waiting(shelf, piece_id) for piece_id in (1, 2, 3, 4)] == [2, 3, 4, 1]
    log.add_disposition(shelf, 3, "sell", decided_by="Ada", note="")
    assert [log.find_next_waiting(shelf, piece_id) for piece_id in (2, 3)] == [4, 1]
    for piece_id in (1, 2):
        log.add_disposition(shelf, piece_id, "sell", decided_by="Ada", note="")
    assert log.find_next_waiting(shelf, 4) is None


def test_the_list_agrees_with_each_piece(shelf):
    log.add_disposition(shelf, 3, "sell", decided_by="Ada", note="")
    for piece in log.list_pieces(shelf, PieceFilter(), limit=9).items:
        assert piece == log.find_piece(shelf, piece.id).piece
    details = log.list_piece_details(shelf, PieceFilter(), limit=9).items
    assert tuple(detail.piece for detail in details) == log.list_pieces(shelf, PieceFilter(), limit=9).items
    assert details[-1] == log.find_piece(shelf, 1)


def test_a_list_longer_than_one_query_takes_is_whole(stocked):
    # More pieces than are read in one portion.
    now = datetime(2026, 5, 5, tzinfo=UTC)
    with stocked.writing() as session:
        session.add_all(
            PieceRow(mold_id=1, demolded_at=now, demolded_offset_min=0, created_at=now) for _ in range(1100)
        )
    assert listed(stocked) == list(range(1100, 0, -1))

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inspector import log
from inspector.log import NewNotedPiece, PieceFilter
from tests.doubles.places import only_sqlite

POURED_AT = datetime(2026, 6, 1, 15, 0, tzinfo=timezone(timedelta(hours=2)))
PIECE = NewNotedPiece(
    line=2,
    mold="heron",
    mold_title="Heron",
    poured_at=POURED_AT,
    demolded_at=POURED_AT + timedelta(hours=30),
    temperature_degc=18.0,
    wet_until_h=48.0,
    kinds=(),
)


def pieces(opened, **filters):
    return log.list_pieces(opened, PieceFilter(**filters), limit=2000).items


def take_in(opened, *new):
    return log.import_pieces(opened, new, source="pieces.csv")


def test_a_piece_is_taken_in_with_its_pour_and_cure(stocked):
    result = take_in(stocked, replace(PIECE, kinds=("chip", "chip", "hairline crack")))
    assert (len(result.piece_ids), result.new_pours, result.new_molds) == (1, 1, ())
    (piece,) = pieces(stocked)
    assert (piece.mold, piece.kinds, piece.noted, piece.score) == (
        "heron", ("chip", "chip", "hairline crack"), True, None,
    )  # fmt: skip
    assert piece.demold_age_h == 30
    assert piece.poured_at.isoformat() == POURED_AT.isoformat()
    (demolding,) = log.list_piece_demoldings(stocked)
    assert demolding.wet_until_h == 48
    cure = log.find_pour_cure(stocked, piece.pour_id)
    assert (cure.constant_degc, cure.mix) == (18, None)


def test_a_mold_not_yet_known_is_made(stocked):
    result = take_in(stocked, replace(PIECE, mold="oak-leaf", mold_title="Oak leaf"))
    assert result.new_molds == ("oak-leaf",)
    assert log.find_mold(stocked, "oak-leaf").title == "Oak leaf"


def test_pieces_of_one_time_and_temperature_are_of_one_pour(stocked):
    result = take_in(
        stocked,
        PIECE,
        replace(PIECE, line=3, mold="finial"),
        replace(PIECE, line=4, mold="finial", temperature_degc=None),
        replace(PIECE, line=5, temperature_degc=10.0),
        replace(PIECE, line=6, poured_at=POURED_AT.astimezone(UTC), demolded_at=POURED_AT + timedelta(hours=31)),
    )
    assert result.new_pours == 2
    pours = {piece.id: piece.pour_id for piece in pieces(stocked)}
    assert len({pours[number] for number in result.piece_ids if number != result.piece_ids[3]}) == 1


def test_a_pour_that_is_in_the_log_is_taken(stocked):
    # Pour 1 of the log went into the heron on 4 May at 16:00 UTC; nobody said how warm it was.
    piece = replace(PIECE, poured_at=datetime(2026, 5, 4, 16, tzinfo=UTC))
    result = take_in(stocked, piece, replace(piece, line=3, mold="finial"))
    assert result.new_pours == 1  # a mix is known of pour 1, and that it did not go into the finial
    assert log.find_pour(stocked, 1).pieces == 1
    assert log.find_pour_cure(stocked, 1).constant_degc == 18


def test_readings_of_a_pour_count_more_than_a_spreadsheet(stocked):
    reading = log.TemperatureReading(datetime(2026, 5, 4, 17, tzinfo=UTC), 25)
    log.add_temperature_readings(stocked, pour_id=1, readings=[reading], source="typed")
    assert take_in(stocked, replace(PIECE, poured_at=datetime(2026, 5, 4, 16, tzinfo=UTC))).new_pours == 0
    assert log.find_pour_cure(stocked, 1).constant_degc is None


def test_the_same_lines_again_add_nothing(stocked):
    new = [PIECE, replace(PIECE, line=3), replace(PIECE, line=4, kinds=("chip",))]
    take_in(stocked, *new)
    again = take_in(stocked, *new)
    assert (again.piece_ids, again.in_log_before, again.new_pours) == ((), (2, 3, 4), 0)
    assert len(pieces(stocked)) == 3


def test_a_spreadsheet_that_grew_adds_what_is_new(stocked):
    take_in(stocked, PIECE)
    result = take_in(stocked, PIECE, replace(PIECE, line=3), replace(PIECE, line=4, mold="finial"))
    assert (len(result.piece_ids), result.in_log_before) == (2, (2,))


def test_a_line_that_says_something_else_of_a_piece_is_told(stocked):
    take_in(stocked, PIECE)
    result = take_in(stocked, replace(PIECE, kinds=("chip",)))
    assert (len(result.piece_ids), result.look_alikes) == (1, (2,))


def test_noted_pieces_are_filtered_by_kind_and_wait_for_nobody(stocked, make):
    take_in(stocked, PIECE, replace(PIECE, line=3, kinds=("chip",)))
    log.add_piece_photo(stocked, make.piece_photo(stocked))
    good, chipped, photographed = sorted(piece.id for piece in pieces(stocked))
    assert {piece.id for piece in pieces(stocked, kind="chip")} == {chipped, photographed}
    assert [piece.id for piece in pieces(stocked, waiting=True)] == [photographed]
    assert log.find_piece(stocked, good).piece.kinds == ()
    log.add_disposition(stocked, good, "sell", decided_by="Ada", note="")
    assert [piece.id for piece in pieces(stocked, waiting=False)] == [good]


def test_a_failing_import_leaves_nothing_behind(stocked):
    bad = replace(PIECE, line=3, mold="oak-leaf", wet_until_h="soon")
    with pytest.raises(Exception, match="soon"):
        take_in(stocked, PIECE, bad)
    assert pieces(stocked) == ()
    assert [mold.name for mold in log.list_molds(stocked)] == ["finial", "heron"]
    assert len(log.list_pours(stocked, limit=None)) == 1


lines = st.builds(
    replace,
    st.just(PIECE),
    mold=st.sampled_from(["heron", "finial", "oak-leaf"]),
    demolded_at=st.sampled_from([POURED_AT + timedelta(hours=hours) for hours in (20, 30)]),
    temperature_degc=st.sampled_from([None, 18.0]),
    kinds=st.sampled_from([(), ("chip",), ("chip", "excess"), ("excess", "chip")]),
)


@only_sqlite  # many words for each example: over the server it takes several seconds
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(new=st.lists(lines, min_size=1, max_size=8), more=st.lists(lines, max_size=4))
def test_importing_again_never_doubles_and_never_drops(stocked, new, more):
    take_in(stocked, *new)
    before = len(pieces(stocked))
    assert take_in(stocked, *new).piece_ids == ()
    grown = take_in(stocked, *new, *more)
    assert len(pieces(stocked)) == before + len(grown.piece_ids)
    assert len(grown.piece_ids) + len(grown.in_log_before) == len(new) + len(more)
    assert take_in(stocked, *new, *more).piece_ids == ()

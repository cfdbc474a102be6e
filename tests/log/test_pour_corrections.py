from datetime import UTC, datetime, timedelta

import pytest

from inspector import log
from inspector.errors import InputError

POURED_AT = datetime(2026, 5, 4, 16, 0, tzinfo=UTC)


def correct(opened, **changes):
    values = {
        "mix": "grey",
        "molds": ["heron"],
        "poured_at": POURED_AT,
        "cure_notes": "covered",
        "corrected_by": "Marta",
        "why": "a slip",
    }
    log.correct_pour(opened, 1, **{**values, **changes})


def test_a_correction_counts_and_what_stood_there_before_stays(stocked):
    earlier = POURED_AT - timedelta(hours=2)
    correct(stocked, molds=["heron", "finial"], poured_at=earlier, why="read the wrong clock")
    pour = log.find_pour(stocked, 1)
    assert (pour.molds, pour.poured_at) == (("finial", "heron"), earlier)
    (before,) = log.list_pour_corrections(stocked, 1)
    assert (before.mix, before.molds, before.poured_at) == ("grey", ("heron",), POURED_AT)
    assert (before.corrected_by, before.why) == ("Marta", "read the wrong clock")


def test_a_correction_that_changes_nothing_leaves_no_trace(stocked):
    correct(stocked)
    assert log.list_pour_corrections(stocked, 1) == ()


def test_what_losses_are_learnt_from_moves_with_a_correction(stocked):
    before = log.evidence_mark(stocked)
    correct(stocked, poured_at=POURED_AT - timedelta(hours=1))
    assert log.evidence_mark(stocked) != before


def test_a_correction_that_pieces_contradict_is_refused(stocked, make):
    log.add_piece_photo(stocked, make.piece_photo(stocked))  # of the heron, demolded 24.5 h after the pour
    with pytest.raises(InputError, match="Piece 1 of mold heron is logged with pour 1"):
        correct(stocked, molds=["finial"])
    with pytest.raises(InputError, match=r"Piece 1 left its mold at 2026-05-05 16:30 \+0000, before the pour"):
        correct(stocked, poured_at=POURED_AT + timedelta(days=2))
    assert log.list_pour_corrections(stocked, 1) == ()


def test_a_withdrawn_pour_fills_no_mold_and_stays_on_record(stocked):
    log.withdraw_pour(stocked, 1, withdrawn_by="Marta", why="tapped twice")
    assert log.list_filled_molds(stocked, at=POURED_AT + timedelta(hours=1)) == ()
    assert log.list_pours(stocked, limit=None) == ()
    (pour,) = log.list_pours(stocked, limit=None, with_withdrawn=True)
    assert pour.withdrawn_why == log.find_pour(stocked, 1).withdrawn_why == "tapped twice"
    for again in (lambda: log.withdraw_pour(stocked, 1, withdrawn_by="Jonas", why="so"), lambda: correct(stocked)):
        with pytest.raises(InputError, match="Pour 1 was withdrawn by Marta: tapped twice"):
            again()


def test_a_withdrawn_pour_does_not_empty_the_mold_below_it(stocked):
    second = log.add_pour(stocked, mix="grey", molds=["heron"], poured_at=POURED_AT + timedelta(hours=1), cure_notes="")
    log.withdraw_pour(stocked, second.id, withdrawn_by="Marta", why="tapped twice")
    at = POURED_AT + timedelta(hours=2)
    (filled,) = log.list_filled_molds(stocked, at=at)
    assert (filled.pour_id, filled.poured_at) == (1, POURED_AT)
    assert log.list_filled_molds(stocked, at=at, pour_id=1) == (filled,)
    assert log.list_filled_molds(stocked, at=at, pour_id=second.id) == ()


def test_pieces_are_not_logged_with_a_withdrawn_pour(stocked, make):
    log.withdraw_pour(stocked, 1, withdrawn_by="Marta", why="tapped twice")
    with pytest.raises(InputError, match="Pour 1 was withdrawn"):
        log.add_piece_photo(stocked, make.piece_photo(stocked))


def test_a_pour_with_pieces_is_not_withdrawn(stocked, make):
    log.add_piece_photo(stocked, make.piece_photo(stocked))
    with pytest.raises(InputError, match="1 of its pieces are in the log, the first is piece 1"):
        log.withdraw_pour(stocked, 1, withdrawn_by="Marta", why="tapped twice")

"""Pieces that a reviewer passes as good can become references, and stop being proposed when the word is taken back."""

import pytest

from inspector.errors import InputError
from inspector.workshop import MOST_REFERENCES

RED, BLUE = (255, 0, 0), (0, 0, 255)


@pytest.fixture
def record(heron, draw):
    shades = iter(range(185, 230))

    def record_piece(*marks, **facts):
        return heron.record(draw(*marks, shade=next(shades)), name="p.jpg", mold="heron", **facts).detail

    return record_piece


def dismiss(heron, detail):
    for finding in detail.inspections[0].findings:
        heron.reviewing.say(finding.id, verdict="dismissed", reviewer="Ada")


def sell(heron, detail):
    heron.reviewing.decide(detail.piece.id, "sell", decided_by="Ada")


def pieces(heron):
    return [one.piece_id for one in heron.passed_pieces("heron", most=9).photos]


def test_only_pieces_on_which_nothing_stands_are_passed_the_surest_first(heron, record):
    clean, dismissed, flagged, waiting, second = record(), record(RED), record(RED), record(), record()
    dismiss(heron, dismissed)
    for detail in (clean, dismissed, flagged):
        sell(heron, detail)
    heron.reviewing.decide(second.piece.id, "second", decided_by="Ada")
    assert pieces(heron) == [clean.piece.id, dismissed.piece.id]
    surest, other = heron.passed_pieces("heron", most=9).photos
    assert (other.dismissed, other.passed.decided_by) == (1, "Ada")
    assert surest.score < other.score
    for detail in (flagged, waiting, second):
        with pytest.raises(InputError, match="passed as good"):
            heron.add_passed_reference(detail.photos[0].id)


def test_a_passed_photo_becomes_a_reference_after_a_yes_and_is_retired_again(heron, record):
    detail = record()
    sell(heron, detail)
    check = heron.add_passed_reference(detail.photos[0].id)
    assert (check.reference.photo_id, check.reference.view) == (detail.photos[0].id, "side")
    assert not check.reference.in_use
    assert pieces(heron) == []
    heron.confirm_reference(check.reference.id)
    (model,) = heron.models("heron")
    assert [reference.name for reference in model.references] == ["r1.jpg", "p.jpg"]
    heron.retire_reference(check.reference.id, said_by="Ada", why="it was cracked after all")
    (model,) = heron.models("heron")
    assert [reference.name for reference in model.references] == ["r1.jpg"]


def test_a_reference_of_a_piece_that_is_passed_no_more_is_told(heron, record):
    detail = record()
    sell(heron, detail)
    reference = heron.add_passed_reference(detail.photos[0].id).reference
    heron.confirm_reference(reference.id)
    assert heron.passed_pieces("heron", most=9).unpassed == ()
    heron.reviewing.decide(detail.piece.id, "scrap", decided_by="Bo")
    assert [item.id for item in heron.passed_pieces("heron", most=9).unpassed] == [reference.id]
    heron.reviewing.undo(detail.piece.id, by="Bo")
    assert heron.passed_pieces("heron", most=9).unpassed == ()


def test_no_more_are_proposed_than_are_worth_their_time(heron, record):
    details = [record() for _ in range(MOST_REFERENCES)]
    for detail in details:
        sell(heron, detail)
    for detail in details[:-1]:
        assert pieces(heron)
        heron.add_passed_reference(detail.photos[0].id)
    assert pieces(heron) == []

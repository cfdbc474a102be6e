"""Inspecting again: rows beside the old ones, what people said stays, and what is done is not done again."""

from dataclasses import replace
from itertools import islice

import pytest

from inspector import log
from inspector.inspection.own_cores import OwnCores
from inspector.log import NewFinding, SpokenFinding, check_log
from inspector.workshop import Workshop
from inspector.workshop.reinspecting import _SamePlace
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE

RED, BLUE = (255, 0, 0), (0, 0, 255)
NEWER = replace(DRAWN_ENGINE, version="newer")
HERE = OwnCores(1)


def find_nothing(photo, model):
    return replace(DRAWN_ENGINE.inspect_photo(photo, model), findings=(), score=0.05)


def record(shop, *marks, number=0):
    return shop.record(drawn_photo(*marks) + bytes([number]), name=f"{number}.jpg", mold="heron").detail


def again(shop, engine=NEWER):
    """The same workshop with another engine."""
    return Workshop(shop._log, engine=engine)


def run(shop):
    return [done for due in shop.reinspecting.due() for done in shop.reinspecting.run(due, HERE)]


def inspection_count(shop, photo_id):
    with shop._log.reading() as session:
        query = f"SELECT count(*) FROM inspection WHERE photo_id = {photo_id}"
        return session.connection().exec_driver_sql(query).scalar()


def test_what_was_recorded_with_the_same_engine_and_references_is_not_due(heron):
    record(heron, RED)
    assert heron.reinspecting.due() == ()


def test_a_newer_engine_inspects_each_photo_once_beside_the_old_row(heron):
    before = record(heron, RED)
    assert [done.inspection.status for done in run(again(heron))] == ["inspected"]
    after = heron.piece(1)
    assert (after.inspections[0].engine_version, inspection_count(heron, 2)) == ("newer", 2)
    assert [(one.kind, one.polygon_xy) for one in after.inspections[0].findings] == [
        (one.kind, one.polygon_xy) for one in before.inspections[0].findings
    ]
    assert again(heron).reinspecting.due() == ()
    assert check_log(heron._log.place).troubles == ()


def test_another_reference_makes_its_mold_due_and_a_retired_one_again(heron):
    record(heron, RED)
    added = heron.add_reference(drawn_photo(shade=210), name="r2.jpg", mold="heron").reference.id
    assert heron.reinspecting.due() == ()  # nobody has said yes to it
    heron.confirm_reference(added)
    (due,) = heron.reinspecting.due()
    assert [photo.name for photo in due.photos] == ["0.jpg"]
    run(heron)
    assert heron.reinspecting.due() == ()
    heron.retire_reference(added, said_by="Marta", why="a chip of its own")
    assert len(heron.reinspecting.due()) == 1


def test_a_run_that_was_cut_short_goes_on_where_it_was(heron):
    for number in range(3):
        record(heron, RED, number=number)
    newer = again(heron)
    (due,) = newer.reinspecting.due()
    assert len(list(islice(newer.reinspecting.run(due, HERE), 2))) == 2
    (left,) = newer.reinspecting.due()
    assert [photo.name for photo in left.photos] == ["2.jpg"]
    list(newer.reinspecting.run(due, HERE))  # as another run beside it would, which began with all three
    assert [inspection_count(heron, photo_id) for photo_id in (2, 3, 4)] == [2, 2, 2]


@pytest.mark.parametrize("verdict", ["confirmed", "dismissed"])
def test_what_was_said_about_a_mark_holds_and_is_not_asked_for_again(heron, verdict):
    finding = record(heron, RED).inspections[0].findings[0]
    heron.reviewing.say(finding.id, verdict=verdict, reviewer="Marta")
    run(again(heron))
    (counted,) = heron.piece(1).inspections[0].findings
    assert (counted.id, counted.verdict, counted.reviews[-1].reviewer) == (finding.id, verdict, "Marta")
    assert heron.piece(1).piece.unreviewed == 0
    assert heron.piece(1).piece.kinds == (("chip",) if verdict == "confirmed" else ())
    (outcome,) = log.list_piece_outcomes(heron._log)
    assert [found.verdict for found in outcome.found if found.verdict != "dismissed"] == (
        ["confirmed"] if verdict == "confirmed" else []
    )


def test_what_a_person_confirmed_counts_though_it_is_found_no_more(heron):
    finding = record(heron, RED).inspections[0].findings[0]
    heron.reviewing.say(finding.id, verdict="confirmed", reviewer="Marta")
    run(again(heron, replace(NEWER, inspect_photo=find_nothing)))
    assert [one.id for one in heron.piece(1).inspections[0].findings] == [finding.id]
    assert heron.count_pieces(log.PieceFilter(kind="chip")) == 1


def test_what_nobody_looked_at_is_what_the_latest_inspection_says(heron):
    record(heron, RED)
    run(again(heron, replace(NEWER, inspect_photo=find_nothing)))
    assert heron.piece(1).inspections[0].findings == ()
    assert heron.count_pieces(log.PieceFilter(kind="chip")) == 0


def test_a_word_can_be_taken_back_after_it(heron):
    finding = record(heron, RED).inspections[0].findings[0]
    heron.reviewing.say(finding.id, verdict="dismissed", reviewer="Marta")
    run(again(heron))
    heron.reviewing.undo(1, by="Marta")
    (counted,) = heron.piece(1).inspections[0].findings
    assert (counted.id, counted.verdict) == (finding.id, None)


def test_a_photo_that_is_gone_is_told_and_stays_due(heron):
    record(heron, RED)
    photo = heron.photo(2)
    heron._log.photos.path(bytes.fromhex(photo.sha256), photo.media_type).unlink()
    newer = again(heron)
    (done,) = run(newer)
    assert done.inspection is None
    assert "cannot be read" in done.failure
    assert len(newer.reinspecting.due()) == 1


def test_a_photo_that_cannot_be_judged_is_logged_with_the_reason(heron):
    heron.record(drawn_photo(background=0), name="night.jpg", mold="heron")
    (done,) = run(again(heron))
    assert "too dark" in done.inspection.reason
    assert again(heron).reinspecting.due() == ()


# The reach is REACH_MM of `reviewed_places`, 1.5 mm: 7.5 px at 5 px/mm.
@pytest.mark.parametrize(
    ("kind", "shift_px", "same"),
    [("chip", 0, True), ("chip", 12, True), ("chip", 60, False), ("missing feature", 0, True), ("excess", 0, False)],
)
def test_a_mark_is_at_a_place_where_most_of_it_lies_within_reach(kind, shift_px, same):
    square = ((0.0, 0.0), (20.0, 0.0), (20.0, 20.0), (0.0, 20.0))
    moved = tuple((x + shift_px, y) for x, y in square)
    new = NewFinding(kind=kind, polygon_xy=moved, confidence=0.9, area_mm2=None, length_mm=None, width_mm=None)
    assert _SamePlace(5.0)(new, SpokenFinding(frozenset({"chip"}), square)) is same


@pytest.mark.parametrize(("shift_px", "same"), [(4, True), (40, False)])
def test_a_hairline_is_the_same_a_millimetre_aside(shift_px, same):
    line = ((0.0, 0.0), (200.0, 10.0), (0.0, 1.0))
    moved = tuple((x, y + shift_px) for x, y in line)
    new = NewFinding(
        kind="hairline crack", polygon_xy=moved, confidence=0.9, area_mm2=None, length_mm=None, width_mm=None
    )
    assert _SamePlace(5.0)(new, SpokenFinding(frozenset({"hairline crack"}), line)) is same

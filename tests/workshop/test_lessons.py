"""What reviewers dismiss teaches the mold, visibly and until they say otherwise."""

import pytest

from inspector.errors import InputError
from inspector.log import list_changes
from inspector.workshop import PieceFilter

RED, BLUE = (255, 0, 0), (0, 0, 255)


@pytest.fixture
def record(heron, draw):
    """Records a photo of a piece with a chip at the same place as ever; each has another shade."""
    shades = iter(range(185, 230))

    def record_piece(*marks, **facts):
        return heron.record(draw(*(marks or (RED,)), shade=next(shades)), name="p.jpg", mold="heron", **facts).detail

    return record_piece


def inspection_of(detail, photo=0):
    return detail.inspections[photo]


def say(heron, detail, verdict="dismissed", photo=0, **more):
    return heron.reviewing.say(inspection_of(detail, photo).findings[0].id, verdict=verdict, reviewer="Ada", **more)


def sure(detail):
    """How sure the finding is, or None where it was not counted."""
    findings = inspection_of(detail).findings
    return findings[0].confidence if findings else None


def test_a_mark_dismissed_on_one_piece_is_less_sure_on_the_next_and_says_so(heron, record):
    say(heron, record())
    (found,) = inspection_of(record()).findings
    assert found.confidence == pytest.approx(0.6)
    assert (found.confidence_alone, found.dismissed_on) == (0.9, 1)


def test_a_mark_dismissed_often_is_no_longer_counted_and_kept_to_be_shown(heron, record):
    for _ in range(2):
        say(heron, record())
    detail = record()
    assert detail.piece.kinds == ()
    assert detail.piece.unreviewed == 0
    (mark,) = inspection_of(detail).not_counted
    assert (mark.kind, mark.confidence_alone, mark.dismissed_on) == ("chip", 0.9, 2)
    assert mark.length_mm == pytest.approx(6.0, abs=0.5)
    (place,) = heron.lessons.places("heron")
    assert (place.dismissed_pieces, place.confirmed_pieces, place.kinds, place.counts) == (2, 0, ("chip",), True)
    assert [finding.piece_id for finding in place.dismissed] == [1, 2]
    assert [finding.reviewer for finding in place.dismissed] == ["Ada", "Ada"]


def test_a_photo_that_came_through_the_queue_is_judged_by_what_was_taught_and_teaches(heron, draw):
    def through_the_queue(shade):
        photo_id = heron.queue.keep(draw(RED, shade=shade), name="p.jpg", mold="heron").photo_id
        assert heron.queue.inspect_next(worker="a") == photo_id
        return heron.piece(heron.photo(photo_id).piece_id)

    say(heron, through_the_queue(231))
    detail = through_the_queue(232)
    (found,) = inspection_of(detail).findings
    assert (found.confidence, found.confidence_alone, found.dismissed_on) == (pytest.approx(0.6), 0.9, 1)
    say(heron, detail)
    detail = through_the_queue(233)
    assert inspection_of(detail).findings == ()
    (mark,) = inspection_of(detail).not_counted
    assert (mark.kind, mark.dismissed_on) == ("chip", 2)


def test_a_crack_elsewhere_is_judged_as_before(heron, record):
    say(heron, record())
    findings = {found.kind: found for found in inspection_of(record(RED, BLUE)).findings}
    assert findings["hairline crack"].confidence == 0.9


def test_taking_the_dismissal_back_takes_what_it_taught_back(heron, record):
    first = record()
    say(heron, first)
    heron.reviewing.undo(first.piece.id, by="Ada")
    assert heron.lessons.places("heron") == ()
    assert sure(record()) == 0.9
    say(heron, first)
    say(heron, first, verdict="confirmed")
    assert heron.lessons.places("heron") == ()
    assert sure(record()) == 0.9


def test_a_confirmation_at_the_place_takes_a_dismissal_back(heron, record):
    say(heron, record())
    say(heron, record(), verdict="confirmed")
    (place,) = heron.lessons.places("heron")
    assert (place.dismissed_pieces, place.confirmed_pieces, place.counts) == (1, 1, False)
    assert sure(record()) == 0.9


def test_marking_what_was_not_counted_takes_a_dismissal_back(heron, record):
    for _ in range(2):
        say(heron, record())
    detail = record()
    (mark,) = inspection_of(detail).not_counted
    heron.reviewing.draw(detail.photos[0].id, kind=mark.kind, outline_xy=mark.polygon_xy, reviewer="Bo")
    assert heron.piece(detail.piece.id).piece.kinds == ("chip",)
    assert sure(record()) == pytest.approx(0.6)
    heron.reviewing.undo(detail.piece.id, by="Bo")
    assert sure(record()) is None


def test_what_one_person_marked_and_another_dismissed_teaches_nothing(heron, record):
    detail = record(BLUE)
    x, y = 200, 150
    drawn = heron.reviewing.draw(
        detail.photos[0].id, kind="chip", outline_xy=((x, y), (x + 9, y), (x + 9, y + 9)), reviewer="Bo"
    )
    heron.reviewing.say(drawn.finding_id, verdict="dismissed", reviewer="Ada")
    assert heron.lessons.places("heron") == ()


def test_several_photos_of_a_piece_count_once(heron, record):
    first = record()
    both = record(piece_id=first.piece.id)
    for photo in (0, 1):
        say(heron, both, photo=photo)
    (place,) = heron.lessons.places("heron")
    assert (place.dismissed_pieces, len(place.dismissed)) == (1, 2)
    assert sure(record()) == pytest.approx(0.6)


def test_a_place_is_switched_off_and_on_again_and_the_history_tells(heron, record):
    say(heron, record())
    (place,) = heron.lessons.places("heron")
    heron.lessons.switch("heron", place.id, on=False, said_by="Bo")
    say(heron, record())  # joins the place, and does not switch it on
    (off,) = heron.lessons.places("heron")
    assert (off.id, off.switched_off, off.use.said_by, off.dismissed_pieces) == (place.id, True, "Bo", 2)
    assert sure(record()) == 0.9
    heron.lessons.switch("heron", off.id, on=True, said_by="Ada")
    assert sure(record()) is None
    with heron._log.reading() as session:
        changes = [change for change in list_changes(session, limit=100) if change.row_table == "lesson_use"]
    assert [change.did for change in changes] == ["added"] * 3


def test_a_place_that_is_gone_cannot_be_switched(heron, record):
    first = record()
    say(heron, first)
    (place,) = heron.lessons.places("heron")
    heron.reviewing.undo(first.piece.id, by="Ada")
    with pytest.raises(InputError, match="taken back"):
        heron.lessons.switch("heron", place.id, on=False, said_by="Bo")


def test_a_place_rests_while_its_reference_is_retired(heron, record, draw):
    say(heron, record())
    (old,) = heron.mold("heron").references
    new = heron.add_reference(draw(shade=210), name="r2.jpg", mold="heron").reference
    heron.confirm_reference(new.id)
    heron.retire_reference(old.id, said_by="Ada", why="stained")
    (place,) = heron.lessons.places("heron")
    assert not place.counts
    assert sure(record()) == 0.9
    heron.use_reference_again(old.id, said_by="Ada")
    assert sure(record()) == pytest.approx(0.6)


def test_a_place_known_on_two_references_stays_when_one_is_retired(heron, record, draw):
    new = heron.add_reference(draw(shade=210), name="r2.jpg", mold="heron").reference
    heron.confirm_reference(new.id)
    say(heron, record())
    heron.retire_reference(heron.mold("heron").references[0].id, said_by="Ada", why="stained")
    assert sure(record()) == pytest.approx(0.6)


def test_other_molds_learn_nothing(heron, record, draw):
    heron.add_mold("tall", title="Tall", views=["side"])
    check = heron.add_reference(draw(shade=199), name="r1.jpg", mold="tall")
    heron.confirm_reference(check.reference.id)
    say(heron, record())
    assert sure(heron.record(draw(RED, shade=184), name="t.jpg", mold="tall").detail) == 0.9
    assert len(heron.pieces(PieceFilter(mold="tall"))) == 1


def test_naming_parts_asks_for_no_reviews(heron, monkeypatch):
    monkeypatch.setattr(heron, "lessons", None)
    assert {proposal.view for proposal in heron.feature_proposals("heron")} == {"side"}

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inspector import log
from inspector.errors import InputError, StaleError
from inspector.log import VERDICTS, Outline, PieceFilter
from tests.doubles.places import only_sqlite

DRAWN = Outline(((5.0, 5.0), (30.0, 5.0), (30.0, 25.0)), 10.0, 5.0, 4.0)
WAITING = PieceFilter(waiting=True)


@pytest.fixture
def piece_id(stocked, make):
    return log.add_piece_photo(stocked, make.piece_photo(stocked)).piece_id


@pytest.fixture
def finding(stocked, piece_id):
    """Reads the finding of the piece as it stands."""
    return lambda: log.find_piece(stocked, piece_id).inspections[0].findings[0]


def say(stocked, finding, verdict, *, reviewer="Ada", new_kind=None, **more):
    return log.add_review(stocked, finding().id, verdict=verdict, new_kind=new_kind, reviewer=reviewer, **more)


def test_reviews_are_appended_and_the_latest_counts(stocked, make):
    logged = log.add_piece_photo(stocked, make.piece_photo(stocked))
    finding_id = log.find_piece(stocked, logged.piece_id).inspections[0].findings[0].id
    log.add_review(stocked, finding_id, verdict="dismissed", new_kind=None, reviewer="Ada")
    assert log.find_piece(stocked, logged.piece_id).piece.kinds == ()
    review = log.add_review(stocked, finding_id, verdict="kind changed", new_kind="surface void", reviewer="Bo")
    assert (review.piece_id, review.photo_id) == (logged.piece_id, logged.photo_id)
    detail = log.find_piece(stocked, logged.piece_id)
    (finding,) = detail.inspections[0].findings
    assert [(item.verdict, item.kind, item.reviewer) for item in finding.reviews] == [
        ("dismissed", None, "Ada"),
        ("kind changed", "surface void", "Bo"),
    ]
    assert (finding.kind, finding.kind_found, finding.verdict) == ("surface void", "chip", "kind changed")
    assert detail.piece.kinds == ("surface void",)
    assert detail.piece.unreviewed == 0


def test_confirming_after_a_change_of_kind_goes_back_to_what_was_found(stocked, make):
    logged = log.add_piece_photo(stocked, make.piece_photo(stocked))
    finding_id = log.find_piece(stocked, logged.piece_id).inspections[0].findings[0].id
    log.add_review(stocked, finding_id, verdict="kind changed", new_kind="excess", reviewer="Bo")
    log.add_review(stocked, finding_id, verdict="confirmed", new_kind=None, reviewer="Bo")
    assert log.find_piece(stocked, logged.piece_id).piece.kinds == ("chip",)


def test_a_review_of_no_finding_is_refused(stocked):
    with pytest.raises(InputError, match="no finding 5"):
        log.add_review(stocked, 5, verdict="confirmed", new_kind=None, reviewer="Ada")


def test_dispositions_are_appended_and_the_latest_counts(stocked, make):
    logged = log.add_piece_photo(stocked, make.piece_photo(stocked))
    log.add_disposition(stocked, logged.piece_id, "repair", decided_by="Ada", note="bill glued")
    log.add_disposition(stocked, logged.piece_id, "second", decided_by="Bo", note="")
    detail = log.find_piece(stocked, logged.piece_id)
    assert detail.piece.outcome == "second"
    assert [(item.outcome, item.decided_by, item.note) for item in detail.dispositions] == [
        ("repair", "Ada", "bill glued"),
        ("second", "Bo", ""),
    ]


def test_a_disposition_of_no_piece_is_refused(stocked):
    with pytest.raises(InputError, match="no piece 5"):
        log.add_disposition(stocked, 5, "sell", decided_by="Ada", note="")


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    verdict=st.sampled_from([verdict for verdict in VERDICTS if verdict != "kind changed"]),
    reviewer=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=40),
)
def test_a_review_written_is_the_review_read(stocked, make, verdict, reviewer):
    logged = log.add_piece_photo(stocked, make.piece_photo(stocked))
    finding_id = log.find_piece(stocked, logged.piece_id).inspections[0].findings[0].id
    written = log.add_review(stocked, finding_id, verdict=verdict, new_kind=None, reviewer=reviewer)
    (finding,) = log.find_piece(stocked, logged.piece_id).inspections[0].findings
    assert finding.reviews[-1] == written


def test_an_outline_that_was_corrected_counts_and_stays_when_more_is_said(stocked, finding):
    say(stocked, finding, "kind changed", new_kind="surface void")
    say(stocked, finding, "outline corrected", outline=DRAWN)
    held = finding()
    assert (held.kind, held.polygon_xy, held.area_mm2, held.depth_mm) == ("surface void", DRAWN.polygon_xy, 10.0, None)
    say(stocked, finding, "confirmed")
    assert finding().polygon_xy == DRAWN.polygon_xy


def test_taking_back_goes_step_by_step_to_what_was_found(stocked, piece_id, finding, make):
    say(stocked, finding, "kind changed", new_kind="excess")
    say(stocked, finding, "outline corrected", outline=DRAWN)
    assert log.take_back(stocked, piece_id, by="Ada").said.verdict == "outline corrected"
    assert (finding().kind, finding().verdict, finding().polygon_xy) == ("excess", "kind changed", make.CHIP.polygon_xy)
    assert log.take_back(stocked, piece_id, by="Ada").said.verdict == "kind changed"
    held = finding()
    assert (held.kind, held.verdict, held.polygon_xy) == ("chip", None, make.CHIP.polygon_xy)
    assert (held.area_mm2, held.length_mm) == (make.CHIP.area_mm2, make.CHIP.length_mm)
    assert len(held.reviews) == 4  # nothing was erased
    assert log.find_piece(stocked, piece_id).piece.unreviewed == 1
    with pytest.raises(InputError, match="nothing that Ada said about piece 1"):
        log.take_back(stocked, piece_id, by="Ada")


def test_what_is_said_anew_after_taking_back_can_be_taken_back_again(stocked, piece_id, finding):
    say(stocked, finding, "confirmed")
    log.take_back(stocked, piece_id, by="Ada")
    say(stocked, finding, "dismissed")
    log.take_back(stocked, piece_id, by="Ada")
    assert finding().verdict is None


def test_nobody_takes_back_what_another_person_said(stocked, piece_id, finding):
    say(stocked, finding, "confirmed", reviewer="Ada")
    say(stocked, finding, "dismissed", reviewer="Bo")
    with pytest.raises(InputError, match="nothing that Ada said"):
        log.take_back(stocked, piece_id, by="Ada")
    log.take_back(stocked, piece_id, by="Bo")
    assert finding().verdict == "confirmed"
    log.take_back(stocked, piece_id, by="Ada")
    assert finding().verdict is None


def test_a_piece_waits_again_when_its_decision_is_taken_back(stocked, piece_id):
    log.add_disposition(stocked, piece_id, "scrap", decided_by="Ada", note="")
    log.add_disposition(stocked, piece_id, "repair", decided_by="Ada", note="")
    log.take_back(stocked, piece_id, by="Ada")
    assert log.find_piece(stocked, piece_id).piece.outcome == "scrap"
    assert log.count_pieces(stocked, WAITING) == 0
    log.take_back(stocked, piece_id, by="Ada")
    assert log.find_piece(stocked, piece_id).piece.outcome is None
    assert log.count_pieces(stocked, WAITING) == 1
    assert log.count_pieces(stocked, PieceFilter(waiting=False)) == 0
    (outcome,) = log.list_piece_outcomes(stocked)
    assert outcome.outcome is None


def test_the_latest_of_all_that_somebody_said_is_taken_back_first(stocked, piece_id, finding):
    say(stocked, finding, "confirmed")
    log.add_disposition(stocked, piece_id, "second", decided_by="Ada", note="")
    log.add_note(stocked, piece_id, "bill short", written_by="Ada")
    kinds = [type(log.take_back(stocked, piece_id, by="Ada").said).__name__ for _ in range(3)]
    assert kinds == ["PieceNote", "Disposition", "Review"]


def test_a_note_taken_back_stays_on_record(stocked, piece_id):
    log.add_note(stocked, piece_id, "glue it", written_by="Ada")
    log.add_note(stocked, piece_id, "no, sell it", written_by="Bo")
    log.take_back(stocked, piece_id, by="Ada")
    assert [(note.text, note.written_by, note.taken_back) for note in log.find_piece(stocked, piece_id).notes] == [
        ("glue it", "Ada", True),
        ("no, sell it", "Bo", False),
    ]


def draw(stocked, piece_id, **more):
    (photo,) = log.find_piece(stocked, piece_id).photos
    return log.add_drawn_finding(
        stocked, photo.id, kind="hairline crack", outline=DRAWN, feature="bill", reviewer="Ada", **more
    )


def test_a_drawn_finding_counts_like_one_that_was_found(stocked, piece_id):
    draw(stocked, piece_id)
    detail = log.find_piece(stocked, piece_id)
    drawn = detail.inspections[0].findings[-1]
    assert (drawn.kind, drawn.drawn_by, drawn.verdict, drawn.feature) == ("hairline crack", "Ada", "confirmed", "bill")
    assert (drawn.polygon_xy, drawn.length_mm) == (DRAWN.polygon_xy, 5.0)
    assert detail.piece.kinds == ("chip", "hairline crack")
    (outcome,) = log.list_piece_outcomes(stocked)
    assert [found.kind for found in outcome.found] == ["chip", "hairline crack"]
    assert log.count_pieces(stocked, PieceFilter(kind="hairline crack")) == 1


def test_a_drawn_finding_that_is_taken_back_is_no_defect(stocked, piece_id):
    draw(stocked, piece_id)
    log.take_back(stocked, piece_id, by="Ada")
    assert log.find_piece(stocked, piece_id).piece.kinds == ("chip",)
    assert log.count_pieces(stocked, PieceFilter(kind="hairline crack")) == 0


def test_a_drawn_finding_outlasts_the_inspection_it_was_drawn_over(stocked, piece_id, make):
    from datetime import UTC, datetime

    from inspector.log.recording import inspection_row
    from inspector.log.tables import PhotoRow

    draw(stocked, piece_id)
    with stocked.writing() as session:  # as a later engine will add it
        session.add(inspection_row(session.get_one(PhotoRow, 1), make.inspection(), now=datetime.now(UTC)))
    detail = log.find_piece(stocked, piece_id)
    assert [found.kind for found in detail.inspections[0].findings] == ["hairline crack"]
    assert [found.kind for found in log.list_piece_outcomes(stocked)[0].found] == ["hairline crack"]
    assert log.count_pieces(stocked, PieceFilter(kind="hairline crack")) == 1
    assert log.count_pieces(stocked, PieceFilter(kind="chip")) == 0


def test_a_word_on_a_state_that_has_changed_is_not_kept(stocked, piece_id, finding):
    seen = log.find_piece(stocked, piece_id).version
    say(stocked, finding, "confirmed", reviewer="Ada", seen=seen)
    late = [
        lambda: say(stocked, finding, "dismissed", reviewer="Bo", seen=seen),
        lambda: log.add_disposition(stocked, piece_id, "sell", decided_by="Bo", note="", seen=seen),
        lambda: draw(stocked, piece_id, seen=seen),
        lambda: log.take_back(stocked, piece_id, by="Ada", seen=seen),
    ]
    before = log.find_piece(stocked, piece_id)
    for word in late:
        with pytest.raises(StaleError, match="Somebody else has said something about piece 1"):
            word()
    assert log.find_piece(stocked, piece_id) == before
    say(stocked, finding, "dismissed", reviewer="Bo", seen=before.version)
    assert finding().verdict == "dismissed"


WORDS = ["confirmed", "dismissed", "kind changed", "outline corrected", "sell", "scrap", "note", "draw"]


@only_sqlite  # many words for each example: over the server it takes several seconds
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(words=st.lists(st.sampled_from(WORDS), max_size=6))
def test_taking_everything_back_leads_back_to_the_start(stocked, make, words):
    """Whatever is said in whatever order, as many steps back lead to what held before."""
    content = b"\xff\xd8\xff" + repr((words, log.count_pieces(stocked, PieceFilter()))).encode()
    piece_id = log.add_piece_photo(stocked, make.piece_photo(stocked, content)).piece_id
    start = log.find_piece(stocked, piece_id)
    found = start.inspections[0].findings[0]
    for word in words:
        if word in ("sell", "scrap"):
            log.add_disposition(stocked, piece_id, word, decided_by="Ada", note="")
        elif word == "note":
            log.add_note(stocked, piece_id, "x", written_by="Ada")
        elif word == "draw":
            draw(stocked, piece_id)
        else:
            new_kind = "excess" if word == "kind changed" else None
            outline = DRAWN if word == "outline corrected" else None
            say(stocked, lambda: found, word, new_kind=new_kind, outline=outline)
    for _ in words:
        log.take_back(stocked, piece_id, by="Ada")
    with pytest.raises(InputError, match="nothing that Ada said"):
        log.take_back(stocked, piece_id, by="Ada")
    end = log.find_piece(stocked, piece_id)
    assert end.piece == start.piece
    held = end.inspections[0].findings[0]
    assert (held.kind, held.verdict, held.polygon_xy, held.area_mm2) == (
        found.kind,
        None,
        found.polygon_xy,
        found.area_mm2,
    )

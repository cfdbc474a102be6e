from datetime import UTC, datetime, timedelta

from inspector import log
from inspector.log import NewFinding, NewPiecePhoto, NotedDefect, PastPiece, PastPour
from tests.log.conftest import inspection, photo

POURED_AT = datetime(2024, 5, 4, 16, 0, tzinfo=UTC)


def chip(feature=None, confidence=0.9):
    return NewFinding(
        kind="chip",
        polygon_xy=((1.0, 1.0), (5.0, 1.0), (5.0, 5.0)),
        confidence=confidence,
        area_mm2=8.0,
        length_mm=4.0,
        width_mm=4.0,
        depth_mm=None,
        feature=feature,
    )


def past(*defects, mold="heron", at=POURED_AT):
    piece = PastPiece(mold=mold, demolded_at=at + timedelta(hours=30), defects=tuple(defects))
    return PastPour(
        mix="grey", poured_at=at, temperature_degc=17.5, wet_until_h=24.0, cure_notes="covered", pieces=(piece,)
    )


def add_photo(opened, content, *findings):
    return log.add_piece_photo(
        opened,
        NewPiecePhoto(
            photo=photo(opened, content),
            mold="heron",
            pour_id=1,
            demolded_at=datetime(2026, 5, 6, tzinfo=UTC),
            piece_id=None,
            view="side",
            inspection=inspection(*findings),
        ),
    )


def test_a_past_reads_back_with_cure_and_features(stocked):
    added = log.add_past(stocked, [past(NotedDefect("missing feature", "bill")), past(at=POURED_AT)], source="book 1")
    assert added == 2
    broken, good = log.list_piece_outcomes(stocked)
    assert broken.noted == (NotedDefect("missing feature", "bill"),)
    assert good.noted == ()
    assert not broken.inspected
    cure = log.list_pour_cures(stocked)[0]
    assert (cure.constant_degc, cure.wet_until_h, cure.mix) == (17.5, 24.0, "grey")


def test_a_past_is_added_once(stocked):
    assert log.add_past(stocked, [past()], source="book 1") == 1
    assert log.add_past(stocked, [past()], source="book 1") == 0
    assert log.add_past(stocked, [past()], source="book 2") == 1


def test_pieces_of_the_past_wait_for_nobody(stocked):
    log.add_past(stocked, [past(NotedDefect("chip"))], source="book 1")
    assert log.count_pieces(stocked, log.PieceFilter(waiting=True)) == 0


def test_findings_stand_as_their_latest_review_has_it(stocked):
    logged = add_photo(stocked, b"\xff\xd8\xff one", chip("bill"), chip())
    found = log.find_piece(stocked, logged.piece_id).inspections[0].findings
    log.add_review(stocked, found[0].id, verdict="confirmed", new_kind=None, reviewer="Marta")
    log.add_review(stocked, found[0].id, verdict="kind changed", new_kind="hairline crack", reviewer="Marta")
    log.add_review(stocked, found[1].id, verdict="dismissed", new_kind=None, reviewer="Marta")
    log.add_disposition(stocked, logged.piece_id, "second", decided_by="Marta", note="")
    log.add_disposition(stocked, logged.piece_id, "repair", decided_by="Marta", note="")
    (outcome,) = log.list_piece_outcomes(stocked)
    assert [(item.kind, item.verdict, item.feature) for item in outcome.found] == [
        ("hairline crack", "kind changed", "bill")
    ]
    assert outcome.outcome == "repair"
    assert outcome.inspected


def test_outcomes_of_one_mold_are_its_own(stocked):
    log.add_past(stocked, [past(NotedDefect("chip")), past(mold="finial")], source="book 1")
    add_photo(stocked, b"\xff\xd8\xff one", chip())
    assert len(log.list_piece_outcomes(stocked)) == 3
    heron = log.list_piece_outcomes(stocked, mold="heron")
    assert [(item.noted is not None, len(item.found)) for item in heron] == [(True, 0), (False, 1)]


def test_the_mark_moves_with_what_is_added_or_withdrawn_and_only_then(stocked):
    marks = [log.evidence_mark(stocked)]
    log.add_past(stocked, [past()], source="book 1")
    marks.append(log.evidence_mark(stocked))
    record = log.list_temperatures(stocked, 2)[0]
    log.withdraw_temperature(stocked, record.id, why="wrong pour")
    marks.append(log.evidence_mark(stocked))
    assert len(set(marks)) == 3
    assert log.evidence_mark(stocked) == marks[-1]

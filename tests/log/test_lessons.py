from dataclasses import replace

import pytest

from inspector import log
from inspector.errors import InputError
from inspector.log import UncountedMark

ON_R1 = (("r1.jpg", ((1.0, 1.0), (9.0, 1.0), (9.0, 8.5))),)


def add(stocked, make, number, *findings, **more):
    inspection = replace(make.inspection(*findings), **more)
    new = make.piece_photo(stocked, b"\xff\xd8\xff %d" % number, name=f"{number}.jpg", inspection=inspection)
    return log.find_piece(stocked, log.add_piece_photo(stocked, new).piece_id)


def dismiss(stocked, detail):
    finding_id = detail.inspections[0].findings[0].id
    log.add_review(stocked, finding_id, verdict="dismissed", new_kind=None, reviewer="Ada")
    return finding_id


def test_a_finding_is_kept_with_its_outline_on_each_reference_and_read_once_reviewed(stocked, make):
    lowered = replace(make.CHIP, on_references=ON_R1, confidence=0.6, confidence_alone=0.9, dismissed_on=1)
    detail = add(stocked, make, 1, lowered)
    (finding,) = detail.inspections[0].findings
    assert (finding.confidence, finding.confidence_alone, finding.dismissed_on) == (0.6, 0.9, 1)
    assert log.list_reviewed_findings(stocked, "heron", of_latest=100) == ()
    finding_id = dismiss(stocked, detail)
    (reviewed,) = log.list_reviewed_findings(stocked, "heron", of_latest=100)
    assert (reviewed.id, reviewed.piece_id, reviewed.verdict) == (finding_id, detail.piece.id, "dismissed")
    assert (reviewed.kind, reviewed.confidence) == ("chip", 0.9)  # by itself: what it teaches does not feed on itself
    assert reviewed.on_references == dict(ON_R1)
    assert log.list_reviewed_findings(stocked, "finial", of_latest=100) == ()


def test_a_finding_of_before_without_an_outline_teaches_nothing(stocked, make):
    dismiss(stocked, add(stocked, make, 1, make.CHIP))
    assert log.list_reviewed_findings(stocked, "heron", of_latest=100) == ()


def test_marks_that_were_not_counted_are_read_back_as_they_were(stocked, make):
    mark = UncountedMark("chip", ((1.0, 2.0), (3.5, 2.0), (3.5, 4.0)), 0.1, 0.8, 3, 2.5, 2.5, 2.0)
    detail = add(stocked, make, 1, not_counted=(mark,))
    assert detail.inspections[0].not_counted == (mark,)
    assert detail.piece.kinds == ()


def test_the_latest_word_on_a_lesson_counts(stocked, make):
    finding_id = dismiss(stocked, add(stocked, make, 1, replace(make.CHIP, on_references=ON_R1)))
    for in_use, by in ((False, "Bo"), (True, "Ada")):
        log.set_lesson_use(stocked, [finding_id], in_use=in_use, said_by=by)
        (reviewed,) = log.list_reviewed_findings(stocked, "heron", of_latest=100)
        assert (reviewed.use.in_use, reviewed.use.said_by) == (in_use, by)


def test_there_is_no_lesson_of_a_finding_that_is_not_there(stocked):
    with pytest.raises(InputError, match="no finding 7"):
        log.set_lesson_use(stocked, [7], in_use=False, said_by="Bo")


def test_what_was_said_on_earlier_pieces_teaches_only_where_somebody_said_whether_its_place_is_normal(stocked, make):
    marked = replace(make.CHIP, on_references=ON_R1)
    earlier, latest = (dismiss(stocked, add(stocked, make, number, marked)) for number in (1, 2))
    assert [item.id for item in log.list_reviewed_findings(stocked, "heron", of_latest=1)] == [latest]
    log.set_lesson_use(stocked, [earlier], in_use=False, said_by="Bo")
    assert [item.id for item in log.list_reviewed_findings(stocked, "heron", of_latest=1)] == [earlier, latest]

from datetime import UTC, datetime, timedelta, timezone

import pytest

from inspector import log
from inspector.errors import InputError


def test_a_piece_is_read_as_it_was_written(stocked, make):
    logged = log.add_piece_photo(stocked, make.piece_photo(stocked))
    detail = log.find_piece(stocked, logged.piece_id)
    assert logged.added
    assert detail.piece.mold == "heron"
    assert detail.piece.kinds == ("chip",)
    assert detail.piece.outcome is None
    assert detail.mix.name == "grey"
    (photo,) = detail.photos
    assert (photo.name, photo.view, photo.width_px, photo.height_px) == ("a.jpg", "side", 400, 300)
    (inspection,) = detail.inspections
    assert inspection.photo_from_reference == ((1.0, 0.0, 3.0), (0.0, 1.0, 4.0), (0.0, 0.0, 1.0))
    (finding,) = inspection.findings
    assert finding.polygon_xy == make.CHIP.polygon_xy
    assert (finding.kind, finding.confidence, finding.feature) == ("chip", 0.8, "bill")
    assert (finding.area_mm2, finding.length_mm, finding.width_mm, finding.depth_mm) == (3.2, 2.5, 1.25, None)


def test_the_demold_age_is_the_time_from_the_pour_and_stands_by_each_finding(stocked, make):
    # Poured at 16:00 UTC on the 4th; 12:30 at -06:00 on the 5th is 18:30 UTC: 26.5 h by hand.
    demolded_at = datetime(2026, 5, 5, 12, 30, tzinfo=timezone(timedelta(hours=-6)))
    logged = log.add_piece_photo(stocked, make.piece_photo(stocked, demolded_at=demolded_at))
    detail = log.find_piece(stocked, logged.piece_id)
    assert detail.piece.demold_age_h == pytest.approx(26.5)
    assert detail.inspections[0].findings[0].demold_age_h == pytest.approx(26.5)
    assert detail.piece.demolded_at.isoformat() == "2026-05-05T12:30:00-06:00"


def test_demolding_before_the_pour_is_refused_with_both_times(stocked, make):
    early = datetime(2026, 5, 4, 15, 59, tzinfo=UTC)
    message = r"Demolding at 2026-05-04 15:59 \+0000 lies before pour 1 at 2026-05-04 16:00 \+0000"
    with pytest.raises(InputError, match=message):
        log.add_piece_photo(stocked, make.piece_photo(stocked, demolded_at=early))
    with pytest.raises(InputError, match=message):
        log.check_piece(stocked, mold="heron", pour_id=1, demolded_at=early, piece_id=None, view=None)
    assert log.count_pieces(stocked, log.PieceFilter()) == 0


def test_demolding_in_the_minute_of_the_pour_is_not_said_to_lie_before_the_same_time(stocked, make):
    pour = log.add_pour(
        stocked, mix="grey", molds=["heron"], poured_at=datetime(2026, 5, 6, 9, 0, 7, 300_000, UTC), cure_notes=""
    )
    in_its_second = datetime(2026, 5, 6, 9, 0, 7, tzinfo=UTC)  # Exif DateTimeOriginal has whole seconds
    with pytest.raises(
        InputError, match=r"as 2026-05-06 09:00 \+0000, the minute in which pour 2 was made: nothing is"
    ):
        log.check_piece(stocked, mold="heron", pour_id=pour.id, demolded_at=in_its_second, piece_id=None, view=None)


def test_the_same_photo_is_logged_once(stocked, make):
    first = log.add_piece_photo(stocked, make.piece_photo(stocked))
    second = log.add_piece_photo(stocked, make.piece_photo(stocked, name="renamed.jpg"))
    assert not second.added
    assert (second.photo_id, second.piece_id) == (first.photo_id, first.piece_id)
    assert log.count_pieces(stocked, log.PieceFilter()) == 1


def test_a_piece_may_have_several_photos(stocked, make):
    first = log.add_piece_photo(stocked, make.piece_photo(stocked))
    log.add_piece_photo(
        stocked,
        make.piece_photo(
            stocked, b"\xff\xd8\xff two", piece_id=first.piece_id, demolded_at=None, view="top", name="b.jpg"
        ),
    )
    detail = log.find_piece(stocked, first.piece_id)
    assert [(photo.name, photo.view) for photo in detail.photos] == [("a.jpg", "side"), ("b.jpg", "top")]
    assert detail.piece.kinds == ("chip", "chip")


def test_the_view_is_told_by_the_nearest_reference_where_nobody_says_it(stocked, make):
    log.add_reference(stocked, make.reference(stocked, name="top-1.jpg"), mold="heron", view="top")
    logged = log.add_piece_photo(
        stocked, make.piece_photo(stocked, view=None, inspection=make.inspection(reference="top-1.jpg"))
    )
    assert log.find_photo(stocked, logged.photo_id).view == "top"


def test_a_reference_photo_may_also_be_logged_as_a_piece(stocked, make):
    content = b"\xff\xd8\xff ref"
    log.add_reference(stocked, make.reference(stocked, content), mold="heron", view="side")
    assert log.add_piece_photo(stocked, make.piece_photo(stocked, content)).added


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"mold": "hron", "pour_id": None}, "no mold hron"),
        ({"mold": "finial", "view": "front"}, r"Pour 1 went into heron, not into finial"),
        ({"pour_id": 7}, "no pour 7"),
        ({"view": "left"}, r"no view left\. It has: side, top"),
        ({"piece_id": 12}, "no piece 12"),
    ],
)
def test_what_does_not_fit_together_is_refused(stocked, make, changes, message):
    with pytest.raises(InputError, match=message):
        log.add_piece_photo(stocked, make.piece_photo(stocked, **changes))


def test_one_more_photo_must_fit_its_piece(stocked, make):
    first = log.add_piece_photo(stocked, make.piece_photo(stocked))
    more = {"content": b"\xff\xd8\xff two", "piece_id": first.piece_id}
    with pytest.raises(InputError, match="came out of mold heron, not finial"):
        log.add_piece_photo(
            stocked, make.piece_photo(stocked, mold="finial", view=None, pour_id=None, demolded_at=None, **more)
        )
    with pytest.raises(InputError, match="another demolding time"):
        log.add_piece_photo(stocked, make.piece_photo(stocked, demolded_at=datetime(2026, 5, 9, tzinfo=UTC), **more))


def test_an_unusable_photo_is_kept_with_its_reason(stocked, make):
    logged = log.add_piece_photo(
        stocked, make.piece_photo(stocked, inspection=make.inspection(status="unusable", score=0.0))
    )
    detail = log.find_piece(stocked, logged.piece_id)
    assert detail.piece.score is None
    assert detail.piece.unusable_photos == 1
    assert detail.inspections[0].reason.startswith("The photo is blurred")

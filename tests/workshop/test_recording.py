import hashlib
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from inspector.errors import InputError, PhotoError
from inspector.workshop import PieceFacts

RED, BLUE = (255, 0, 0), (0, 0, 255)


def test_a_recorded_photo_is_inspected_and_logged(heron, draw):
    data = draw(RED)
    recorded = heron.record(
        data, name="a.jpg", mold="heron", pour_id=1, demolded_at=datetime(2026, 5, 5, 16, tzinfo=UTC)
    )
    assert not recorded.already_logged
    assert recorded.detail.piece.kinds == ("chip",)
    assert recorded.detail.piece.demold_age_h == pytest.approx(24)
    (inspection,) = recorded.detail.inspections
    assert (inspection.engine_version, inspection.reference, inspection.px_per_mm) == ("drawn-1", "r1.jpg", 5.0)
    (finding,) = inspection.findings
    # The square was drawn from (90, 80) to (120, 95) at 5 px per mm: 6 x 3 mm.
    drawn_xy = [(90, 80), (120, 80), (120, 95), (90, 95)]
    assert np.array(finding.polygon_xy) == pytest.approx(np.array(drawn_xy), abs=1)
    assert (finding.length_mm, finding.width_mm) == (pytest.approx(6, abs=0.4), pytest.approx(3, abs=0.4))
    assert heron.photo_file(recorded.photo_id).data == data
    assert heron.photo(recorded.photo_id).sha256 == hashlib.sha256(data).hexdigest()


def test_the_same_bytes_are_recognised_and_not_logged_twice(heron, draw):
    first = heron.record(draw(RED), name="a.jpg", mold="heron")
    second = heron.record(draw(RED), name="b.jpg", mold="heron")
    assert second.already_logged
    assert second.photo_id == first.photo_id
    assert len(heron.pieces()) == 1


def test_a_photo_logged_under_another_mold_says_so(heron, draw):
    heron.add_mold("finial")
    heron.record(draw(RED), name="a.jpg", mold="heron")
    again = heron.record(draw(RED), name="a.jpg", mold="finial")
    assert again.already_logged
    assert again.notes[0] == "It was logged as piece 1 of mold heron, not finial."


def test_demolding_defaults_to_the_time_of_the_photo(heron, draw):
    data = draw(RED, taken_at="2026:05:05 18:30:00 +02:00")
    recorded = heron.record(data, name="a.jpg", mold="heron", pour_id=1)
    assert recorded.detail.piece.demolded_at == datetime(2026, 5, 5, 16, 30, tzinfo=UTC)
    assert recorded.detail.piece.demolded_at.utcoffset() == timedelta(hours=2)
    assert recorded.detail.piece.demold_age_h == pytest.approx(24.5)


def test_a_photo_time_without_offset_is_taken_as_local(heron, draw):
    recorded = heron.record(draw(RED, taken_at="2026:05:05 18:30:00"), name="a.jpg", mold="heron")
    assert recorded.detail.piece.demolded_at == datetime(2026, 5, 5, 18, 30).astimezone()


def test_a_given_demolding_time_goes_before_that_of_the_photo(heron, draw):
    demolded_at = datetime(2026, 5, 5, 10, 0, tzinfo=timezone(timedelta(hours=2)))
    recorded = heron.record(
        draw(RED, taken_at="2026:05:09 18:30:00"), name="a.jpg", mold="heron", demolded_at=demolded_at
    )
    assert recorded.detail.piece.demolded_at == demolded_at


def test_without_any_time_the_demold_age_is_unknown_and_said_to_be(heron, draw):
    recorded = heron.record(draw(RED), name="a.jpg", mold="heron", pour_id=1)
    assert recorded.detail.piece.demold_age_h is None
    assert "demold age is unknown" in recorded.notes[0]


def test_demolding_before_the_pour_is_refused_and_nothing_is_logged(heron, draw):
    with pytest.raises(InputError, match="lies before pour 1"):
        heron.record(draw(RED, taken_at="2026:05:04 15:00:00 +00:00"), name="a.jpg", mold="heron", pour_id=1)
    assert heron.pieces() == ()


def test_a_photo_that_cannot_be_judged_is_kept_with_the_reason(heron, draw):
    data = draw(background=0)
    recorded = heron.record(data, name="night.jpg", mold="heron")
    (inspection,) = recorded.detail.inspections
    assert inspection.status == "unusable"
    assert inspection.reason == "Photo night.jpg is too dark. Turn on a light."
    assert inspection.findings == ()
    assert recorded.detail.piece.score is None
    assert heron.photo_file(recorded.photo_id).data == data


def test_a_file_that_is_no_photo_is_refused(heron):
    with pytest.raises(PhotoError, match=r"list\.jpg"):
        heron.record(b"eggs, milk, cement", name="list.jpg", mold="heron")
    assert heron.pieces() == ()


def test_a_mold_without_references_cannot_be_recorded(heron, draw):
    heron.add_mold("finial")
    with pytest.raises(InputError, match="finial has no reference photo yet"):
        heron.record(draw(RED), name="a.jpg", mold="finial")


def test_a_photo_is_on_disk_before_it_is_inspected(heron, draw, engine, tmp_path):
    # The engine dies in the middle: what was sent in is not lost.
    data = draw(shade=255, background=255)
    with pytest.raises(ZeroDivisionError):
        heron.record(data, name="a.jpg", mold="heron")
    name = hashlib.sha256(data).hexdigest()
    assert (tmp_path / "data" / "photos" / name[:2] / f"{name}.jpg").read_bytes() == data


def test_two_phones_that_send_the_same_photo_at_once_make_one_piece(heron, draw):
    with ThreadPoolExecutor(4) as pool:
        results = list(pool.map(lambda _: heron.record(draw(RED), name="a.jpg", mold="heron"), range(4)))
    assert len({result.photo_id for result in results}) == 1
    assert [result.already_logged for result in results].count(False) == 1
    assert len(heron.pieces()) == 1


def test_one_more_photo_of_a_piece(heron, draw):
    first = heron.record(draw(RED), name="a.jpg", mold="heron", pour_id=1, demolded_at=datetime(2026, 5, 6, tzinfo=UTC))
    second = heron.record(
        draw(BLUE, taken_at="2026:05:07 08:00:00"), name="b.jpg", mold="heron", piece_id=first.detail.piece.id
    )
    assert second.detail.piece.id == first.detail.piece.id
    assert second.detail.piece.kinds == ("chip", "hairline crack")
    assert second.detail.piece.demolded_at == datetime(2026, 5, 6, tzinfo=UTC)


def test_the_view_that_fits_is_found_where_nobody_says_it(heron, draw):
    heron.add_view("heron", "top")
    check = heron.add_reference(draw(size=(400, 300)), name="top.jpg", mold="heron", view="top")
    heron.confirm_reference(check.reference.id)
    for name, size, view, reference in (
        ("a.jpg", (400, 300), "top", "top.jpg"),
        ("b.jpg", (320, 240), "side", "r1.jpg"),
    ):
        recorded = heron.record(draw(RED, size=size), name=name, mold="heron")
        (photo,), (inspection,) = recorded.detail.photos, recorded.detail.inspections
        assert (photo.view, inspection.reference, len(inspection.findings)) == (view, reference, 1)
        picture = heron.reference_in_photo(photo.id)
        assert (picture.width_px, picture.height_px) == size
    wrong = heron.record(draw(RED, BLUE), name="c.jpg", mold="heron", view="top")
    assert wrong.detail.inspections[0].status == "unusable"


def test_features_reach_the_findings(heron, draw):
    (reference,) = heron.mold("heron").references
    heron.add_feature("bill", reference_id=reference.id, polygon_xy=((60, 40), (120, 40), (120, 90)))
    recorded = heron.record(draw(RED), name="a.jpg", mold="heron")
    assert recorded.detail.inspections[0].findings[0].feature == "bill"


def test_references_added_later_are_compared_with_at_once(heron, draw):
    heron.record(draw(RED), name="a.jpg", mold="heron")
    check = heron.add_reference(draw(shade=210), name="r2.jpg", mold="heron")
    assert heron.record(draw(BLUE), name="b.jpg", mold="heron").detail.inspections[0].reference == "r1.jpg"
    heron.confirm_reference(check.reference.id)
    assert heron.record(draw(RED, BLUE), name="c.jpg", mold="heron").detail.inspections[0].reference == "r2.jpg"


def test_many_files_are_recorded_in_the_order_given_and_bad_ones_do_not_stop_the_others(heron, draw, tmp_path):
    paths = [tmp_path / f"p{number}.jpg" for number in range(9)]
    for number, path in enumerate(paths):
        if number != 4:
            path.write_bytes(b"eggs, milk" if number == 2 else draw(*[RED] * (number % 3), shade=190 + number % 8))
    facts = PieceFacts(mold="heron")
    results = list(heron.record_files([(path, facts) for path in [*paths, paths[1]]]))
    assert [result.path for result in results] == [*paths, paths[1]]
    refused = {result.path.name: result.refusal for result in results if result.recorded is None}
    assert sorted(refused) == ["p2.jpg", "p4.jpg"]
    assert "p2.jpg is not a photo" in refused["p2.jpg"]
    assert "p4.jpg cannot be opened" in refused["p4.jpg"]
    pieces = [result.recorded.detail.piece.id for result in results if result.recorded is not None]
    assert pieces == [1, 2, 3, 4, 5, 6, 7, 2]


def test_a_fault_of_the_program_costs_its_photo_only(heron, draw, tmp_path, caplog):
    paths = [tmp_path / "white.jpg", tmp_path / "good.jpg"]
    paths[0].write_bytes(draw(shade=255, background=255))
    paths[1].write_bytes(draw(RED))
    white, good = heron.record_files([(path, PieceFacts(mold="heron")) for path in paths])
    assert white.refusal.startswith("The program failed on photo white.jpg (ZeroDivisionError")
    assert "ZeroDivisionError" in caplog.text
    assert good.recorded.detail.piece.kinds == ("chip",)


def test_references_are_prepared_once(tmp_path, draw, engine):
    from dataclasses import replace

    from inspector.workshop import Workshop

    prepared = []

    def prepare_reference(photo, **said):
        prepared.append(photo.name)
        return engine.prepare_reference(photo, **said)

    with Workshop.open(tmp_path / "data", engine=replace(engine, prepare_reference=prepare_reference)) as shop:
        shop.add_mold("heron")
        shop.confirm_reference(shop.add_reference(draw(), name="r1.jpg", mold="heron").reference.id)
        prepared.clear()
        for mark in (RED, BLUE, (0, 0, 200)):
            shop.record(draw(mark), name="a.jpg", mold="heron")
        assert prepared == ["r1.jpg"]

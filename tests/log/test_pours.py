from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inspector import log
from inspector.errors import InputError
from inspector.log import Admixture


def test_a_mix_is_read_as_it_was_written(opened):
    written = log.add_mix(
        opened,
        "buff",
        cement_class="R",
        water_cement_ratio=0.42,
        aggregate="limestone 0-4 mm",
        admixtures=[Admixture("superplasticizer", 0.8), Admixture("accelerator", 1.5)],
        fibres="AR glass 12 mm, 1 % by volume",
    )
    assert log.list_mixes(opened) == (written,)
    assert written.admixtures == (Admixture("superplasticizer", 0.8), Admixture("accelerator", 1.5))


def test_a_second_mix_of_the_same_name_is_refused(stocked):
    with pytest.raises(InputError, match="There is a mix grey already"):
        log.add_mix(stocked, "grey", cement_class="R", water_cement_ratio=0.4, aggregate="", admixtures=[], fibres="")


def test_the_time_of_a_pour_keeps_its_offset(stocked):
    # Asia/Kathmandu keeps +05:45 the whole year (IANA time zone database).
    poured_at = datetime(2026, 1, 2, 3, 4, tzinfo=timezone(timedelta(hours=5, minutes=45)))
    pour = log.add_pour(stocked, mix="grey", molds=["finial", "heron"], poured_at=poured_at, cure_notes="")
    read = log.find_pour(stocked, pour.id)
    assert read == pour
    assert read.poured_at.isoformat() == "2026-01-02T03:04:00+05:45"
    assert read.molds == ("finial", "heron")


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    at=st.datetimes(min_value=datetime(1990, 1, 1), max_value=datetime(2090, 1, 1)),  # noqa: DTZ001
    offset_min=st.integers(-14 * 60, 14 * 60),
)
def test_any_time_written_is_the_time_read(stocked, at, offset_min):
    poured_at = at.replace(tzinfo=timezone(timedelta(minutes=offset_min)))
    pour = log.add_pour(stocked, mix="grey", molds=["heron"], poured_at=poured_at, cure_notes="")
    assert log.find_pour(stocked, pour.id).poured_at.isoformat() == poured_at.isoformat()


def test_pours_are_listed_latest_first_and_by_mold(stocked):
    later = datetime(2026, 6, 1, 8, 0, tzinfo=timezone(timedelta(hours=-7)))
    log.add_pour(stocked, mix="grey", molds=["finial"], poured_at=later, cure_notes="")
    assert [pour.id for pour in log.list_pours(stocked, limit=None)] == [2, 1]
    assert [pour.id for pour in log.list_pours_into(stocked, "heron", limit=None)] == [1]
    assert [pour.id for pour in log.list_pours(stocked, limit=1)] == [2]


def test_a_pour_counts_its_pieces(stocked, make):
    for number in range(3):
        log.add_piece_photo(stocked, make.piece_photo(stocked, b"\xff\xd8\xff %d" % number))
    assert log.find_pour(stocked, 1).pieces == 3


@pytest.mark.parametrize(
    ("mix", "molds", "message"),
    [("gray", ["heron"], r"no mix gray in the log\. It knows: grey"), ("grey", ["hron"], "no mold hron")],
)
def test_a_pour_of_what_is_not_known_is_refused(stocked, mix, molds, message):
    with pytest.raises(InputError, match=message):
        log.add_pour(stocked, mix=mix, molds=molds, poured_at=datetime.now().astimezone(), cure_notes="")
    assert len(log.list_pours(stocked, limit=None)) == 1

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from icalendar import Calendar

from inspector.errors import InputError
from inspector.workshop import due_calendar
from tests.windows import WINDOW

POURED_AT = datetime(2026, 5, 4, 16, 0, tzinfo=UTC)


def hours(number):
    return POURED_AT + timedelta(hours=number)


def due_at(shop, number=24):
    return shop.planning.due(now=hours(number))


def test_a_mold_without_a_window_starts_from_practice(heron):
    (piece,) = due_at(heron)
    assert piece.from_practice
    assert (piece.mold, piece.pour_id, piece.age_h, piece.needed_fraction) == ("heron", 1, 24, 0.5)
    # EN 1992-1-1:2004, Eq. (3.2), class N solved for 0.5: 1.967 d at 20 degC, where Eq. (B.10) ages by 0.99812.
    assert piece.ready_at - POURED_AT == pytest.approx(timedelta(days=1.967 / 0.99812), abs=timedelta(minutes=3))
    assert not piece.ready
    assert piece.strength_low < piece.strength_fraction < piece.strength_high
    assert due_at(heron, 48)[0].ready


def test_the_window_of_a_mold_says_when(heron):
    heron.planning.change_windows([WINDOW], at=POURED_AT)
    (piece,) = due_at(heron, 30)
    assert not piece.from_practice
    assert piece.ready
    # The same inverse: 1.036 d for 0.35, 3.023 d for 0.60.
    assert piece.ready_at - POURED_AT == pytest.approx(timedelta(days=1.036 / 0.99812), abs=timedelta(minutes=3))
    assert piece.latest_at - POURED_AT == pytest.approx(timedelta(days=3.023 / 0.99812), abs=timedelta(minutes=3))
    assert piece.ready_at < piece.cheapest_at < piece.latest_at


def test_the_latest_window_counts_and_a_doubtful_one_is_told(heron):
    doubtful = replace(WINDOW, earliest_fraction=0.55, enough_evidence=False)
    heron.planning.change_windows([WINDOW], at=POURED_AT)
    heron.planning.change_windows([doubtful], at=hours(1))
    assert heron.planning.window("heron") == doubtful
    assert [change.at for change in heron.planning.window_changes("heron")] == [POURED_AT, hours(1)]
    (piece,) = due_at(heron)
    assert (piece.needed_fraction, piece.from_practice) == (0.55, True)


def test_a_window_that_knows_no_earliest_age_falls_back_on_practice(heron):
    unknown = replace(WINDOW, earliest_h=None, earliest_fraction=None, latest_fraction=None, enough_evidence=False)
    heron.planning.change_windows([unknown], at=POURED_AT)
    (piece,) = due_at(heron)
    assert (piece.needed_fraction, piece.from_practice, piece.latest_at) == (0.5, True, None)


def test_the_temperature_expected_decides_when_the_rest_can_come_out(heron):
    warm = due_at(heron)[0].ready_at
    heron.curing.expect_temperature(20, from_at=hours(-24))
    heron.curing.expect_temperature(5, from_at=hours(24))
    (cold,) = due_at(heron)
    assert cold.equivalent_age_h == pytest.approx(24 * 0.99812, abs=1e-3)
    # What is missing after 24 h takes 0.99812 / 0.47784 times as long at 5 degC (EN 1992-1-1, Eq. (B.10)).
    missing = (warm - hours(24)) * 0.99812 / 0.47784
    assert cold.ready_at - hours(24) == pytest.approx(missing, abs=timedelta(minutes=3))


def test_a_frozen_pour_never_comes_out_and_comes_last(heron):
    heron.add_mold("finial")
    heron.add_pour(mix="grey", molds=["finial"], poured_at=hours(1))
    heron.curing.add_temperature(1, -3)
    finial, frozen = due_at(heron)
    assert (finial.mold, frozen.mold, frozen.ready_at, frozen.ready) == ("finial", "heron", None, False)
    assert "freezes young" in frozen.warnings[0]
    assert b"finial" in due_calendar([finial, frozen], now=hours(24))
    assert b"heron" not in due_calendar([finial, frozen], now=hours(24))


def test_a_freezing_reading_is_told_though_its_stretch_has_a_mild_mean(heron):
    heron.curing.add_temperature(1, -2, at=hours(0))
    heron.curing.add_temperature(1, 14, at=hours(2))
    (piece,) = due_at(heron, 3)
    assert "down to -2 degC" in piece.warnings[0]


def test_frost_that_comes_after_demolding_is_no_matter(heron):
    heron.curing.expect_temperature(20, from_at=hours(-24))
    heron.curing.expect_temperature(-5, from_at=hours(100))
    assert due_at(heron)[0].warnings == ()


def test_a_mold_is_empty_once_a_piece_came_out_or_it_was_filled_again(heron, draw):
    heron.add_mold("finial")
    heron.add_pour(mix="grey", molds=["finial", "heron"], poured_at=hours(48))
    assert [(piece.mold, piece.pour_id) for piece in due_at(heron, 40)] == [("heron", 1)]
    assert [(piece.mold, piece.pour_id) for piece in due_at(heron, 50)] == [("finial", 2), ("heron", 2)]
    heron.record(draw(), name="a.jpg", mold="heron", pour_id=2, demolded_at=hours(90))
    assert [piece.mold for piece in due_at(heron, 100)] == ["finial"]


def test_break_tests_move_the_time(heron):
    before = due_at(heron)[0].ready_at
    for _ in range(4):
        heron.curing.add_pour_break_test(1, tested_at=hours(20), word="snaps clean")
    assert due_at(heron)[0].ready_at < before


def test_what_is_left_out_of_a_setting_stays_as_it_was(heron):
    heron.planning.set_mold("heron", piece_cost=14.0, turnaround_h=3.0)
    setting = heron.planning.set_mold("heron", target_loss=0.02)
    assert (setting.target_loss, setting.piece_cost, setting.mold_hour_cost, setting.turnaround_h) == (
        0.02, 14.0, None, 3.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"target_loss": 0.0}, "target loss of 0 cannot"),
        ({"target_loss": 5.0}, "0.05 for one piece in twenty"),
        ({"piece_cost": -1.0}, "cost of a piece of -1"),
        ({"mold_hour_cost": float("inf")}, "cost of a mold hour of inf"),
        ({"turnaround_h": float("nan")}, "turnaround of nan"),
    ],
)
def test_a_setting_that_cannot_be_is_refused(heron, values, message):
    with pytest.raises(InputError, match=message):
        heron.planning.set_mold("heron", **values)
    assert heron.planning.mold_setting("heron").set_at is None


def test_the_calendar_is_as_rfc_5545_has_it(heron):
    heron.add_mold("weather-vane-finial-with-four-leaves")
    heron.add_pour(
        mix="grey",
        molds=["weather-vane-finial-with-four-leaves"],
        poured_at=hours(1).astimezone(timezone(timedelta(hours=5, minutes=45))),
    )
    pieces = due_at(heron)
    data = due_calendar(pieces, now=hours(24))
    # RFC 5545, 3.1: lines end in CRLF and have no more than 75 octets, folded by CRLF and one white space.
    assert data.endswith(b"END:VCALENDAR\r\n")
    assert data.count(b"\n") == data.count(b"\r\n")
    assert max(len(line) for line in data.split(b"\r\n")) <= 75
    unfolded = data.replace(b"\r\n ", b"").decode().split("\r\n")
    # 3.6: PRODID and VERSION once; 3.6.1: UID and DTSTAMP once in each event; 3.3.5: UTC is marked by Z.
    assert [line for line in unfolded if line.startswith("VERSION")] == ["VERSION:2.0"]
    assert sum(line.startswith("PRODID:") for line in unfolded) == 1
    assert [unfolded.count(line) for line in ("BEGIN:VEVENT", "END:VEVENT")] == [2, 2]
    times = [line for line in unfolded if line.startswith(("DTSTAMP", "DTSTART", "DTEND"))]
    assert len(times) == 6
    assert all(re.fullmatch(r"(DTSTAMP|DTSTART|DTEND):\d{8}T\d{6}Z", line) for line in times)
    uids = [line for line in unfolded if line.startswith("UID:")]
    assert len(set(uids)) == 2
    events = Calendar.from_ical(data).walk("VEVENT")
    assert [event.decoded("dtstart") for event in events] == [piece.ready_at for piece in pieces]
    assert str(events[1]["summary"]) == "Demold weather-vane-finial-with-four-leaves (pour 2)"
    assert "not enough evidence yet" in str(events[0]["description"])


def test_a_calendar_written_again_names_the_same_events(heron):
    def uids(number):
        return re.findall(rb"UID:(.+)\r\n", due_calendar(due_at(heron, number), now=hours(number)))

    before = uids(24)
    heron.planning.change_windows([WINDOW], at=hours(25))
    assert uids(26) == before

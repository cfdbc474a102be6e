from datetime import UTC, datetime, timedelta, timezone

import pytest

from inspector import log
from inspector.errors import InputError
from inspector.log import TemperatureReading

POURED_AT = datetime(2026, 5, 4, 16, 0, tzinfo=UTC)


def readings(*degc, start_h=0):
    return [TemperatureReading(POURED_AT + timedelta(hours=start_h + hour), value) for hour, value in enumerate(degc)]


def test_nothing_is_known_of_a_new_pour(stocked):
    cure = log.find_pour_cure(stocked, 1)
    assert (cure.constant_degc, cure.readings, cure.wet_until_h) == (None, (), None)
    assert (cure.poured_at, cure.mix, cure.cement_class) == (POURED_AT, "grey", "N")


def test_the_latest_constant_counts_and_earlier_ones_stay_on_record(stocked):
    for degc in (18.0, 12.5):
        log.add_constant_temperature(stocked, pour_id=1, temperature_degc=degc, source="typed")
    assert log.find_pour_cure(stocked, 1).constant_degc == 12.5
    assert [record.constant_degc for record in log.list_temperatures(stocked, 1)] == [18.0, 12.5]


def test_readings_of_several_records_are_one_series(stocked):
    log.add_temperature_readings(stocked, pour_id=1, readings=readings(20, 21, 22), source="a.csv")
    log.add_temperature_readings(stocked, pour_id=1, readings=readings(30, 23, start_h=2), source="typed")
    cure = log.find_pour_cure(stocked, 1)
    # At 2 h the later word counts.
    assert [reading.temperature_degc for reading in cure.readings] == [20, 21, 30, 23]
    assert [reading.at for reading in cure.readings] == [POURED_AT + timedelta(hours=hour) for hour in range(4)]


def test_the_time_of_a_reading_keeps_its_offset(stocked):
    at = datetime(2026, 5, 4, 18, 0, tzinfo=timezone(timedelta(hours=2)))
    written = log.add_temperature_readings(stocked, pour_id=1, readings=[TemperatureReading(at, 20)], source="typed")
    assert log.list_temperatures(stocked, 1) == (written,)
    assert written.readings[0].at.isoformat() == "2026-05-04T18:00:00+02:00"


def test_what_is_withdrawn_counts_no_longer_and_stays_on_record(stocked):
    wrong = log.add_temperature_readings(stocked, pour_id=1, readings=readings(60, 61), source="oven.csv")
    constant = log.add_constant_temperature(stocked, pour_id=1, temperature_degc=18, source="typed")
    log.withdraw_temperature(stocked, wrong.id, why="of the kiln")
    log.withdraw_temperature(stocked, constant.id, why="a guess")
    cure = log.find_pour_cure(stocked, 1)
    assert (cure.constant_degc, cure.readings) == (None, ())
    records = log.list_temperatures(stocked, 1)
    assert [record.withdrawn_why for record in records] == ["of the kiln", "a guess"]
    assert records[0].readings == tuple(readings(60, 61))
    with pytest.raises(InputError, match="withdrawn before: a guess"):
        log.withdraw_temperature(stocked, constant.id, why="again")


def test_readings_are_written_all_or_none(stocked):
    twice = [TemperatureReading(POURED_AT, 20), TemperatureReading(POURED_AT.replace(tzinfo=None), 21)]
    with pytest.raises(Exception, match="has no offset"):
        log.add_temperature_readings(stocked, pour_id=1, readings=twice, source="typed")
    assert log.list_temperatures(stocked, 1) == ()


def test_expected_temperatures_are_listed_by_the_time_they_hold_from(stocked):
    november = datetime(2026, 11, 1, tzinfo=UTC)
    may = datetime(2026, 5, 1, tzinfo=UTC)
    for degc, from_at in ((8, november), (18, may), (10, november)):
        log.add_expected_temperature(stocked, temperature_degc=degc, from_at=from_at)
    expected = log.list_expected_temperatures(stocked)
    assert [(item.temperature_degc, item.from_at) for item in expected] == [(18, may), (8, november), (10, november)]


@pytest.mark.parametrize(
    ("function", "arguments", "message"),
    [
        (log.list_temperatures, {"pour_id": 9}, "no pour 9"),
        (log.find_pour_cure, {"pour_id": 9}, "no pour 9"),
        (log.withdraw_temperature, {"record_id": 9, "why": "x"}, "no temperature record 9"),
        (log.add_constant_temperature, {"pour_id": 9, "temperature_degc": 18, "source": "typed"}, "no pour 9"),
    ],
)
def test_what_is_not_there_is_refused(stocked, function, arguments, message):
    with pytest.raises(InputError, match=message):
        function(stocked, **arguments)

from contextlib import suppress
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspector.curing import read_logger_csv
from inspector.errors import InputError

GOOD = "time,degC\n2026-05-04T16:00Z,18.5\n2026-05-04T17:00Z,19\n"


def degc(text):
    return [reading.temperature_degc for reading in read_logger_csv(text, name="log.csv")]


def test_times_and_temperatures_are_read():
    first, second = read_logger_csv(GOOD, name="log.csv")
    assert (first.at, first.temperature_degc) == (datetime(2026, 5, 4, 16, tzinfo=UTC), 18.5)
    assert second.at == datetime(2026, 5, 4, 17, tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    [
        "\ufeffNo.;Date-Time;Temp (°C);Humidity\r\n1;2026-05-04 16:00:00;18,5;60\r\n2;2026-05-04 17:00:00;19,0;61\r\n",
        "timestamp\ttemperature_f\n2026-05-04T16:00\t65.3\n2026-05-04T17:00\t66.2\n",
        'Time,"Temperature, °F"\n2026-05-04T16:00,65.3\n\n2026-05-04T17:00,66.2\n',
        "datetime,temperature_degc,note\n2026-05-04T16:00,18.5,poured\n2026-05-04T17:00,19,\n",
        "time,Celsius\n2026-05-04T16:00,18.5\n2026-05-04T17:00,19\n",
    ],
)
def test_the_files_of_many_loggers_are_read(text):
    assert degc(text) == pytest.approx([18.5, 19])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "has no readings"),
        ("time,degC\n", "has no readings"),
        ("when,degC\n2026-05-04T16:00,18\n", "no column of times, only when, degC"),
        ("date,time,degC\n2026-05-04,16:00,18\n", "several columns of times: date, time"),
        ("time,humidity\n2026-05-04T16:00,60\n", "found: none"),
        ("time,degC,degF\n2026-05-04T16:00,18,64\n", "found: degC, degF"),
        ("time,degC\n05/04/2026 16:00,18\n", "line 2: '05/04/2026 16:00' is no time"),
        ("time,degC\n0001-01-01T00:00+14:00,18\n", r"line 2: '0001-01-01T00:00\+14:00' is no time"),
        (GOOD + "2026-05-04T18:00Z,\n", "line 4: the temperature is missing"),
        (GOOD + "2026-05-04T18:00Z,ERR\n", "line 4: 'ERR' is no temperature"),
        (GOOD + "2026-05-04T18:00Z,nan\n", "line 4: A temperature of nan degC"),
        (GOOD + "2026-05-04T18:00Z,850\n", "line 4: A temperature of 850 degC"),
        (GOOD + "2026-05-04T18:00Z\n", "line 4 ends before the temperature"),
        (GOOD + "2026-05-04T17:00Z,19\n", "line 4: .* does not come after"),
        (GOOD + "2026-05-04T16:30Z,19\n", "line 4: .* does not come after"),
        (GOOD + "2026-05-05T01:00Z,19\n", r"line 4: no reading for 8\.0 h"),
        (GOOD + "2026-05-04T18:00,19\n", "line 4: some times have an offset"),
    ],
)
def test_gaps_and_nonsense_are_refused_with_the_line(text, message):
    with pytest.raises(InputError, match=message):
        read_logger_csv(text, name="log.csv")


@given(st.text(max_size=300))
def test_no_text_crashes_it(text):
    for content in (text, GOOD + text):
        with suppress(InputError):
            assert len(read_logger_csv(content, name="log.csv")) > 0

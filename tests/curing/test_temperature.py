import math

import pytest

from inspector.curing import constant_temperature, temperature_from_readings, temperature_warnings
from inspector.curing.temperature import degc_from_degf
from inspector.errors import InputError


def stretches(history):
    return list(zip(history.starts_h.tolist(), history.temperature_degc.tolist(), strict=True))


def test_between_two_readings_their_mean_holds():
    # ASTM C1074, 6 (from memory): the average temperature during each interval.
    history = temperature_from_readings([0, 6, 12], [20, 24, 16])
    assert stretches(history) == [(0, 22), (6, 20), (12, 16)]


def test_before_the_first_reading_it_holds_and_after_the_last_what_is_expected():
    history = temperature_from_readings([2, 6], [20, 24], then_degc=5)
    assert stretches(history) == [(0, 20), (2, 22), (6, 5)]


def test_a_logger_that_ran_before_the_pour_leads_in():
    history = temperature_from_readings([-9, -3, 3, 9], [10, 12, 20, 22])
    assert stretches(history) == [(0, 16), (3, 21), (9, 22)]
    history = temperature_from_readings([-9, -3], [10, 12], then_degc=15)
    assert stretches(history) == [(0, 15)]


def test_a_reading_at_the_pour_begins_a_stretch():
    assert stretches(temperature_from_readings([0], [18])) == [(0, 18)]


@pytest.mark.parametrize(
    ("elapsed_h", "degc", "message"),
    [
        ([0, 0], [20, 21], "one after another"),
        ([5, 3], [20, 21], "one after another"),
        ([0, 1], [20, 68 * 1.8 + 32], "degF"),
        ([0], [math.nan], "nan degC cannot be"),
        ([0], [-40], "-40 degC cannot be"),
    ],
)
def test_readings_that_cannot_be_are_refused(elapsed_h, degc, message):
    with pytest.raises(InputError, match=message):
        temperature_from_readings(elapsed_h, degc)


def test_a_constant_that_cannot_be_is_refused():
    with pytest.raises(InputError, match="150 degC cannot be"):
        constant_temperature(150)


@pytest.mark.parametrize(
    ("degc", "words"),
    [([20, 0], ["freezes young"]), ([61], ["Above 60 degC"]), ([-5, 70], ["freezes", "Above 60"]), ([1, 60], [])],
)
def test_freezing_and_heat_are_told(degc, words):
    warnings = temperature_warnings(degc)
    assert len(warnings) == len(words)
    assert all(word in warning for word, warning in zip(words, warnings, strict=True))


def test_degf():
    # NIST SP 811, B.8: t/degC = (t/degF - 32)/1.8; 32, 68, 212 degF are 0, 20, 100 degC.
    assert degc_from_degf([32, 68, 212]).tolist() == pytest.approx([0, 20, 100])

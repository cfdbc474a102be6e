from datetime import UTC, datetime, timedelta

import pytest

from inspector.curing import en_curve, en_rate, strength_fraction
from inspector.errors import InputError

POURED_AT = datetime(2026, 5, 4, 16, 0, tzinfo=UTC)
LOGGER = b"time,degC\n2026-05-04T15:00Z,20\n2026-05-04T19:00Z,20\n2026-05-04T23:00Z,10\n2026-05-05T03:00Z,10\n"


def hours(number):
    return POURED_AT + timedelta(hours=number)


@pytest.fixture
def recorded(heron, draw):
    """The heron of pour 1, taken out after 24 h."""
    heron.record(draw(), name="a.jpg", mold="heron", pour_id=1, demolded_at=hours(24))
    return heron


def aged_h(shop):
    (age,) = shop.curing.piece_ages()
    alone = shop.curing.demold_strengths(shop.pieces())[age.piece_id]
    assert alone.equivalent_age_h == pytest.approx(age.equivalent_age_h)
    assert alone.strength_fraction == pytest.approx(age.strength_fraction)
    assert alone.temperature_assumed == age.temperature_assumed
    return age.equivalent_age_h


def test_where_nothing_is_known_20_degc_is_assumed(recorded):
    (age,) = recorded.curing.piece_ages()
    assert age.temperature_assumed
    # EN 1992-1-1:2004, Eq. (B.10): 0.99812 at 20 degC; Eq. (3.2), class N: 0.3416 after 24 h at 20 degC.
    assert age.equivalent_age_h == pytest.approx(24 * 0.99812, abs=1e-3)
    assert age.strength_fraction == pytest.approx(0.3416, abs=5e-5)
    assert (age.mold, age.mix, age.demold_age_h, age.wet_until_h) == ("heron", "grey", 24, None)


def test_what_is_expected_is_taken_where_nobody_wrote_anything_down(recorded):
    recorded.curing.expect_temperature(5, from_at=hours(-48))
    recorded.curing.expect_temperature(10, from_at=hours(-24))
    recorded.curing.expect_temperature(30, from_at=hours(12))
    assert aged_h(recorded) == pytest.approx(12 * float(en_rate(10)) + 12 * float(en_rate(30)))
    assert recorded.curing.piece_ages()[0].temperature_assumed


def test_the_first_expectation_reaches_back(recorded):
    recorded.curing.expect_temperature(12, from_at=hours(100))
    assert aged_h(recorded) == pytest.approx(24 * float(en_rate(12)))


def test_a_corrected_expectation_replaces_the_one_of_the_same_time(recorded):
    for degc in (5, 25):
        recorded.curing.expect_temperature(degc, from_at=hours(-1))
    assert aged_h(recorded) == pytest.approx(24 * float(en_rate(25)))


def test_a_constant_goes_before_what_is_expected_and_readings_before_both(recorded):
    recorded.curing.expect_temperature(30, from_at=hours(-24))
    recorded.curing.add_temperature(1, 10)
    assert aged_h(recorded) == pytest.approx(24 * float(en_rate(10)))
    assert not recorded.curing.piece_ages()[0].temperature_assumed
    for at_h, degc in ((0, 20), (12, 16)):
        recorded.curing.add_temperature(1, degc, at=hours(at_h))
    # 12 h at the mean of both, then the constant.
    assert aged_h(recorded) == pytest.approx(12 * float(en_rate(18)) + 12 * float(en_rate(10)))


def test_after_a_logger_stops_what_is_expected_holds(recorded):
    recorded.curing.import_temperatures(LOGGER, name="log.csv", pour_id=1)
    # 3 h at 20, 4 h at 15, 4 h at 10, then 13 h as last read.
    in_reach_h = 3 * float(en_rate(20)) + 4 * float(en_rate(15)) + 4 * float(en_rate(10))
    assert aged_h(recorded) == pytest.approx(in_reach_h + 13 * float(en_rate(10)))
    recorded.curing.expect_temperature(25, from_at=hours(-24))
    assert aged_h(recorded) == pytest.approx(in_reach_h + 13 * float(en_rate(25)))


def test_a_logger_that_was_switched_on_late_is_told(heron):
    kept = heron.curing.import_temperatures(
        b"time,degF\n2026-05-04T18:00Z,68\n2026-05-04T19:00Z,32\n", name="log.csv", pour_id=1
    )
    assert kept.notes[0].startswith("The readings begin 2.0 h after the pour: until then the first one, 20 degC")
    assert "freezes young" in kept.notes[1]
    assert [reading.temperature_degc for reading in kept.record.readings] == pytest.approx([20, 0])


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (LOGGER + b"2026-05-05T13:00Z,10\n", r"log\.csv, line 6: no reading for 10\.0 h"),
        (LOGGER + b"2026-05-05T04:00Z,\xb0\n", r"log\.csv, line 6: it is not UTF-8"),
        (b"time,degC\n2026-05-03T15:00Z,20\n", "before pour 1"),
    ],
)
def test_a_logger_file_that_makes_no_sense_leaves_nothing_behind(heron, data, message):
    with pytest.raises(InputError, match=message):
        heron.curing.import_temperatures(data, name="log.csv", pour_id=1)
    assert heron.curing.temperatures(1) == ()


def test_break_tests_move_the_strength_of_their_mix_only(recorded):
    recorded.add_mix("buff", cement_class="R", water_cement_ratio=0.4)
    before = recorded.curing.piece_ages()[0].strength_fraction
    for _ in range(3):
        test = recorded.curing.add_pour_break_test(1, tested_at=hours(40), word="crumbles")
    assert recorded.curing.mix_strength("grey").curve.break_tests == 3
    assert recorded.curing.piece_ages()[0].strength_fraction < before - 0.05
    assert recorded.curing.mix_strength("buff").curve == en_curve("R")
    recorded.curing.withdraw_break_test(test.id, why="of another mix.")
    assert recorded.curing.mix_strength("grey").curve.break_tests == 2
    assert recorded.curing.break_tests(mix="grey")[2].withdrawn_why == "of another mix"
    assert recorded.curing.break_tests(mix="buff") == ()


def test_a_break_test_is_as_old_as_its_pour_was_warm(heron):
    heron.curing.add_temperature(1, 5)
    heron.curing.add_pour_break_test(1, tested_at=hours(48), word="snaps with a sandy face")
    cold = heron.curing.mix_strength("grey").curve
    heron.curing.add_temperature(1, 30)
    warm = heron.curing.mix_strength("grey").curve
    # The same face so much younger in equivalent age: the mix gains faster than the cement has it.
    assert strength_fraction(cold, 24) > strength_fraction(warm, 24)


def test_cubes_of_a_mix_tell_its_28_day_strength(heron):
    for age_h, mpa in ((24, 12.0), (72, 21.0), (672, 35.0)):
        heron.curing.add_mix_break_test("grey", age_h=age_h, tested_at=hours(age_h), strength_mpa=mpa)
    fit = heron.curing.mix_strength("grey")
    # The ratios 0.343 and 0.6 are those of EN 1992-1-1 Eq. (3.2) with s = 0.25.
    assert strength_fraction(fit.curve, 72) == pytest.approx(0.60, abs=0.02)
    assert fit.strength_28_days.low_mpa < 35 < fit.strength_28_days.high_mpa


def test_a_piece_is_as_wet_as_its_own_word_says_else_as_its_pour(recorded):
    recorded.curing.add_wet_cure(until_h=48, pour_id=1)
    assert recorded.curing.piece_ages(mold="heron")[0].wet_until_h == 48
    recorded.curing.add_wet_cure(until_h=0, piece_id=1)
    assert recorded.curing.piece_ages()[0].wet_until_h == 0


@pytest.mark.parametrize(
    ("method", "arguments", "message"),
    [
        ("add_temperature", {"pour_id": 1, "temperature_degc": 180}, "180 degC cannot be"),
        ("expect_temperature", {"temperature_degc": -60, "from_at": POURED_AT}, "-60 degC cannot be"),
        ("add_wet_cure", {"until_h": 24}, "either which pour or which piece"),
        ("add_wet_cure", {"until_h": -1, "pour_id": 1}, "until -1 h cannot be"),
        ("add_wet_cure", {"until_h": float("nan"), "pour_id": 1}, "until nan h cannot be"),
        ("add_pour_break_test", {"pour_id": 1, "tested_at": hours(30)}, "either a press result in MPa or a word"),
        ("add_pour_break_test", {"pour_id": 1, "tested_at": hours(30), "strength_mpa": -3.0}, "-3 MPa cannot be"),
        ("add_pour_break_test", {"pour_id": 1, "tested_at": hours(30), "word": "bends"}, "'bends' is no word"),
        (
            "add_mix_break_test",
            {"mix": "grey", "age_h": 0.0, "tested_at": hours(30), "word": "crumbles"},
            "age of 0 h cannot be",
        ),
        ("withdraw_temperature", {"record_id": 1, "why": " "}, "Say why it is withdrawn"),
        ("mix_strength", {"mix": "gray"}, "no mix gray in the log. It knows: grey"),
        ("break_tests", {"mix": "gray"}, "no mix gray"),
    ],
)
def test_what_cannot_be_is_refused(heron, method, arguments, message):
    with pytest.raises(InputError, match=message):
        getattr(heron.curing, method)(**arguments)
    assert heron.curing.break_tests() == ()
    assert heron.curing.temperatures(1) == ()

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspector.curing import (
    age_at_equivalent_age_h,
    arrhenius_rate,
    constant_temperature,
    en_rate,
    equivalent_age_at_constant_h,
    equivalent_age_h,
    freiesleben_hansen_pedersen_rate,
    maturity_degc_h,
    nurse_saul_rate,
    temperature_from_readings,
)
from inspector.curing.temperature import TemperatureHistory
from inspector.errors import InputError


def arrhenius_23(degc):
    return arrhenius_rate(degc, reference_degc=23)


# 6 h at 15, 6 h at 25, 12 h at 30, 24 h at 22, 24 h at 10 degC: 72 h.
FIVE_STRETCHES = TemperatureHistory(
    starts_h=np.array([0.0, 6, 12, 24, 48]), temperature_degc=np.array([15.0, 25, 30, 22, 10])
)

# As thermometers tell them: at 4e-13 degC above the datum a rounding of the last bit is hours of age.
readings_degc = st.floats(-10, 70).map(lambda degc: round(degc, 3))
histories = st.lists(st.tuples(st.floats(0.1, 30), readings_degc), min_size=1, max_size=6).map(
    lambda stretches: TemperatureHistory(
        starts_h=np.concatenate(([0.0], np.cumsum([length for length, _ in stretches])[:-1])),
        temperature_degc=np.array([degc for _, degc in stretches]),
    )
)


def test_rate_of_en_1992():
    # EN 1992-1-1:2004, Annex B, Eq. (B.10), the formula from memory, evaluated apart.
    degc = [0, 5, 10, 15, 20, 25, 30, 35, 40]
    expected = [0.36714, 0.47784, 0.61614, 0.78750, 0.99812, 1.25506, 1.56624, 1.94058, 2.38798]
    assert en_rate(degc) == pytest.approx(np.array(expected), abs=1e-5)


@pytest.mark.parametrize(
    ("reference_degc", "degc", "expected"),
    [
        (20, [5, 10, 20, 30, 40], [0.39821, 0.54717, 1, 1.75628, 2.97548]),
        (23, [5, 10, 20, 23, 30], [0.33497, 0.46027, 0.84118, 1, 1.47734]),
    ],
)
def test_rate_of_astm_c1074(reference_degc, degc, expected):
    # ASTM C1074, Eq. (2) with 5000 K, the formula from memory, evaluated apart.
    rate = arrhenius_rate(degc, activation_k=5000, reference_degc=reference_degc)
    assert rate == pytest.approx(np.array(expected), abs=1e-5)


def test_rate_of_freiesleben_hansen_and_pedersen():
    # Freiesleben Hansen and Pedersen 1977; Carino, Handbook on Nondestructive Testing of Concrete, ch. 5 (from memory).
    expected = [0.15082, 0.29217, 0.49700, 1, 1.57438, 2.40783]
    assert freiesleben_hansen_pedersen_rate([0, 5, 10, 20, 30, 40]) == pytest.approx(np.array(expected), abs=1e-5)


def test_rate_of_nurse_and_saul():
    # Saul 1951; ASTM C1074, Eq. (1) (from memory).
    assert nurse_saul_rate([0, 10, 30], datum_degc=-10) == pytest.approx(np.array([1, 2, 4]) / 3)
    assert nurse_saul_rate([0, 10, 30], datum_degc=0) == pytest.approx(np.array([0, 0.5, 1.5]))
    assert nurse_saul_rate(-15, datum_degc=-10) == 0


def test_maturity_of_a_worked_example():
    # A public guide to maturity testing: 12 h at 20 degC, then 12 h at 25 degC, datum 0: 240 + 300 degC h.
    history = TemperatureHistory(starts_h=np.array([0.0, 12]), temperature_degc=np.array([20.0, 25]))
    assert maturity_degc_h(history, 24) == pytest.approx(540)


@pytest.mark.parametrize(
    ("rate", "expected_h"),
    [
        (en_rate, 72.116),
        (arrhenius_rate, 73.602),
        (arrhenius_23, 61.912),
        (freiesleben_hansen_pedersen_rate, 69.207),
    ],
)
def test_all_formulas_on_one_history(rate, expected_h):
    # Constructed: each term of the published formulas added by hand; there is no printed table for it.
    assert equivalent_age_h(FIVE_STRETCHES, 72, rate=rate) == pytest.approx(expected_h, abs=1e-3)


def test_maturity_on_the_same_history():
    # 6*15 + 6*25 + 12*30 + 24*22 + 24*10 = 1368; each hour counts 10 more from a datum of -10.
    assert maturity_degc_h(FIVE_STRETCHES, 72) == pytest.approx(1368)
    assert maturity_degc_h(FIVE_STRETCHES, 72, datum_degc=-10) == pytest.approx(2088)


@pytest.mark.parametrize("rate", [en_rate, arrhenius_rate, freiesleben_hansen_pedersen_rate])
def test_hours_below_freezing_count_for_nothing(rate):
    history = TemperatureHistory(starts_h=np.array([0.0, 10, 20]), temperature_degc=np.array([20.0, -5, 20]))
    at_h = equivalent_age_h(history, [10, 15, 20, 30], rate=rate)
    assert at_h[0] == at_h[1] == at_h[2] < at_h[3]


def test_above_80_degc_no_faster_ageing_is_taken():
    # EN 1992-1-1 Annex B gives the formula for 0 to 80 degC.
    assert en_rate(95) == en_rate(80)


def test_an_age_that_is_never_reached_is_infinite():
    frozen = TemperatureHistory(starts_h=np.array([0.0, 10]), temperature_degc=np.array([20.0, -5]))
    assert age_at_equivalent_age_h(frozen, [0, 5, 30]) == pytest.approx([0, 5 / en_rate(20), math.inf])


def test_hardly_any_warmth_takes_very_long_to_age():
    nearly_frozen = TemperatureHistory(starts_h=np.array([0.0, 1.0]), temperature_degc=np.array([1.0, 4e-13]))
    reached_h = equivalent_age_h(nearly_frozen, 5.0, rate=nurse_saul_rate)
    first_h = age_at_equivalent_age_h(nearly_frozen, reached_h, rate=nurse_saul_rate)
    assert first_h == pytest.approx(5.0, abs=0.01)  # as far as a float tells such an age apart
    assert equivalent_age_h(nearly_frozen, first_h, rate=nurse_saul_rate) == pytest.approx(reached_h, abs=1e-12)


def test_ages_keep_their_shape_and_nan_stays_unknown():
    ages = equivalent_age_h(FIVE_STRETCHES, np.array([[0, 6], [math.nan, 100]]))
    assert ages.shape == (2, 2)
    assert ages[0, 0] == 0
    assert math.isnan(ages[1, 0])
    # After the last start its temperature goes on.
    assert ages[1, 1] == pytest.approx(72.116 + 28 * 0.61614, abs=2e-3)


@given(history=histories, first_h=st.floats(0, 100), more_h=st.floats(0, 100))
def test_equivalent_age_adds_up(history, first_h, more_h):
    """The age over two spans is that of the first and that of a history that begins where the first ends."""
    later = history.starts_h > first_h
    rest = TemperatureHistory(
        starts_h=np.concatenate(([0.0], history.starts_h[later] - first_h)),
        temperature_degc=history.temperature_degc[np.count_nonzero(~later) - 1 :],
    )
    whole = equivalent_age_h(history, first_h + more_h)
    assert whole == pytest.approx(equivalent_age_h(history, first_h) + equivalent_age_h(rest, more_h), abs=1e-6)


@given(history=histories, age_h=st.floats(0, 300), rate=st.sampled_from([en_rate, arrhenius_rate, nurse_saul_rate]))
def test_the_inverse_gives_the_first_age_with_that_equivalent_age(history, age_h, rate):
    reached_h = equivalent_age_h(history, age_h, rate=rate)
    first_h = age_at_equivalent_age_h(history, reached_h, rate=rate)
    assert first_h <= age_h + 1e-6
    assert equivalent_age_h(history, first_h, rate=rate) == pytest.approx(reached_h, abs=1e-6)


@given(history=histories)
def test_a_warmer_pour_is_never_younger(history):
    warmer = TemperatureHistory(starts_h=history.starts_h, temperature_degc=history.temperature_degc + 5)
    ages_h = np.linspace(0, 100, 21)
    assert np.all(equivalent_age_h(warmer, ages_h) >= equivalent_age_h(history, ages_h))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: equivalent_age_h(constant_temperature(20), -1), "-1 h lies before the pour"),
        (lambda: age_at_equivalent_age_h(constant_temperature(20), [3, -2]), "-2 h lies before the pour"),
        (lambda: arrhenius_rate(20, activation_k=0), "activation energy of 0 K"),
        (lambda: nurse_saul_rate(20, datum_degc=20), "datum temperature of 20 degC"),
        (lambda: temperature_from_readings([], []), "no temperature readings"),
    ],
)
def test_what_makes_no_sense_is_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()


def test_many_pieces_at_constant_temperatures_are_as_old_as_each_by_itself():
    degc, age_h = np.array([-5.0, 0.0, 5.0, 20.0, 35.0, 95.0]), np.array([0.0, 24.0, 30.0, 48.0, 72.0, 12.0])
    alone = [equivalent_age_h(constant_temperature(each), age) for each, age in zip(degc, age_h, strict=True)]
    np.testing.assert_array_equal(equivalent_age_at_constant_h(degc, age_h), alone)

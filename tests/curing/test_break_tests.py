import math
from itertools import pairwise

import numpy as np
import pytest

from inspector.curing import (
    BREAK_WORDS,
    EnGain,
    HandTest,
    PressTest,
    StrengthCurve,
    aci_curve,
    en_curve,
    fit_break_tests,
    strength_band,
    strength_fraction,
)
from inspector.errors import InputError

SLOW_MIX = StrengthCurve(EnGain(0.45))


def press_of(curve, *ages_h, strength_28_days_mpa=40.0, scatter=None):
    fractions = strength_fraction(curve, ages_h) * (1 if scatter is None else scatter)
    return [PressTest(age_h, float(f) * strength_28_days_mpa) for age_h, f in zip(ages_h, fractions, strict=True)]


def width(curve, age_h=72):
    band = strength_band(curve, age_h)
    return float(band.high - band.low)


def test_without_tests_the_curve_is_that_of_the_cement():
    fit = fit_break_tests(en_curve("N"))
    assert fit.curve == en_curve("N")
    assert fit.strength_28_days is None


def test_press_results_bring_the_curve_to_the_mix():
    # Results that follow EN 1992-1-1 Eq. (3.2) with s = 0.45, far from the class N that the fit begins with.
    ages_h = [24, 48, 72, 168, 672] * 4
    fit = fit_break_tests(en_curve("N"), press=press_of(SLOW_MIX, *ages_h))
    assert strength_fraction(fit.curve, 72) == pytest.approx(float(strength_fraction(SLOW_MIX, 72)), abs=0.02)
    assert fit.strength_28_days.median_mpa == pytest.approx(40, rel=0.03)
    assert fit.curve.break_tests == 20
    assert width(fit.curve) < width(en_curve("N")) / 3


def test_each_further_test_narrows_the_band():
    widths = [
        width(fit_break_tests(en_curve("N"), press=press_of(en_curve("N"), *([48, 672] * pairs))).curve)
        for pairs in range(5)
    ]
    assert all(later < earlier for earlier, later in pairwise(widths))


def test_one_early_press_result_says_little_about_the_fraction():
    # 20 MPa after two days: a strong slow mix or a weak quick one.
    fit = fit_break_tests(en_curve("N"), press=[PressTest(48, 20)])
    assert width(fit.curve) > 0.8 * width(en_curve("N"))


@pytest.mark.parametrize("start", [en_curve("N"), aci_curve("N")])
def test_words_move_the_curve_in_their_order(start):
    fractions = [
        float(strength_fraction(fit_break_tests(start, hand=[HandTest(36, word)] * 3).curve, 36))
        for word in BREAK_WORDS
    ]
    assert fractions == sorted(fractions)
    assert fractions[0] < strength_fraction(start, 36) < fractions[2]


def test_a_word_that_was_expected_changes_little_and_narrows():
    # Class N after 36 h at 20 degC has 0.44 of its strength: a sandy face, as the cut points have it.
    fit = fit_break_tests(en_curve("N"), hand=[HandTest(30, "snaps with a sandy face")] * 4)
    assert strength_fraction(fit.curve, 30) == pytest.approx(float(strength_fraction(en_curve("N"), 30)), abs=0.06)
    assert width(fit.curve) < width(en_curve("N"))


def test_one_wrong_word_among_many_does_little():
    right = [HandTest(72, "snaps clean")] * 8
    without = fit_break_tests(en_curve("N"), hand=right).curve
    with_it = fit_break_tests(en_curve("N"), hand=[*right, HandTest(72, "crumbles")]).curve
    assert strength_fraction(with_it, 72) == pytest.approx(float(strength_fraction(without, 72)), abs=0.06)


def test_the_band_holds_the_truth_as_often_as_it_says():
    """Mixes drawn from the prior with press results scattered as assumed: a 90 % band holds about 90 %."""
    rng = np.random.default_rng(20261125)
    inside = []
    for _ in range(300):
        truth = StrengthCurve(EnGain(0.25 * math.exp(0.5 * rng.standard_normal())))
        ages_h = rng.choice([24.0, 48.0, 72.0, 168.0, 672.0], size=4)
        scatter = np.exp(0.19 / math.sqrt(2) * rng.standard_normal(4))
        mpa = math.exp(math.log(34) + 0.6 * rng.standard_normal())
        press = press_of(truth, *ages_h, strength_28_days_mpa=min(mpa, 100), scatter=scatter)
        band = strength_band(fit_break_tests(en_curve("N"), press=press).curve, 48)
        inside.append(band.low <= strength_fraction(truth, 48) <= band.high)
    # Of 300, a share of 0.90 has a standard error of 0.017.
    assert 0.85 <= np.mean(inside) <= 0.95


@pytest.mark.parametrize(
    ("tests", "message"),
    [
        ({"press": [PressTest(48, 0)]}, "strength of 0 MPa cannot be"),
        ({"press": [PressTest(48, 3000)]}, "strength of 3000 MPa cannot be"),
        ({"press": [PressTest(0, 20)]}, "equivalent age of 0 h tells nothing"),
        ({"hand": [HandTest(math.nan, "crumbles")]}, "equivalent age of nan h tells nothing"),
    ],
)
def test_results_that_cannot_be_are_refused(tests, message):
    with pytest.raises(InputError, match=message):
        fit_break_tests(en_curve("N"), **tests)

"""What do the workshop's own break tests say about the gain of a mix? The curve of its cement, moved and narrowed.

Each test is evidence on one unknown, the factor of the formula's constant, whose belief is held on a grid:

- A press result in MPa is the unknown 28-day strength of the mix times the fraction at its age, with a scatter.
- A hand test gives one of three words in order. Which one depends on the strength fraction through a probit with two
  cut points, with a small chance that the word is said of the wrong piece.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from inspector.curing.strength import LOG_FACTOR_SD, StrengthCurve, fraction_at_factor
from inspector.errors import InputError

__all__ = [
    "BREAK_WORDS",
    "BreakTestFit",
    "BreakWord",
    "HandTest",
    "PressTest",
    "Strength28Days",
    "check_strength",
    "fit_break_tests",
]

BreakWord = Literal["crumbles", "snaps with a sandy face", "snaps clean"]
BREAK_WORDS: tuple[BreakWord, ...] = ("crumbles", "snaps with a sandy face", "snaps clean")

# Strength fractions between one word and the next, and how far hands and pieces differ on the log (common practice,
# no source).
_CUT_POINTS = (0.25, 0.45)
_WORD_SD = 0.30
_WRONG_WORD = 0.03

# Scatter of ln MPa of one press result around the curve of its mix. In the tests of Yeh 1998 (plain cement) what is
# left of ln f(t)/f(28) after each mix has its own s is 0.19, which two results share (tests/curing/test_yeh.py).
_PRESS_SD = 0.19 / np.sqrt(2)
# Belief on ln of the 28-day strength before any press result: 79 mixes of the same data, mean 34 MPa, sd 0.41, taken
# wider for ornamental mixes.
_LOG_28_DAYS_MPA = np.log(34.0)
_LOG_28_DAYS_SD = 0.6
# Above this a number is a slip, as of psi or N (common practice, no source).
_STRONGEST_MPA = 150.0

# Three standard deviations to both sides, far beyond any cement; finer than what thousands of tests could tell.
_GRID = np.linspace(-3, 3, 1201) * LOG_FACTOR_SD
_Z_90 = 1.6449


@dataclass(frozen=True, slots=True)
class PressTest:
    """A piece of the mix crushed in a press."""

    equivalent_age_h: float
    strength_mpa: float


@dataclass(frozen=True, slots=True)
class HandTest:
    """A scrap of the mix snapped by hand."""

    equivalent_age_h: float
    word: BreakWord


@dataclass(frozen=True, slots=True)
class Strength28Days:
    """The 28-day strength of a mix, with a 90 % interval. [MPa]"""

    median_mpa: float
    low_mpa: float
    high_mpa: float


@dataclass(frozen=True, slots=True)
class BreakTestFit:
    """What break tests made of a curve."""

    curve: StrengthCurve
    strength_28_days: Strength28Days | None
    """None without a press result: hands tell fractions, not MPa."""


def fit_break_tests(
    start: StrengthCurve, *, press: Sequence[PressTest] = (), hand: Sequence[HandTest] = ()
) -> BreakTestFit:
    """Fit a curve to break tests, starting from what is known of its cement.

    Without tests the curve comes back as it was. One early press result hardly moves it, since the 28-day strength of
    the mix is not known either; one early and one late result do.

    Parameters
    ----------
    start : StrengthCurve
        Of the formula, not fitted yet.
    press, hand : sequence
        Tests of pieces kept moist.

    Returns
    -------
    fit : BreakTestFit
        The posterior mean and 90 % band.

    Raises
    ------
    InputError
        If a press result cannot be, or an age is not after the pour.
    """
    tests = len(press) + len(hand)
    if tests == 0:
        return BreakTestFit(curve=start, strength_28_days=None)
    for age_h in [test.equivalent_age_h for test in press] + [test.equivalent_age_h for test in hand]:
        if not (np.isfinite(age_h) and age_h > 0):
            raise InputError(
                f"A break test at an equivalent age of {age_h:g} h tells nothing. "
                "Check the times of the pour and the test."
            )
    log_belief = -0.5 * np.square(_GRID / LOG_FACTOR_SD)
    for word_test in hand:
        log_belief = log_belief + _log_likelihood_of_word(start, word_test)
    strength = None
    if press:
        residuals = _press_residuals(start, press)
        log_belief = log_belief + _log_likelihood_of_press(residuals)
    belief = np.exp(log_belief - log_belief.max())
    belief /= belief.sum()
    if press:
        strength = _strength_28_days(residuals, belief)
    low, high = _quantiles(belief, (0.05, 0.95))
    curve = replace(
        start,
        log_factor=float(belief @ _GRID),
        log_factor_low=low,
        log_factor_high=high,
        break_tests=tests,
    )
    return BreakTestFit(curve=curve, strength_28_days=strength)


def check_strength(strength_mpa: float) -> None:
    """Refuse a press result that cannot be.

    Raises
    ------
    InputError
        If it is not above 0 and at most 150 MPa.
    """
    if not 0 < strength_mpa <= _STRONGEST_MPA:
        raise InputError(
            f"A strength of {strength_mpa:g} MPa cannot be. Give the press result in MPa (N/mm2), above 0 and up to "
            f"{_STRONGEST_MPA:g}; 1000 psi are 6.9 MPa."
        )


def _log_likelihood_of_word(start: StrengthCurve, test: HandTest) -> NDArray[np.float64]:
    log_fraction = np.log(fraction_at_factor(start, _GRID, test.equivalent_age_h))
    below_cut = [ndtr((np.log(cut) - log_fraction) / _WORD_SD) for cut in _CUT_POINTS]
    crumbles, clean = below_cut[0], 1 - below_cut[1]
    said = {
        "crumbles": crumbles,
        "snaps with a sandy face": 1 - crumbles - clean,
        "snaps clean": clean,
    }[test.word]
    return np.log((1 - _WRONG_WORD) * said + _WRONG_WORD / len(BREAK_WORDS))


def _press_residuals(start: StrengthCurve, press: Sequence[PressTest]) -> NDArray[np.float64]:
    """Give ln 28-day strength as each result has it, at each factor of the grid, shape (grid, results)."""
    for test in press:
        check_strength(test.strength_mpa)
    age_h = np.array([test.equivalent_age_h for test in press])
    log_mpa = np.log([test.strength_mpa for test in press])
    return log_mpa - np.log(fraction_at_factor(start, _GRID[:, np.newaxis], age_h))


def _log_likelihood_of_press(log_28_days: NDArray[np.float64]) -> NDArray[np.float64]:
    """Likelihood of all results with the 28-day strength integrated out: normal, with one shared part."""
    n = log_28_days.shape[1]
    off = log_28_days - _LOG_28_DAYS_MPA
    shared = _LOG_28_DAYS_SD**2 / (_PRESS_SD**2 + n * _LOG_28_DAYS_SD**2)
    return -0.5 * (np.square(off).sum(axis=1) - shared * np.square(off.sum(axis=1))) / _PRESS_SD**2


def _strength_28_days(log_28_days: NDArray[np.float64], belief: NDArray[np.float64]) -> Strength28Days:
    n = log_28_days.shape[1]
    precision = 1 / _LOG_28_DAYS_SD**2 + n / _PRESS_SD**2
    means = (_LOG_28_DAYS_MPA / _LOG_28_DAYS_SD**2 + log_28_days.sum(axis=1) / _PRESS_SD**2) / precision
    mean = float(belief @ means)
    sd = float(np.sqrt(1 / precision + belief @ np.square(means - mean)))
    return Strength28Days(
        median_mpa=float(np.exp(mean)),
        low_mpa=float(np.exp(mean - _Z_90 * sd)),
        high_mpa=float(np.exp(mean + _Z_90 * sd)),
    )


def _quantiles(belief: NDArray[np.float64], levels: tuple[float, float]) -> tuple[float, float]:
    middle = np.cumsum(belief) - belief / 2  # half of each step lies below its middle
    low, high = np.interp(levels, middle, _GRID)
    return float(low), float(high)

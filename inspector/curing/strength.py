"""How strong is a casting at an age, as a fraction of its strength after 28 days? By EN 1992-1-1 or ACI 209R-92.

A curve is a published formula whose one free constant is known with a spread; break tests of the workshop's own mix
move and narrow it (`break_tests`). Up to 72 h, where demolding happens, EN 1992-1-1 3.1.2(5) itself asks for tests
instead of the formula: without them a curve is a start, not evidence.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspector.errors import InputError

__all__ = [
    "CEMENT_CLASSES",
    "HOURS_28_DAYS",
    "LOG_FACTOR_SD",
    "AciGain",
    "CementClass",
    "EnGain",
    "StrengthBand",
    "StrengthCurve",
    "aci_curve",
    "en_curve",
    "equivalent_age_at_strength_h",
    "fraction_at_factor",
    "strength_band",
    "strength_fraction",
    "tensile_fraction",
]

HOURS_28_DAYS = 672.0
_HOURS_A_DAY = 24.0

CementClass = Literal["S", "N", "R"]
CEMENT_CLASSES: tuple[CementClass, ...] = ("S", "N", "R")

# EN 1992-1-1:2004, 3.1.2(6): s by strength class of the cement.
_S_BY_CEMENT_CLASS = {"S": 0.38, "N": 0.25, "R": 0.20}
# ACI 209R-92, Table 2.2.1: a in days and b, for type I and type III cement, moist and steam cured.
_ACI_MOIST = {"N": (4.0, 0.85), "R": (2.3, 0.92)}
_ACI_STEAM = {"N": (1.0, 0.95), "R": (0.70, 0.98)}

# Spread of ln(own constant / constant of the formula) over mixes. In the tests of Yeh 1998 (plain cement, 53 mixes) the
# s of one mix has a standard deviation of 0.49 on the log, and a 90 % band of this width around class N then holds 90 %
# of the 80 ratios f(t)/f(28), around class S 95 % (tests/curing/test_yeh.py).
LOG_FACTOR_SD = 0.5
_Z_90 = 1.6449  # normal quantile of 0.95: the limits of a 90 % band

# Of the strength still to come, how much comes once a piece dries. 0.10 meets the figures 0.40, 0.64 and 0.80 of 28-day
# moist strength after about one (in the mold), three and seven moist days (Masonry and Concrete, McGraw-Hill 2004,
# fig. 2-19). The band runs from none to what a secondary text has for curing in air throughout, 0.75.
_SHARE_DRY = 0.10
_SHARE_DRY_LOW = 0.0
_SHARE_DRY_HIGH = 0.62


@dataclass(frozen=True, slots=True)
class EnGain:
    """EN 1992-1-1:2004, Eq. (3.2): fraction = exp(s (1 - sqrt(28 / t)))."""

    s: float


@dataclass(frozen=True, slots=True)
class AciGain:
    """ACI 209R-92, Eq. (2-1): fraction = t / (a + b t); not exactly 1 at 28 days, as published."""

    a_d: float
    b: float


@dataclass(frozen=True, slots=True)
class StrengthCurve:
    """Strength against equivalent age, with how well it is known.

    The constant of the formula (s, or a) is multiplied by exp(log_factor): above 0 the mix gains more slowly before 28
    days than the formula has it.
    """

    gain: EnGain | AciGain
    log_factor: float = 0.0
    """Mean. [-]"""
    log_factor_low: float = -_Z_90 * LOG_FACTOR_SD
    """5 % of the belief lies below. [-]"""
    log_factor_high: float = _Z_90 * LOG_FACTOR_SD
    """5 % of the belief lies above. [-]"""
    break_tests: int = 0
    """How many of the workshop's own tests it was fitted to; 0: the formula alone."""


@dataclass(frozen=True, slots=True, eq=False)
class StrengthBand:
    """Strength fractions with a 90 % band, all of the shape of the ages asked for. [-]"""

    fraction: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


def en_curve(cement_class: CementClass) -> StrengthCurve:
    """Give the curve of EN 1992-1-1 for a strength class of cement: slow, normal or rapid."""
    return StrengthCurve(EnGain(_S_BY_CEMENT_CLASS[cement_class]))


def aci_curve(cement_class: CementClass, *, steam: bool = False) -> StrengthCurve:
    """Give the curve of ACI 209R-92, moist or steam cured; class N is taken as type I, class R as type III.

    Raises
    ------
    InputError
        For slow cement, which the report gives no constants for.
    """
    constants = _ACI_STEAM if steam else _ACI_MOIST
    if cement_class not in constants:
        raise InputError(
            f"ACI 209R-92 has no constants for cement class {cement_class}: it knows type I (class N) and type III "
            "(class R). Use the EN formula for slow cement."
        )
    a_d, b = constants[cement_class]
    return StrengthCurve(AciGain(a_d, b))


def strength_fraction(
    curve: StrengthCurve, equivalent_age_h: ArrayLike, *, wet_until_equivalent_h: ArrayLike = np.inf
) -> NDArray[np.float64]:
    """Compressive strength at an equivalent age, as a fraction of the 28-day strength of the same mix kept moist.

    Parameters
    ----------
    curve : StrengthCurve
        Of the mix.
    equivalent_age_h : array_like, shape (...)
        Age corrected to 20 degC, 0 or more; NaN gives NaN. [h]
    wet_until_equivalent_h : array_like, broadcast with the ages
        Equivalent age until which it was kept moist, then dry; a closed mold keeps it moist too. By default it stays
        moist. [h]

    Returns
    -------
    fraction : ndarray, shape (...)
        0 at the pour, never falling with age, never above what stays moist. [-]

    Raises
    ------
    InputError
        If an age is negative.
    """
    return _fraction(curve, curve.log_factor, equivalent_age_h, wet_until_equivalent_h, share_dry=_SHARE_DRY)


def strength_band(
    curve: StrengthCurve, equivalent_age_h: ArrayLike, *, wet_until_equivalent_h: ArrayLike = np.inf
) -> StrengthBand:
    """Strength fraction as `strength_fraction` has it, with a 90 % band.

    The band tells how well the gain of the mix is known; it closes at 28 days, where the fraction is 1 by definition,
    and for a dry piece it is widened by how far published figures on drying lie apart.
    """
    fraction = strength_fraction(curve, equivalent_age_h, wet_until_equivalent_h=wet_until_equivalent_h)
    ends = [
        _fraction(curve, log_factor, equivalent_age_h, wet_until_equivalent_h, share_dry=share_dry)
        for log_factor in (curve.log_factor_low, curve.log_factor_high)
        for share_dry in (_SHARE_DRY_LOW, _SHARE_DRY_HIGH)
    ]
    return StrengthBand(fraction=fraction, low=np.minimum.reduce(ends), high=np.maximum.reduce(ends))


def tensile_fraction(
    curve: StrengthCurve, equivalent_age_h: ArrayLike, *, wet_until_equivalent_h: ArrayLike = np.inf
) -> NDArray[np.float64]:
    """Tensile strength at an equivalent age, as a fraction of the 28-day tensile strength: thin features fail in it.

    By EN it gains no faster than the compressive strength up to 28 days and with the power 2/3 of it after [1]_; by ACI
    with its square root [2]_. Curing and drying count more in tension than in compression.

    References
    ----------
    .. [1] EN 1992-1-1:2004, 3.1.2(9), Eq. (3.4).
    .. [2] ACI 209R-92, Eq. (2-4) (from memory).
    """
    fraction = strength_fraction(curve, equivalent_age_h, wet_until_equivalent_h=wet_until_equivalent_h)
    if isinstance(curve.gain, AciGain):
        return np.sqrt(fraction)
    return np.where(fraction < 1, fraction, np.cbrt(fraction) ** 2)


def equivalent_age_at_strength_h(
    curve: StrengthCurve, fraction: ArrayLike, *, wet_until_equivalent_h: ArrayLike = np.inf
) -> NDArray[np.float64]:
    """Equivalent age at which a strength fraction is reached, the inverse of `strength_fraction`.

    Parameters
    ----------
    curve, wet_until_equivalent_h
        As in `strength_fraction`.
    fraction : array_like, shape (...)
        0 or more. [-]

    Returns
    -------
    equivalent_age_h : ndarray, shape (...)
        Infinite where the fraction is never reached. [h]

    Raises
    ------
    InputError
        If a fraction is negative.
    """
    wanted = np.asarray(fraction, dtype=float)
    if np.any(wanted < 0):
        raise InputError(f"A strength fraction of {np.nanmin(wanted):g} cannot be. Give one from 0 to 1.")
    at_drying = np.asarray(strength_fraction(curve, wet_until_equivalent_h))
    moist = np.where(wanted <= at_drying, wanted, at_drying + (wanted - at_drying) / _SHARE_DRY)
    gain = _scaled(curve.gain, curve.log_factor)
    with np.errstate(divide="ignore"):  # 0 is reached at once; what is never reached, after ever
        if isinstance(gain, EnGain):
            root = 1 - np.log(moist) / gain.s
            days = np.where(root > 0, 28 / np.square(np.where(root > 0, root, 1.0)), np.inf)
        else:
            rest = 1 - gain.b * moist
            days = np.where(rest > 0, gain.a_d * moist / np.where(rest > 0, rest, 1.0), np.inf)
    return days * _HOURS_A_DAY


def fraction_at_factor(curve: StrengthCurve, log_factor: ArrayLike, equivalent_age_h: ArrayLike) -> NDArray[np.float64]:
    """Moist strength fraction were the constant of the formula multiplied by exp(log_factor), for fitting.

    Parameters
    ----------
    curve : StrengthCurve
        Whose formula.
    log_factor, equivalent_age_h : array_like
        Broadcast with each other. [-], [h]
    """
    return _moist(curve.gain, np.asarray(log_factor, dtype=float), _ages_d(equivalent_age_h))


def _fraction(
    curve: StrengthCurve,
    log_factor: float,
    equivalent_age_h: ArrayLike,
    wet_until_equivalent_h: ArrayLike,
    *,
    share_dry: float,
) -> NDArray[np.float64]:
    age_d, wet_d = np.broadcast_arrays(_ages_d(equivalent_age_h), _ages_d(wet_until_equivalent_h))
    factor = np.asarray(log_factor)
    moist = _moist(curve.gain, factor, age_d)
    at_drying = _moist(curve.gain, factor, np.minimum(age_d, wet_d))
    return at_drying + share_dry * (moist - at_drying)


def _moist(gain: EnGain | AciGain, log_factor: NDArray[np.float64], age_d: NDArray[np.float64]) -> NDArray[np.float64]:
    # Age 0 and next to it: exp(-inf) = 0, as wanted; an infinite age is set below.
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        if isinstance(gain, EnGain):
            return np.exp(gain.s * np.exp(log_factor) * (1 - np.sqrt(28 / age_d)))
        a_d = gain.a_d * np.exp(log_factor)
        b = gain.b + (gain.a_d - a_d) / 28
        return np.where(np.isinf(age_d), 1 / b, age_d / (a_d + b * age_d))


def _scaled(gain: EnGain | AciGain, log_factor: float) -> EnGain | AciGain:
    """Multiply the constant of a formula, its strength at 28 days kept."""
    factor = float(np.exp(log_factor))
    if isinstance(gain, EnGain):
        return replace(gain, s=gain.s * factor)
    return AciGain(a_d=gain.a_d * factor, b=gain.b + gain.a_d * (1 - factor) / 28)


def _ages_d(equivalent_age_h: ArrayLike) -> NDArray[np.float64]:
    age_h = np.asarray(equivalent_age_h, dtype=float)
    if np.any(age_h < 0):
        raise InputError(
            f"Equivalent age is {np.nanmin(age_h):g} h, before the pour. Check the pour and demold times of this piece."
        )
    return age_h / _HOURS_A_DAY

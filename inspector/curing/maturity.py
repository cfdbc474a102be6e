"""How old is a casting, counted in hours at 20 degC? Equivalent age by Arrhenius or Nurse-Saul, and its inverse.

A rate says how fast concrete ages at a temperature beside the reference temperature; the equivalent age is the sum of
rate times hours. Heat early can lower the later strength (crossover), which none of these formulas knows.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspector.curing.temperature import TemperatureHistory
from inspector.errors import InputError

__all__ = [
    "Rate",
    "age_at_equivalent_age_h",
    "arrhenius_rate",
    "en_rate",
    "equivalent_age_at_constant_h",
    "equivalent_age_h",
    "freiesleben_hansen_pedersen_rate",
    "maturity_degc_h",
    "nurse_saul_rate",
]

Rate = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""Temperatures in degC to hours of equivalent age an hour, same shape."""

# The formulas below write 273 where 273.15 is exact, and so do the published values.
_KELVIN_AT_0_DEGC = 273.0
_GAS_CONSTANT_J_PER_MOL_K = 8.314
# ASTM C1074 suggests 5000 K for type I cement without admixtures (from memory); the mix's own is better.
_ACTIVATION_K = 5000.0
_EN_HOTTEST_DEGC = 80.0  # EN 1992-1-1 B.10 holds from 0 to 80 degC


def en_rate(temperature_degc: ArrayLike) -> NDArray[np.float64]:
    """Rate of ageing by EN 1992-1-1 [1]_, beside 20 degC.

    Outside the range of the formula the cautious value is taken: nothing below 0 degC, no more than at 80 degC above.

    Parameters
    ----------
    temperature_degc : array_like, shape (...)
        [degC]

    Returns
    -------
    rate : ndarray, shape (...)
        0.998 at 20 degC, as the standard's rounded constants have it. [-]

    References
    ----------
    .. [1] EN 1992-1-1:2004, Annex B, Eq. (B.10).
    """
    degc = np.asarray(temperature_degc, dtype=float)
    return _nothing_when_frozen(degc, np.exp(13.65 - 4000 / (_KELVIN_AT_0_DEGC + np.clip(degc, 0.0, _EN_HOTTEST_DEGC))))


def arrhenius_rate(
    temperature_degc: ArrayLike, *, activation_k: float = _ACTIVATION_K, reference_degc: float = 20.0
) -> NDArray[np.float64]:
    """Rate of ageing by ASTM C1074 [1]_, beside a reference temperature.

    Parameters
    ----------
    temperature_degc : array_like, shape (...)
        Below 0 degC the rate is 0. [degC]
    activation_k : float
        Activation energy divided by the gas constant, as the standard gives it. [K]
    reference_degc : float
        20 degC is usual in Europe, 23 degC in America: the ages differ by a fifth. [degC]

    Raises
    ------
    InputError
        If the activation energy is not above 0.

    References
    ----------
    .. [1] ASTM C1074, Eq. (2).
    """
    if not activation_k > 0:
        raise InputError(f"An activation energy of {activation_k:g} K makes no sense. Usual are 4000 to 6000 K.")
    degc = np.asarray(temperature_degc, dtype=float)
    colder = 1 / (_KELVIN_AT_0_DEGC + np.maximum(degc, 0.0)) - 1 / (_KELVIN_AT_0_DEGC + reference_degc)
    return _nothing_when_frozen(degc, np.exp(-activation_k * colder))


def freiesleben_hansen_pedersen_rate(temperature_degc: ArrayLike) -> NDArray[np.float64]:
    """Rate of ageing with an activation energy that rises in the cold [1]_, beside 20 degC.

    Parameters
    ----------
    temperature_degc : array_like, shape (...)
        Below 0 degC the rate is 0. [degC]

    References
    ----------
    .. [1] Freiesleben Hansen and Pedersen 1977: 33.5 kJ/mol from 20 degC up, 1.47 kJ/mol more for each degC below.
    """
    degc = np.asarray(temperature_degc, dtype=float)
    thawed_degc = np.maximum(degc, 0.0)
    energy_j_per_mol = 33_500 + 1_470 * np.maximum(20.0 - thawed_degc, 0.0)
    colder = 1 / (_KELVIN_AT_0_DEGC + 20.0) - 1 / (_KELVIN_AT_0_DEGC + thawed_degc)
    return _nothing_when_frozen(degc, np.exp(energy_j_per_mol / _GAS_CONSTANT_J_PER_MOL_K * colder))


def nurse_saul_rate(temperature_degc: ArrayLike, *, datum_degc: float = 0.0) -> NDArray[np.float64]:
    """Rate of ageing by Nurse and Saul [1]_, beside 20 degC: in proportion to the degrees above the datum.

    Parameters
    ----------
    temperature_degc : array_like, shape (...)
        At and below the datum the rate is 0. [degC]
    datum_degc : float
        0 degC for cement without admixtures from 0 to 40 degC; Saul took -10 degC. [degC]

    Raises
    ------
    InputError
        If the datum is not below 20 degC.

    References
    ----------
    .. [1] Saul 1951; ASTM C1074, Eq. (1).
    """
    if not datum_degc < 20:
        raise InputError(f"A datum temperature of {datum_degc:g} degC makes no sense. Usual are -10 to 0 degC.")
    return np.maximum(np.asarray(temperature_degc, dtype=float) - datum_degc, 0.0) / (20.0 - datum_degc)


def equivalent_age_h(history: TemperatureHistory, age_h: ArrayLike, *, rate: Rate = en_rate) -> NDArray[np.float64]:
    """Age that counts: hours at 20 degC that bring as much as the hours since the pour did.

    Parameters
    ----------
    history : TemperatureHistory
        How warm the pour was.
    age_h : array_like, shape (...)
        Age since the pour, 0 or more; NaN gives NaN. [h]
    rate : callable
        Which formula.

    Returns
    -------
    equivalent_age_h : ndarray, shape (...)
        [h]

    Raises
    ------
    InputError
        If an age is negative.
    """
    ages_h = _not_negative(age_h)
    rates = rate(history.temperature_degc)
    stretch = np.searchsorted(history.starts_h, ages_h, side="right") - 1
    into_h = ages_h - history.starts_h[stretch]
    return _equivalent_at_starts_h(history, rates)[stretch] + rates[stretch] * into_h


def equivalent_age_at_constant_h(
    temperature_degc: ArrayLike, age_h: ArrayLike, *, rate: Rate = en_rate
) -> NDArray[np.float64]:
    """Age that counts of many pieces at once, each of a pour that stayed at one temperature.

    Parameters
    ----------
    temperature_degc : array_like, shape (...)
        Of each piece's pour. [degC]
    age_h : array_like, broadcast with the temperatures
        Age since the pour, 0 or more. [h]
    rate : callable
        Which formula.

    Returns
    -------
    equivalent_age_h : ndarray, shape (...)
        As `equivalent_age_h` has it. [h]

    Raises
    ------
    InputError
        If an age is negative.
    """
    return rate(np.asarray(temperature_degc, dtype=float)) * _not_negative(age_h)


def age_at_equivalent_age_h(
    history: TemperatureHistory, equivalent_age_h: ArrayLike, *, rate: Rate = en_rate
) -> NDArray[np.float64]:
    """Age at which an equivalent age is reached, the inverse of `equivalent_age_h`.

    Returns
    -------
    age_h : ndarray, shape (...)
        Infinite where it never is, because the history ends frozen. [h]

    Raises
    ------
    InputError
        If an equivalent age is negative.
    """
    wanted_h = _not_negative(equivalent_age_h)
    rates = rate(history.temperature_degc)
    at_starts_h = _equivalent_at_starts_h(history, rates)
    stretch = np.maximum(np.searchsorted(at_starts_h, wanted_h, side="left") - 1, 0)
    missing_h = wanted_h - at_starts_h[stretch]
    with np.errstate(divide="ignore", invalid="ignore"):  # a frozen end: infinite; nothing missing: 0 below
        further_h = np.where(missing_h == 0, 0.0, missing_h / rates[stretch])
    return history.starts_h[stretch] + further_h


def maturity_degc_h(history: TemperatureHistory, age_h: ArrayLike, *, datum_degc: float = 0.0) -> NDArray[np.float64]:
    """Temperature-time factor of Nurse and Saul: the sum of degrees above the datum times hours. [degC h]

    Parameters and errors are those of `equivalent_age_h` and `nurse_saul_rate`.
    """
    by_hours = equivalent_age_h(history, age_h, rate=lambda degc: nurse_saul_rate(degc, datum_degc=datum_degc))
    return by_hours * (20.0 - datum_degc)


def _equivalent_at_starts_h(history: TemperatureHistory, rates: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate(([0.0], np.cumsum(rates[:-1] * np.diff(history.starts_h))))


def _nothing_when_frozen(degc: NDArray[np.float64], rate: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(degc < 0, 0.0, rate)


def _not_negative(age_h: ArrayLike) -> NDArray[np.float64]:
    ages_h = np.asarray(age_h, dtype=float)
    if np.any(ages_h < 0):
        raise InputError(f"An age of {np.nanmin(ages_h):g} h lies before the pour. Check the pour and demolding times.")
    return ages_h

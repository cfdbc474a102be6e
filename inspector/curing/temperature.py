"""How warm was a pour, hour by hour? Constant, or as a few typed readings or a logger have it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspector.errors import InputError

__all__ = [
    "TemperatureHistory",
    "check_temperature",
    "constant_temperature",
    "degc_from_degf",
    "temperature_from_readings",
    "temperature_warnings",
]

# Outside these a reading is a slip or a broken probe: no concrete is cast or cured there (common practice, no source).
_COLDEST_DEGC = -30.0
_HOTTEST_DEGC = 100.0
# Water in young concrete freezes a little below 0 degC; cautions start at 0 (common practice, no source).
_FREEZING_DEGC = 0.0
# Above about 60 to 70 degC early heat can cost later strength and cause cracks (common practice, no source).
_HOT_DEGC = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureHistory:
    """Temperatures of a pour, each holding from its start to the next one's, the last one for good."""

    starts_h: NDArray[np.float64]
    """Since the pour, rising from 0, shape (n,). [h]"""
    temperature_degc: NDArray[np.float64]
    """Shape (n,). [degC]"""


def constant_temperature(temperature_degc: float) -> TemperatureHistory:
    """Give the history of a pour that stays at one temperature.

    Raises
    ------
    InputError
        If no concrete is cured at that temperature.
    """
    check_temperature(temperature_degc)
    return TemperatureHistory(starts_h=np.zeros(1), temperature_degc=np.array([temperature_degc], dtype=float))


def temperature_from_readings(
    elapsed_h: ArrayLike, temperature_degc: ArrayLike, *, then_degc: float | None = None
) -> TemperatureHistory:
    """Turn readings into a history: between two readings their mean holds [1]_.

    Parameters
    ----------
    elapsed_h : array_like, shape (n,)
        Time of each reading since the pour, rising; readings from before the pour may lead in. [h]
    temperature_degc : array_like, shape (n,)
        What was read. [degC]
    then_degc : float, optional
        What is expected after the last reading; by default that reading. [degC]

    Raises
    ------
    InputError
        If there is no reading, times do not rise, or a temperature cannot be.

    References
    ----------
    .. [1] ASTM C1074, 6: the average temperature during each time interval (from memory).
    """
    at_h = np.asarray(elapsed_h, dtype=float)
    degc = np.asarray(temperature_degc, dtype=float)
    if at_h.size == 0:
        raise InputError("There are no temperature readings. Give at least one, or a constant temperature.")
    if np.any(np.diff(at_h) <= 0):
        raise InputError("Temperature readings must come one after another. Sort them by time, one reading a time.")
    for value in (*degc, *(() if then_degc is None else (then_degc,))):
        check_temperature(float(value))
    after = degc[-1] if then_degc is None else then_degc
    starts_h = np.concatenate(([-np.inf], at_h))
    means = np.concatenate((degc[:1], (degc[:-1] + degc[1:]) / 2, [after]))
    first = int(np.searchsorted(starts_h, 0.0, side="right")) - 1  # the stretch that the pour falls into
    starts_h = starts_h[first:].copy()
    starts_h[0] = 0.0
    return TemperatureHistory(starts_h=starts_h, temperature_degc=means[first:])


def temperature_warnings(temperature_degc: ArrayLike) -> tuple[str, ...]:
    """Tell what a caster should know about temperatures of a pour; nothing for ordinary ones.

    Parameters
    ----------
    temperature_degc : array_like, shape (n,)
        Temperatures that the pour has seen. [degC]
    """
    degc = np.asarray(temperature_degc, dtype=float)
    warnings = []
    if np.any(degc <= _FREEZING_DEGC):
        warnings.append(
            f"It was down to {np.round(np.min(degc), 1):g} degC. Concrete that freezes young loses strength for good, "
            "and no age brings it back: time below 0 degC counts for nothing here. Keep it warm, and test before "
            "demolding."
        )
    if np.any(degc > _HOT_DEGC):
        warnings.append(
            f"It was up to {np.round(np.max(degc), 1):g} degC. Above {_HOT_DEGC:g} degC early heat costs later "
            "strength and can crack the piece, which the formulas leave out. Cool it, and test before demolding."
        )
    return tuple(warnings)


def check_temperature(temperature_degc: float) -> None:
    """Refuse a temperature that no concrete is cured at.

    Raises
    ------
    InputError
        If it is no number, or outside -30 to 100 degC.
    """
    if not _COLDEST_DEGC <= temperature_degc <= _HOTTEST_DEGC:
        raise InputError(
            f"A temperature of {temperature_degc:g} degC cannot be that of a casting. Give one from "
            f"{_COLDEST_DEGC:g} degC to {_HOTTEST_DEGC:g} degC; check the probe, and that it is not in degF."
        )


def degc_from_degf(temperature_degf: ArrayLike) -> NDArray[np.float64]:
    """Convert from degF, shape (...) to degC, shape (...)."""
    return (np.asarray(temperature_degf, dtype=float) - 32) / 1.8

"""What a compressive strength in MPa means in tension and in bending, in which thin features fail.

By EN 1992-1-1 and ACI 318. Both start from the characteristic strength, which few results fall below; a press gives
a mean.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspector.errors import InputError

__all__ = [
    "WEAKEST_CHARACTERISTIC_MPA",
    "aci_bending_mpa",
    "characteristic_strength_mpa",
    "en_bending_mpa",
    "en_tensile_mpa",
]

# EN 1992-1-1:2004, Table 3.1 (from memory): the mean lies 8 MPa above the characteristic strength, and the lowest class
# is C12/15. What is weaker the formulas were not made for.
_MEAN_ABOVE_CHARACTERISTIC_MPA = 8.0
WEAKEST_CHARACTERISTIC_MPA = 12.0
_ORDINARY_UP_TO_MPA = 50.0


def characteristic_strength_mpa(mean_mpa: ArrayLike) -> NDArray[np.float64]:
    """Characteristic strength of a mix whose mean is known, shape (...), by EN 1992-1-1, Table 3.1. [MPa]"""
    return np.asarray(mean_mpa, dtype=float) - _MEAN_ABOVE_CHARACTERISTIC_MPA


def en_tensile_mpa(characteristic_mpa: ArrayLike) -> NDArray[np.float64]:
    """Mean tensile strength at 28 days [1]_.

    Parameters
    ----------
    characteristic_mpa : array_like, shape (...)
        Compressive, at 28 days, 12 or more. [MPa]

    Returns
    -------
    tensile_mpa : ndarray, shape (...)

    Raises
    ------
    InputError
        If a strength is below that of the lowest class.

    References
    ----------
    .. [1] EN 1992-1-1:2004, Table 3.1: 0.30 fck^(2/3) up to C50/60, 2.12 ln(1 + fcm / 10) above (from memory).
    """
    strength = _checked(characteristic_mpa)
    mean = strength + _MEAN_ABOVE_CHARACTERISTIC_MPA
    return np.where(strength <= _ORDINARY_UP_TO_MPA, 0.30 * np.cbrt(strength) ** 2, 2.12 * np.log1p(mean / 10))


def en_bending_mpa(characteristic_mpa: ArrayLike, *, thickness_mm: ArrayLike) -> NDArray[np.float64]:
    """Mean strength in bending at 28 days, higher in a thin part [1]_.

    Parameters
    ----------
    characteristic_mpa : array_like, shape (...)
        As in `en_tensile_mpa`. [MPa]
    thickness_mm : array_like, broadcast with it
        Of the part that is bent, above 0. [mm]

    Raises
    ------
    InputError
        If a strength is below that of the lowest class, or a thickness not above 0.

    References
    ----------
    .. [1] EN 1992-1-1:2004, 3.1.8(1), Eq. (3.23) (from memory).
    """
    thickness = np.asarray(thickness_mm, dtype=float)
    if not np.all(thickness > 0):
        raise InputError(f"A part {np.min(thickness):g} mm thick cannot be. Give its thickness in mm.")
    return np.maximum(1.6 - thickness / 1000, 1.0) * en_tensile_mpa(characteristic_mpa)


def aci_bending_mpa(characteristic_mpa: ArrayLike) -> NDArray[np.float64]:
    """Strength in bending (modulus of rupture), whatever the thickness [1]_.

    Parameters
    ----------
    characteristic_mpa : array_like, shape (...)
        Compressive, at the age asked for, 0 or more. [MPa]

    References
    ----------
    .. [1] ACI 318, 19.2.3.1: 0.62 sqrt(fc') (from memory).
    """
    return np.asarray(0.62 * np.sqrt(np.asarray(characteristic_mpa, dtype=float)))


def _checked(characteristic_mpa: ArrayLike) -> NDArray[np.float64]:
    strength = np.asarray(characteristic_mpa, dtype=float)
    if not np.all(strength >= WEAKEST_CHARACTERISTIC_MPA):
        raise InputError(
            f"A characteristic strength of {np.min(strength):g} MPa is below the lowest class, C12/15: EN 1992-1-1 "
            "tells nothing of its tension."
        )
    return strength

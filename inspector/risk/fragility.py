"""How likely a piece is lost when it is demolded at a given strength: the fragility curve.

P(lost | r) = floor + (1 - floor) * Phi((ln theta - ln r) / beta), with r the strength fraction at demolding, theta the
one at which half of the pieces are lost to their age, beta the spread, and floor what is lost at any age (worn mold,
trapped air). The lognormal form is the usual one of fragility curves (Shinozuka et al. 2000, J. Eng. Mech. 126(12)).

Molds are seldom opened where half of the pieces break, so theta is hard to see apart from beta. Curves are fitted in
r10 instead, the strength fraction at which age costs one piece in ten: ln r10 = ln theta + 1.2816 beta.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

__all__ = ["Z_TENTH", "loss_probability", "theta_from_tenth"]

Z_TENTH = float(ndtri(0.1))
"""Standard normal quantile of one in ten, -1.2816."""


def loss_probability(
    strength_fraction: ArrayLike, *, theta: ArrayLike, beta: ArrayLike, floor: ArrayLike
) -> NDArray[np.float64]:
    """Probability that a piece is lost; never rises with the strength.

    Parameters
    ----------
    strength_fraction : array_like, shape (...)
        Strength at demolding as a fraction of the 28-day strength, 0 or more; 0 is lost. [-]
    theta, beta, floor : array_like, shapes that broadcast with it
        Strength fraction at which age costs half of the pieces, above 0 [-]; spread of its logarithm, above 0 [-];
        share lost at any age, 0 to 1 [-].

    Returns
    -------
    probability : ndarray, shape (...)
    """
    with np.errstate(divide="ignore"):  # no strength at all: ln 0 = -inf, and the piece is lost, as wanted
        z = (np.log(theta) - np.log(strength_fraction)) / np.asarray(beta)
    lost_at_any_age = np.asarray(floor)
    return lost_at_any_age + (1 - lost_at_any_age) * ndtr(z)


def theta_from_tenth(tenth: ArrayLike, *, beta: ArrayLike) -> NDArray[np.float64]:
    """Strength fraction at which age costs half of the pieces, from the one at which it costs one in ten. [-]"""
    return np.asarray(tenth * np.exp(Z_TENTH * np.asarray(beta)))

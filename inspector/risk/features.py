"""Which feature breaks: a curve for each feature of each mold, beside that of the whole mold.

A feature's curve is learnt like a mold's, in strengths divided by the r10 of its mold: so all features of a workshop
are alike enough to lean on each other, and each leans on its mold as well.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspector.risk.effects import fit_effects
from inspector.risk.evidence import gather_evidence
from inspector.risk.fragility import Z_TENTH
from inspector.risk.pooling import MoldRisk, Population, fit_molds, mold_risk
from inspector.risk.prior import FEATURE_PRIOR

__all__ = ["fit_features"]


def fit_features(
    *,
    mold: ArrayLike,
    strength_fraction: ArrayLike,
    lost: "list[NDArray[np.bool_]]",
    molds: "tuple[MoldRisk, ...]",
    population: Population | None = None,
) -> "tuple[Population, tuple[tuple[MoldRisk, ...], ...]]":
    """Learn about the features of molds.

    Parameters
    ----------
    mold : array_like of int, shape (n,)
        Which mold each piece is of.
    strength_fraction : array_like, shape (n,)
        At demolding. [-]
    lost : list of ndarray, shape (pieces of the mold, features of the mold)
        By mold, in the order of its pieces: which feature each lost.
    molds : tuple of MoldRisk
        What is believed of each mold.
    population : Population, optional
        What features are like, where that was learnt before from all molds.

    Returns
    -------
    population : Population
    features : tuple
        By mold, then by feature.
    """
    of_mold = np.asarray(mold, dtype=np.intp)
    strengths = np.asarray(strength_fraction, dtype=float)
    tenth = [float(np.exp(risk.weight @ (np.log(risk.theta) - Z_TENTH * risk.beta))) for risk in molds]
    units, values, losses = [], [], []
    unit = 0
    for number, table in enumerate(lost):
        own = strengths[of_mold == number] / tenth[number]
        for column in table.T:
            units.append(np.full(len(own), unit))
            values.append(own)
            losses.append(column)
            unit += 1
    evidence = gather_evidence(
        units=unit,
        unit=np.concatenate([np.zeros(0, dtype=np.intp), *units]),
        strength_fraction=np.concatenate([np.zeros(0), *values]),
        lost=np.concatenate([np.zeros(0, dtype=bool), *losses]),
    )
    if population is None:
        population, found = fit_molds(evidence, fit_effects(evidence, FEATURE_PRIOR), FEATURE_PRIOR)
    else:
        found = tuple(
            mold_risk(
                population,
                gather_evidence(
                    units=1,
                    unit=np.zeros(len(own), dtype=np.intp),
                    strength_fraction=own,
                    lost=column,
                ),
            )
            for own, column in zip(values, losses, strict=True)
        )
    remaining = iter(found)
    return population, tuple(
        tuple(_scaled(next(remaining), tenth[number]) for _ in range(table.shape[1]))
        for number, table in enumerate(lost)
    )


def _scaled(risk: MoldRisk, factor: float) -> MoldRisk:
    return replace(risk, theta=risk.theta * factor, weakest=risk.weakest * factor, strongest=risk.strongest * factor)

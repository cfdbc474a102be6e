"""What was learnt from demolded pieces, in the arrays that risk is computed from."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspector.errors import InputError

__all__ = ["CountedPieces", "Evidence", "count_pieces", "gather_evidence", "join_evidence"]

# Strengths closer than this in their logarithm are counted together: a tenth of the narrowest spread that occurs.
_BIN_LOG_STRENGTH = 0.025


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Demolded pieces, one entry each; a unit is a mold, or a feature of one."""

    units: int
    unit: NDArray[np.intp]
    """(n,) which unit each piece is of, 0 to units - 1."""
    strength_fraction: NDArray[np.float64]
    """(n,) at demolding, above 0. [-]"""
    lost: NDArray[np.bool_]
    """(n,) whether it was lost."""
    pour: NDArray[np.intp]
    """(n,) which pour it is of; -1 where nobody knows."""
    conditions: NDArray[np.float64]
    """(n, k) what else may matter: 0 or 1 for yes or no, hours of wet cure in units of three days."""
    condition_names: tuple[str, ...]
    """k names."""

    def of(self, which: NDArray[np.bool_]) -> "Evidence":
        """Give the pieces that are marked in a mask of shape (n,), of the same units."""
        return Evidence(
            units=self.units,
            unit=self.unit[which],
            strength_fraction=self.strength_fraction[which],
            lost=self.lost[which],
            pour=self.pour[which],
            conditions=self.conditions[which],
            condition_names=self.condition_names,
        )


@dataclass(frozen=True, slots=True, eq=False)
class CountedPieces:
    """Pieces of the same unit, strength and conditions, counted: what a likelihood needs."""

    unit: NDArray[np.intp]
    """(m,), rising."""
    log_strength: NDArray[np.float64]
    """(m,) mean of ln r."""
    conditions: NDArray[np.float64]
    """(m, k)"""
    lost: NDArray[np.float64]
    """(m,) how many were lost."""
    total: NDArray[np.float64]
    """(m,) how many there were."""
    row_of_piece: NDArray[np.intp]
    """(n,) where each piece was counted."""


def gather_evidence(
    *,
    units: int,
    unit: ArrayLike,
    strength_fraction: ArrayLike,
    lost: ArrayLike,
    pour: ArrayLike | None = None,
    conditions: ArrayLike | None = None,
    condition_names: Sequence[str] = (),
) -> Evidence:
    """Put the evidence of a workshop together and check it.

    Parameters
    ----------
    units : int
        How many molds (or features) there are, with pieces or without.
    unit, strength_fraction, lost, pour : array_like, shape (n,)
        As in `Evidence`; without `pour`, each piece counts as of a pour of its own.
    conditions : array_like, shape (n, k), optional
    condition_names : sequence of str, length k

    Raises
    ------
    InputError
        If lengths differ, a strength is not above 0, or a unit is none of those.
    """
    strengths = np.asarray(strength_fraction, dtype=float)
    pieces = strengths.size
    columns = np.zeros((pieces, 0)) if conditions is None else np.asarray(conditions, dtype=float)
    evidence = Evidence(
        units=units,
        unit=np.asarray(unit, dtype=np.intp),
        strength_fraction=strengths,
        lost=np.asarray(lost, dtype=bool),
        pour=np.full(pieces, -1, dtype=np.intp) if pour is None else np.asarray(pour, dtype=np.intp),
        conditions=columns,
        condition_names=tuple(condition_names),
    )
    lengths = {evidence.unit.shape, strengths.shape, evidence.lost.shape, evidence.pour.shape, columns.shape[:1]}
    if lengths != {(pieces,)} or columns.shape != (pieces, len(evidence.condition_names)):
        raise InputError("The evidence has arrays of different lengths. Give one entry a piece in each.")
    if pieces and not (np.all(np.isfinite(strengths)) and strengths.min() > 0):
        raise InputError(
            f"A piece has the strength fraction {strengths[~(strengths > 0)][:1]}, which is not above 0. "
            "Check its pour and demolding times."
        )
    if pieces and not 0 <= evidence.unit.min() <= evidence.unit.max() < units:
        raise InputError(f"A piece is of unit {evidence.unit.max()}, but there are {units}.")
    return evidence


def join_evidence(portions: Sequence[Evidence], *, condition_names: Sequence[str]) -> Evidence:
    """Put evidence of one unit each together; all have the conditions that are named."""
    nothing = gather_evidence(
        units=0,
        unit=[],
        strength_fraction=[],
        lost=[],
        conditions=np.zeros((0, len(condition_names))),
        condition_names=condition_names,
    )
    return Evidence(
        units=len(portions),
        unit=np.repeat(np.arange(len(portions)), [len(portion.unit) for portion in portions]),
        strength_fraction=np.concatenate([each.strength_fraction for each in (nothing, *portions)]),
        lost=np.concatenate([each.lost for each in (nothing, *portions)]),
        pour=np.concatenate([each.pour for each in (nothing, *portions)]),
        conditions=np.concatenate([each.conditions for each in (nothing, *portions)]),
        condition_names=tuple(condition_names),
    )


def count_pieces(evidence: Evidence) -> CountedPieces:
    """Count pieces that a likelihood need not tell apart."""
    log_strength = np.log(evidence.strength_fraction)
    conditions, condition = np.unique(evidence.conditions, axis=0, return_inverse=True)
    bins = np.round(log_strength / _BIN_LOG_STRENGTH).astype(np.int64)
    bins -= bins.min(initial=0)
    key = (evidence.unit * (bins.max(initial=0) + 1) + bins) * max(1, len(conditions)) + condition.reshape(-1)
    _, first, row_of_piece = np.unique(key, return_index=True, return_inverse=True)
    rows = len(first)
    total = np.bincount(row_of_piece, minlength=rows).astype(float)
    return CountedPieces(
        unit=evidence.unit[first],
        log_strength=np.bincount(row_of_piece, weights=log_strength, minlength=rows) / total,
        conditions=evidence.conditions[first],
        lost=np.bincount(row_of_piece, weights=evidence.lost, minlength=rows).astype(float),
        total=total,
        row_of_piece=row_of_piece,
    )

"""Probability of detection over size, with its confidence bound, drawn over what was found and missed.

The curve and its a90/95 come from ``inspector.inspection.hit_miss``. The bound of the whole curve is the same profile
likelihood, asked the other way round: at a given size, the least probability of detection that the data still allow
with one-sided 95 % confidence (MIL-HDBK-1823A, appendix G, from memory). Where it reaches 0.9, it meets a90/95.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar
from scipy.special import logit, ndtri
from scipy.stats import binomtest

from inspector.inspection.hit_miss import STEEPEST, DetectionCurve, fit_hit_miss

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CONFIDENCE = 0.95
SIZE_CLASSES = 6
CURVE_POINTS = 60


@dataclass(frozen=True, slots=True)
class SizedHits:
    """Defects of one kind: how large each is, and whether it was found."""

    sizes_mm: tuple[float, ...]
    found: tuple[bool, ...]


def detection_limit(hits: SizedHits) -> dict[str, Any]:
    """a50, a90 and a90/95 in mm; None where the data give none, and a90/95 None where it lies beyond the largest."""
    curve = fit_hit_miss(hits.sizes_mm, hits.found)
    limit = {"of": len(hits.found), "found": sum(hits.found), "a50": None, "a90": None, "a90_95": None}
    if curve is None:
        return limit
    reached = curve.a90_95 is not None and curve.a90_95 <= max(hits.sizes_mm)
    return limit | {"a50": curve.a50, "a90": curve.a90, "a90_95": curve.a90_95 if reached else None}


def detection_bound(hits: SizedHits, at_mm: Sequence[float]) -> NDArray[np.float64]:
    """Lower 95 % bound of the probability of detection at some sizes, shape (n,).

    Needs a curve: raises ValueError where ``fit_hit_miss`` gives none.
    """
    curve = fit_hit_miss(hits.sizes_mm, hits.found)
    if curve is None:
        raise ValueError("There is no curve to bound: too few defects, or larger ones are not found more often.")
    log_size, found = np.log(hits.sizes_mm), np.array(hits.found)
    best = _loss(_log_odds(curve, log_size), found)
    allowed = ndtri(CONFIDENCE) ** 2 / 2
    return np.array([_bound(log_size, found, float(np.log(size)), curve, best + allowed) for size in at_mm])


def _bound(
    log_size: NDArray[np.float64], found: NDArray[np.bool_], log_a: float, curve: DetectionCurve, most_loss: float
) -> float:
    """The least log odds at one size for which some slope still explains the data, as a probability."""

    def excess(log_odds: float) -> float:
        def loss(log_slope: float) -> float:
            return _loss(log_odds + np.exp(log_slope) * (log_size - log_a), found)

        profile = minimize_scalar(loss, bounds=(-5.0, np.log(STEEPEST)), method="bounded", options={"xatol": 1e-6})
        return float(profile.fun) - most_loss

    top = float(_log_odds(curve, np.array([log_a]))[0])
    for below in np.geomspace(0.05, 60, 40):
        if excess(top - below) > 0:
            return float(1 / (1 + np.exp(-brentq(excess, top - below, top, xtol=1e-6))))
    return 0.0


def _log_odds(curve: DetectionCurve, log_size: NDArray[np.float64]) -> NDArray[np.float64]:
    return logit(0.9) / np.log(curve.a90 / curve.a50) * (log_size - np.log(curve.a50))


def _loss(log_odds: NDArray[np.float64], found: NDArray[np.bool_]) -> float:
    return float(np.sum(np.logaddexp(0, np.where(found, -log_odds, log_odds))))


def draw_detection(axes: Axes, hits: SizedHits, *, size_name: str, wanted_mm: float) -> None:
    """Every hit and miss, shares by size class with exact binomial intervals, the curve and its bound."""
    sizes, found = np.array(hits.sizes_mm), np.array(hits.found, dtype=bool)
    low_mm = min([wanted_mm, *hits.sizes_mm]) * 0.9
    high_mm = max([wanted_mm, *hits.sizes_mm]) * 1.1
    axes.set_xscale("log")
    axes.set_xlim(low_mm, high_mm)
    axes.set_ylim(-0.14, 1.12)
    axes.set_xlabel(f"{size_name}, mm")
    axes.set_ylabel("probability of being found")
    axes.axhline(0.9, color="0.6", linewidth=0.8, linestyle=(0, (1, 2)))
    axes.axvline(wanted_mm, color="0.45", linewidth=1, linestyle="--", label=f"wanted a90/95: {wanted_mm:g} mm")
    for outcome, height, mark in ((found, 1.07, "|"), (~found, -0.09, "x")):
        axes.plot(sizes[outcome], np.full(outcome.sum(), height), mark, color="0.25", markersize=6, markeredgewidth=1)
    bounds = np.geomspace(min(hits.sizes_mm, default=low_mm) * 0.999, high_mm, SIZE_CLASSES + 1)
    for low, high in pairwise(bounds):
        inside = (sizes >= low) & (sizes < high)
        if not inside.any():
            continue
        tried, count = int(inside.sum()), int(found[inside].sum())
        interval = binomtest(count, tried).proportion_ci(0.9, method="exact")
        middle, share = float(np.sqrt(low * high)), count / tried
        axes.plot([middle, middle], [interval.low, interval.high], color="0.35", linewidth=1)
        axes.plot(middle, share, "o", color="white", markeredgecolor="0.1", markersize=6)
        axes.annotate(f"{count}/{tried}", (middle, share), xytext=(6, 4), textcoords="offset points", fontsize=8)
    axes.plot([], [], "o", color="white", markeredgecolor="0.1", label="found / planted, 90 % interval")
    curve = fit_hit_miss(hits.sizes_mm, hits.found)
    if curve is None:
        axes.set_title("no curve: too few, or nearly all alike", loc="left", fontsize=9)
    else:
        at = np.geomspace(low_mm, high_mm, CURVE_POINTS)
        axes.plot(at, [curve.probability(float(size)) for size in at], color="#8a2c10", linewidth=2, label="fit")
        axes.plot(at, detection_bound(hits, at), color="#8a2c10", linewidth=1.2, linestyle="--", label="95 % bound")
        limit = detection_limit(hits)["a90_95"]
        told = "not reached" if limit is None else f"{limit:.2g} mm"
        axes.set_title(f"a90/95: {told}", loc="left", fontsize=9)
    ticks = [tick for tick in (0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 1, 2, 3, 5, 8, 12) if low_mm <= tick <= high_mm]
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()
    axes.figure.legend(fontsize=8, loc="outside lower center", ncols=2, frameon=False)

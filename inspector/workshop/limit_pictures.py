"""Pictures of detection limits: what was found and missed by size, the fitted curve, its bound and a90/95.

Nothing is told by colour alone: hits and misses are other marks at other heights, the bound is dashed.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from inspector.inspection.hit_miss import detection_bound, fit_hit_miss
from inspector.inspection.limits import DetectionLimit, DetectionLimits
from inspector.risk import exact_interval
from inspector.workshop.drawing import INK, IRON, PAPER, SOFT, drawn

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_detection", "limits_picture"]

_SIZE_IN = (7.0, 9.2)
_CURVE_POINTS = 60
_TICKS_MM = (0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 1, 2, 3, 5, 8, 12)
_WHAT = {"chip": ("Chips", "largest extent"), "hairline crack": ("Hairline cracks", "width")}


def limits_picture(measured: DetectionLimits, *, title: str, file_format: Literal["svg", "png"]) -> bytes:
    """Draw both kinds of damage, one above the other.

    Parameters
    ----------
    measured : DetectionLimits
    title : str
        Whose limits they are.
    file_format : {"svg", "png"}
    """

    def draw(figure: "Figure") -> None:
        figure.suptitle(title, x=0.02, ha="left", fontsize=13)
        for axes, limit in zip(figure.subplots(2, 1), (measured.chips, measured.cracks), strict=True):
            _draw_limit(axes, limit)
        named = dict(zip(*reversed(_marks(figure)), strict=True))
        figure.legend(named.values(), named.keys(), fontsize=9, loc="outside lower left", ncols=2, frameon=False)

    return drawn(draw, file_format, size_in=_SIZE_IN)


def _marks(figure: "Figure") -> tuple[list["Artist"], list[str]]:
    """What is to be named, from all axes; what one of them does not show, another may."""
    pairs = [axes.get_legend_handles_labels() for axes in figure.axes]
    return [mark for marks, _ in pairs for mark in marks], [name for _, names in pairs for name in names]


def _draw_limit(axes: "Axes", limit: DetectionLimit) -> None:
    what, size_name = _WHAT[limit.kind]
    sizes, found = [defect.size_mm for defect in limit.defects], [defect.found for defect in limit.defects]
    draw_detection(
        axes, sizes, found,
        size_name=size_name,
        shown_mm=(0.93 * limit.smallest_mm, 1.08 * limit.largest_mm),
        classes_mm=[limit.smallest_mm, *(one.high_mm for one in limit.classes)],
    )  # fmt: skip
    reached = limit.reached_mm
    if reached is not None:
        axes.axvline(reached, color=INK, linewidth=1.2, linestyle=(0, (5, 2, 1, 2)))
        axes.plot(reached, 0.9, "D", color=PAPER, markeredgecolor=INK, markersize=8)
        words, side = f"a90/95\n{reached:.2f} mm", -1 if reached > np.sqrt(limit.smallest_mm * limit.largest_mm) else 1
        axes.annotate(
            words, (reached, 0.12), xytext=(6 * side, 0), textcoords="offset points", fontsize=10,
            ha="left" if side > 0 else "right",
        )  # fmt: skip
    told = "a90/95 not reached" if reached is None else f"a90/95 {reached:.2f} mm"
    axes.set_title(f"{what}: {limit.found} of {limit.planted} found, {told}", loc="left", fontsize=11)


def draw_detection(
    axes: "Axes",
    sizes_mm: Sequence[float],
    found: Sequence[bool],
    *,
    size_name: str,
    shown_mm: tuple[float, float],
    classes_mm: Sequence[float],
) -> None:
    """Draw every hit and miss, shares by size class with exact intervals, the curve and its bound, if there is one.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    sizes_mm, found
        Of each defect.
    size_name : str
        What its size is.
    shown_mm : tuple of float
        From where to where the sizes reach.
    classes_mm : sequence of float
        Where each size class begins, and the last ends.
    """
    sizes, hit = np.asarray(sizes_mm, dtype=float), np.asarray(found, dtype=bool)
    low_mm, high_mm = shown_mm
    axes.set_xscale("log")
    axes.set_xlim(low_mm, high_mm)
    axes.set_ylim(-0.14, 1.12)
    axes.set_xlabel(f"{size_name} [mm]")
    axes.set_ylabel("probability of being found")
    axes.axhline(0.9, color=SOFT, linewidth=0.8, linestyle=(0, (1, 2)))
    for outcome, height, mark, word in ((hit, 1.07, "|", "found"), (~hit, -0.09, "x", "missed")):
        axes.plot(
            sizes[outcome], np.full(outcome.sum(), height), mark, color=INK, markersize=7, markeredgewidth=1.2,
            label=f"{word}, one defect each",
        )  # fmt: skip
    for low, high in pairwise(classes_mm):
        inside = (sizes >= low) & (sizes < high)
        if not inside.any():
            continue
        tried, count = int(inside.sum()), int(hit[inside].sum())
        interval, middle = exact_interval(count, tried), float(np.sqrt(low * high))
        axes.plot([middle, middle], [interval.low, interval.high], color=SOFT, linewidth=1.2)
        axes.plot(middle, interval.mean, "o", color=PAPER, markeredgecolor=INK, markersize=6)
        axes.annotate(
            f"{count}/{tried}", (middle, interval.mean), xytext=(6, 4), textcoords="offset points", fontsize=8.5
        )
    axes.plot([], [], "o", color=PAPER, markeredgecolor=INK, label="found / planted, 90 % interval")
    curve = fit_hit_miss(sizes_mm, found)
    if curve is not None:
        at = np.geomspace(low_mm, high_mm, _CURVE_POINTS)
        axes.plot(at, [curve.probability(float(size)) for size in at], color=IRON, linewidth=2, label="fitted curve")
        bound = detection_bound(sizes_mm, found, at.tolist())
        axes.plot(at, bound, color=IRON, linewidth=1.3, linestyle="--", label="its lower 95 % bound")
    ticks = [tick for tick in _TICKS_MM if low_mm <= tick <= high_mm]
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()

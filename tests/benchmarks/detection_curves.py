"""Probability of detection over size, with its confidence bound, drawn over what was found and missed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from inspector.inspection.hit_miss import fit_hit_miss
from inspector.workshop import limit_pictures

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIZE_CLASSES = 6


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


def draw_detection(axes: Axes, hits: SizedHits, *, size_name: str, wanted_mm: float) -> None:
    """What `inspector limits` draws, with the limit that is wanted."""
    low_mm = min([wanted_mm, *hits.sizes_mm]) * 0.9
    high_mm = max([wanted_mm, *hits.sizes_mm]) * 1.1
    sizes_mm = hits.sizes_mm or (low_mm, high_mm)
    classes_mm = np.geomspace(min(sizes_mm) * 0.999, max(sizes_mm) * 1.001, SIZE_CLASSES + 1)
    limit_pictures.draw_detection(
        axes,
        hits.sizes_mm,
        hits.found,
        size_name=size_name,
        shown_mm=(low_mm, high_mm),
        classes_mm=classes_mm.tolist(),
    )
    axes.axvline(wanted_mm, color="0.45", linewidth=1, linestyle="--", label=f"wanted a90/95: {wanted_mm:g} mm")
    limit = detection_limit(hits)
    if limit["a50"] is None:
        axes.set_title("no curve: too few, or nearly all alike", loc="left", fontsize=9)
    else:
        told = "not reached" if limit["a90_95"] is None else f"{limit['a90_95']:.2g} mm"
        axes.set_title(f"a90/95: {told}", loc="left", fontsize=9)
    axes.figure.legend(fontsize=8, loc="outside lower center", ncols=2, frameon=False)

"""What an inspection found and missed of what is true of a photo.

The rule: a finding, grown by 1 mm, hits a defect when it covers at least a quarter of the smaller of the two areas.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from inspector.inspection.limits import GROWN_MM, LEAST_SHARED

# The whole crack counts as covered where a finding, grown by as much, lies over its centre line.
COVERED_WITHIN_MM = 1.0


def judge_photo(truth: Mapping[str, Any], inspection: Mapping[str, Any], *, folder_photo: str) -> dict[str, Any]:
    """Compare one inspection (in its JSON form) with the truth.

    Returns
    -------
    dict
        The photo's own facts, one row a defect (hit or not, sizes, overlap), and which findings hit nothing.
    """
    px_per_mm = float(truth["px_per_mm"])
    findings = inspection["findings"]
    areas = [polygon(finding["polygon"]) for finding in findings]
    grown = [area.buffer(GROWN_MM * px_per_mm) for area in areas]
    hitting: set[int] = set()
    defects = []
    for number, defect in enumerate(truth.get("defects", [])):
        real = polygon(defect["polygon"])
        hits = [k for k, area in enumerate(grown) if is_hit(area, real)]
        hitting.update(hits)
        defects.append(_judge_defect(defect, real, hits, findings, areas, px_per_mm) | {"number": number})
    return {
        "photo": folder_photo,
        "mold": truth["mold"],
        "px_per_mm": px_per_mm,
        "good": bool(truth["good"]),
        "truly_unusable": truth.get("unusable"),
        "light": truth.get("light", "not told"),
        "mat": truth.get("mat", "not told"),
        "notes": list(truth.get("notes", [])),
        "tilt_deg": truth.get("camera", {}).get("tilt_deg"),
        "status": inspection["status"],
        "reason": inspection["reason"],
        "score": inspection["score"],
        "seconds": inspection["seconds"],
        "defects": defects,
        "findings": [
            {key: finding[key] for key in finding if key != "polygon"}
            | {"hits": k in hitting, "polygon": finding["polygon"]}
            for k, finding in enumerate(findings)
        ],
    }


def is_hit(grown: BaseGeometry, real: BaseGeometry) -> bool:
    """Whether a finding that was grown covers enough of a defect, or the defect of it."""
    smaller = min(grown.area, real.area)
    return bool(smaller > 0 and grown.intersection(real).area >= LEAST_SHARED * smaller)


def _judge_defect(
    defect: Mapping[str, Any],
    real: BaseGeometry,
    hits: Sequence[int],
    findings: Sequence[Mapping[str, Any]],
    areas: Sequence[BaseGeometry],
    px_per_mm: float,
) -> dict[str, Any]:
    kinds = [findings[k]["kind"] for k in hits]
    same = [findings[k] for k in hits if findings[k]["kind"] == defect["kind"]]
    together = shapely.union_all([areas[k] for k in hits]) if hits else Polygon()
    row: dict[str, Any] = {
        "kind": defect["kind"],
        "extent_mm": defect["extent_mm"],
        "area_mm2": defect["area_mm2"],
        "crack_width_mm": defect["width_mm"] if defect["kind"] == "hairline crack" else None,
        "feature": defect.get("feature"),
        "hit": bool(hits),
        "kinds_found": kinds,
        "kind_right": bool(same),
        "iou": together.intersection(real).area / together.union(real).area if hits else None,
        "covered": None,
        "width_error_mm": None,
        "length_ratio": None,
    }
    largest = max(same, key=lambda finding: finding["length_mm"] or 0.0, default=None)
    if defect["kind"] == "hairline crack":
        row["covered"] = _covered(defect["path"], together.buffer(COVERED_WITHIN_MM * px_per_mm))
        if largest is not None and largest["width_mm"] is not None:
            row["width_error_mm"] = largest["width_mm"] - defect["width_mm"]
    elif largest is not None and largest["length_mm"] is not None:
        row["length_ratio"] = largest["length_mm"] / defect["extent_mm"]
    return row


def _covered(path: ArrayLike, found: BaseGeometry) -> float:
    """Share of a crack's length under the findings that hit it."""
    line = LineString(np.asarray(path, dtype=float))
    return float(line.intersection(found).length / line.length) if line.length > 0 else 0.0


def polygon(points_xy: ArrayLike) -> BaseGeometry:
    points = np.asarray(points_xy, dtype=float).reshape(-1, 2)
    if len(points) < 3:
        return Polygon()
    polygon = Polygon(points)
    return polygon if polygon.is_valid else polygon.buffer(0)

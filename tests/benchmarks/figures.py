"""The figures of judged photos: what is found, what is flagged wrongly, by scale, light, references and condition."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from scipy.stats import rankdata

from inspector.inspection import KINDS
from inspector.log.standings import sureness
from tests.benchmarks.detection_curves import SizedHits, detection_limit
from tests.benchmarks.places import PLACES

# Photos are taken at about 5 or about 13 px/mm; nothing lies between.
FINE_FROM_PX_PER_MM = 9.0
COARSE, FINE = "about 5 px/mm", "about 13 px/mm"
# A camera tilted further than this makes a piece look different.
TILTED_DEG = 10.0
# An area under the curve of fewer photos than this on either side is a matter of chance.
FEWEST_FOR_AUROC = 5

Row = dict[str, Any]
Rows = list[tuple[str, ...]]


def split_by_scale(photos: Sequence[Row]) -> dict[str, list[Row]]:
    """All photos, and those of each scale by what their own truth says; scales without a photo are left out."""
    parts = {
        "all": list(photos),
        COARSE: [row for row in photos if row["px_per_mm"] < FINE_FROM_PX_PER_MM],
        FINE: [row for row in photos if row["px_per_mm"] >= FINE_FROM_PX_PER_MM],
    }
    return {name: part for name, part in parts.items() if part}


def split_by_circumstance(photos: Sequence[Row]) -> dict[str, dict[str, list[Row]]]:
    """Usable photos by light, by mat, by mold, and by what is hard about them; a photo may be in several of these."""
    usable = [row for row in photos if row["truly_unusable"] is None]

    def by(name: str) -> dict[str, list[Row]]:
        values = sorted({row[name] for row in usable})
        return {value: [row for row in usable if row[name] == value] for value in values}

    conditions: dict[str, list[Row]] = {}
    for row in usable:
        hard = [note for note in row["notes"] if note != "defect out of sight"]
        if row["tilt_deg"] is not None and row["tilt_deg"] > TILTED_DEG:
            hard.append(f"camera tilted over {TILTED_DEG:.0f} degrees")
        if len(row["defects"]) > 1:
            hard.append("two defects or more")
        for condition in hard or ["nothing special"]:
            conditions.setdefault(condition, []).append(row)
    return {"light": by("light"), "condition": dict(sorted(conditions.items())), "mat": by("mat"), "mold": by("mold")}


def summarise(photos: Sequence[Row]) -> Row:
    """The figures of some photos; None where nothing can be said."""
    usable = [row for row in photos if row["truly_unusable"] is None]
    unusable = [row for row in photos if row["truly_unusable"] is not None]
    good = [row for row in usable if row["good"]]
    broken = [row for row in usable if not row["good"]]
    defects = [defect for row in usable for defect in row["defects"]]
    cracks = [d for d in defects if d["kind"] == "hairline crack"]
    outlined = [d for d in defects if d["kind"] in ("missing feature", "chip")]
    wrong = [f for row in good for f in row["findings"] if not f["hits"]]
    wrong_on_broken = [f for row in broken for f in row["findings"] if not f["hits"]]
    width_errors = [d["width_error_mm"] for d in cracks if d["width_error_mm"] is not None]
    return {
        "photos": len(photos),
        "found": {name: _share(d["hit"] for d in defects if choose(d)) for name, choose in BINS.items()},
        "kind_right_of_hits": _share(d["kind_right"] for d in defects if d["hit"]),
        "good_pieces": len(good),
        "false_per_good_piece": len(wrong) / len(good) if good else None,
        "false_by_kind": dict(Counter(f["kind"] for f in wrong)),
        "good_without_finding": _share(not row["findings"] and row["status"] == "inspected" for row in good),
        "false_per_broken_piece": len(wrong_on_broken) / len(broken) if broken else None,
        "auroc_of_score": _auroc(
            [row["score"] for row in broken if row["status"] == "inspected"],
            [row["score"] for row in good if row["status"] == "inspected"],
        ),
        "iou_of_hits": _median(d["iou"] for d in outlined if d["hit"]),
        "iou_of_all": _median(d["iou"] if d["hit"] else 0.0 for d in outlined),
        "length_ratio": _median(d["length_ratio"] for d in outlined if d["length_ratio"] is not None),
        "crack_length_covered": _median(d["covered"] for d in cracks),
        "crack_length_covered_of_hits": _median(d["covered"] for d in cracks if d["hit"]),
        "crack_width_error_mm": _median(abs(e) for e in width_errors),
        "crack_width_bias_mm": _median(width_errors),
        "detection_limit": {name: detection_limit(hits) for name, hits in sized_hits(photos).items()},
        "usable_refused": _share(row["status"] != "inspected" for row in usable),
        "wrong_in_least_sure_third": _share(_in_least_sure_third(usable)),
        "unusable_refused": _share(row["status"] == "unusable" for row in unusable),
        "median_seconds": _median(row["seconds"] for row in photos)["median"],
    }


def found_by_place(photos: Sequence[Row]) -> dict[str, Row]:
    """Of the defects at each place of usable photos, the share that is found, by kind and of all kinds."""
    defects = [defect for row in photos if row["truly_unusable"] is None for defect in row["defects"]]
    told = {}
    for place in PLACES:
        here = [defect for defect in defects if defect["place"] == place]
        by_kind = {kind: _share(d["hit"] for d in here if d["kind"] == kind) for kind in KINDS}
        told[place] = by_kind | {"any defect": _share(d["hit"] for d in here)}
    return told


def _in_least_sure_third(photos: Sequence[Row]) -> list[bool]:
    """Of each photo that is wrongly called good or broken: whether its score is in the least sure third."""
    order = sorted(photos, key=lambda row: sureness(row["score"]))
    return [
        place < len(order) / 3
        for place, row in enumerate(order)
        if (bool(row["findings"]) if row["good"] else not any(finding["hits"] for finding in row["findings"]))
    ]


def sized_hits(photos: Sequence[Row]) -> dict[str, SizedHits]:
    """Size of each defect, and whether it was found, for the kinds that have a detection limit."""
    defects = [defect for row in photos if row["truly_unusable"] is None for defect in row["defects"]]
    found = {}
    for name, (kind, size) in LIMITS.items():
        chosen = [d for d in defects if d["kind"] == kind]
        found[name] = SizedHits(tuple(d[size] for d in chosen), tuple(d["hit"] for d in chosen))
    return found


def _bin(kind: str, size: str, low: float, high: float = np.inf) -> Callable[[Row], bool]:
    return lambda defect: bool(defect["kind"] == kind and low <= defect[size] < high)


BINS: dict[str, Callable[[Row], bool]] = {
    "missing feature >= 8 mm": _bin("missing feature", "extent_mm", 8.0),
    "missing feature < 8 mm": _bin("missing feature", "extent_mm", 0.0, 8.0),
    "chip >= 4 mm": _bin("chip", "extent_mm", 4.0),
    "chip 2 to 4 mm": _bin("chip", "extent_mm", 2.0, 4.0),
    "chip < 2 mm": _bin("chip", "extent_mm", 0.0, 2.0),
    "crack >= 0.4 mm": _bin("hairline crack", "crack_width_mm", 0.4),
    "crack 0.2 to 0.4 mm": _bin("hairline crack", "crack_width_mm", 0.2, 0.4),
    "crack < 0.2 mm": _bin("hairline crack", "crack_width_mm", 0.0, 0.2),
    "surface void": _bin("surface void", "extent_mm", 0.0),
    "excess": _bin("excess", "extent_mm", 0.0),
    "any defect": lambda defect: defect["extent_mm"] > 0,
}

# Chips by their largest visible extent, cracks by their width.
LIMITS = {"chip": ("chip", "extent_mm"), "hairline crack": ("hairline crack", "crack_width_mm")}


def _share(values: Iterable[bool]) -> Row:
    listed = list(values)
    return {"of": len(listed), "count": sum(listed), "share": sum(listed) / len(listed) if listed else None}


def _median(values: Iterable[float]) -> Row:
    listed = list(values)
    return {"of": len(listed), "median": float(np.median(listed)) if listed else None}


def _auroc(positive: Sequence[float], negative: Sequence[float]) -> Row:
    """Probability that a broken piece has the higher score (Mann-Whitney), ties counted half."""
    counts = {"broken": len(positive), "good": len(negative)}
    if not positive or not negative:
        return counts | {"auroc": None}
    ranks = rankdata([*positive, *negative])[: len(positive)]
    wins = float(ranks.sum()) - len(positive) * (len(positive) + 1) / 2
    return counts | {"auroc": wins / (len(positive) * len(negative))}


# How each figure is told, in a table cell, and a table of these.


def markdown_table(head: Sequence[str], rows: Rows) -> str:
    """A table as the README has them."""
    lines = [head, ["---"] * len(head), *rows]
    return "".join("| " + " | ".join(line) + " |\n" for line in lines)


def shown_share(share: Mapping[str, Any]) -> str:
    return "-" if share["of"] == 0 else f"{share['count']} of {share['of']} ({100 * share['share']:.0f} %)"


def shown_number(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def shown_median(median: Mapping[str, Any], digits: int = 2) -> str:
    return "-" if median["of"] == 0 else f"{median['median']:.{digits}f} (of {median['of']})"


def shown_auroc(auroc: Mapping[str, Any]) -> str:
    if min(auroc["broken"], auroc["good"]) < FEWEST_FOR_AUROC:
        return "-"
    return f"{auroc['auroc']:.3f} ({auroc['broken']} broken, {auroc['good']} good)"


def shown_limit(limit: Mapping[str, Any]) -> str:
    """The detection limit, or why there is none."""
    counts = f"{limit['found']} of {limit['of']} found"
    if limit["a90"] is None:
        return f"no curve ({counts})"
    if limit["a90_95"] is None:
        return f"not reached ({counts}, a90 {limit['a90']:.2g} mm)"
    return f"{limit['a90_95']:.2g} mm ({counts}, a90 {limit['a90']:.2g} mm)"

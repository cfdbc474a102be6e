"""What dismissing teaches: the false findings of half of the good pieces are dismissed, and the others looked at again.

    python -m tests.benchmarks.teaching FOLDER [--references 3] [--workers 2] [--scars]

Prints for the good pieces of the other half, and for all broken ones, what was flagged before and after, both ways.
With ``--scars`` a hollow is planted at the same place of each good piece, as a mold with a scar would leave it, and
dismissed on more and more of the other pieces; a hollow twice as large at that place tells what is not seen for it.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import repeat
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from shapely.geometry.base import BaseGeometry

from inspector.aligning.warp import Warp
from inspector.inspection import Finding, MoldModel, ReviewedPlace, with_reviews
from inspector.inspection.candidates import Candidate
from inspector.inspection.evidence import Evidence
from inspector.inspection.findings import findings_from, polygon_of
from inspector.inspection.inspecting import match_model
from inspector.inspection.limits import GROWN_MM
from inspector.inspection.painted_damage import plant_chip
from inspector.inspection.view import View, look_at
from tests.benchmarks.bench_folder import BenchMold, matched_photos, model_of, read_bench
from tests.benchmarks.judging import is_hit, polygon

SCAR_MM = 8.0
DISMISSALS = (0, 1, 2, 3, 5)
SEED = 1


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure a folder and print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.teaching", description=__doc__)
    parser.add_argument("folder", type=Path, help="folder with truth.json")
    parser.add_argument("--references", type=int, default=3, help="the first N references of each mold (default 3)")
    parser.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--scars", action="store_true", help="plant what a mold would leave on each piece")
    options = parser.parse_args(arguments)
    molds = read_bench(options.folder)
    total: Counter[str] = Counter()
    measure, told = (scar_mold, scars_told) if options.scars else (teach_mold, line_of)
    with ProcessPoolExecutor(options.workers, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        for mold, counts in zip(molds, pool.map(measure, molds, repeat(options.references)), strict=True):
            total += counts
            print(f"{mold.name}: {told(counts)}", flush=True)
    print(f"\nall: {told(total)}")


def teach_mold(mold: BenchMold, references: int) -> Counter[str]:
    """Dismiss the false findings of each half of a mold's good pieces in turn, and count on the other photos."""
    model = model_of(mold.folder, most_references=references)
    good = [path for path, truth in mold.photos if truth["good"] and not truth.get("unusable")]
    counts: Counter[str] = Counter()
    for half in (set(good[::2]), set(good[1::2])):
        taught: list[ReviewedPlace] = []
        for number, (_, truth, view, warp, evidence) in enumerate(matched_photos(_only(mold, half), model)):
            judged = findings_from(view, model, warp, evidence, px_per_mm=truth["px_per_mm"])
            taught.extend(
                ReviewedPlace(*one.on_references[0], one.kind, number, one.confidence, confirmed=False)
                for one in judged.findings
            )
        after = with_reviews(model, taught)
        others = {path for path, _ in mold.photos} - half
        counts["dismissed"] += len(taught)
        for _, truth, view, warp, evidence in matched_photos(_only(mold, others), model):
            for name, known in (("before", model), ("after", after)):
                judged = findings_from(view, known, warp, evidence, px_per_mm=truth["px_per_mm"])
                counts += count_found(judged.findings, truth, name)
    return counts


def scar_mold(mold: BenchMold, references: int) -> Counter[str]:
    """Plant the same hollow into each good piece of a mold, and count where it is flagged after dismissals."""
    model = model_of(mold.folder, most_references=references)
    good = {path for path, truth in mold.photos if truth["good"] and not truth.get("unusable")}
    deep = np.argwhere(model.inside_mm > min(SCAR_MM, 0.6 * float(model.inside_mm.max())))
    row, column = deep[np.random.default_rng(SEED).integers(len(deep))]
    place = int(column), int(row)
    taught: list[ReviewedPlace] = []
    for planted in _planted(mold, good, model, place, SCAR_MM):
        taught += [
            ReviewedPlace(*one.on_references[0], one.kind, planted.number, one.confidence, confirmed=False)
            for one in planted.findings(model)
        ]
    counts: Counter[str] = Counter()
    for name, extent_mm in (("scar", SCAR_MM), ("larger", 2 * SCAR_MM)):
        for planted in _planted(mold, good, model, place, extent_mm):
            others = [said for said in taught if said.piece != planted.number]
            pieces = sorted({said.piece for said in others})
            for dismissals in DISMISSALS:
                if len(pieces) >= dismissals:
                    known = [said for said in others if said.piece in pieces[:dismissals]]
                    counts[f"{name} tried {dismissals}"] += 1
                    counts[f"{name} flagged {dismissals}"] += bool(planted.findings(with_reviews(model, known)))
    return counts


def scars_told(counts: Counter[str]) -> str:
    """Tell counts of scars in a line."""
    told = [
        f"{name} "
        + ", ".join(f"{counts[f'{name} flagged {n}']}/{counts[f'{name} tried {n}']} after {n}" for n in DISMISSALS)
        for name in ("scar", "larger")
    ]
    return "flagged at the place: " + "; ".join(told)


@dataclass(frozen=True, slots=True, eq=False)
class _Planted:
    """A photo with a hollow planted, laid over the references."""

    number: int
    area: BaseGeometry
    view: View
    warp: Warp
    evidence: Evidence
    px_per_mm: float

    def findings(self, model: MoldModel) -> list[Finding]:
        """What is flagged at the hollow."""
        judged = findings_from(self.view, model, self.warp, self.evidence, px_per_mm=self.px_per_mm)
        grown = [(one, polygon(one.polygon_xy).buffer(GROWN_MM * self.px_per_mm)) for one in judged.findings]
        return [one for one, area in grown if is_hit(area, self.area)]


def _planted(
    mold: BenchMold, paths: set[Path], model: MoldModel, place: tuple[int, int], extent_mm: float
) -> Iterator[_Planted]:
    """The good pieces with a hollow of chance shape at a place of the box, each in its own light."""
    reach = round(0.75 * extent_mm * model.px_per_mm)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)) * 255
    spot = Candidate("damage", disc, place[0] - reach, place[1] - reach, {})
    for number, (_, truth, view, warp, _) in enumerate(matched_photos(_only(mold, paths), model)):
        free = np.zeros(view.gray.shape, np.uint8)
        cv2.fillPoly(free, [np.round(polygon_of(spot, view, warp)).astype(np.int32)], 1)
        rng = np.random.default_rng([SEED, number])
        scale = truth["px_per_mm"]
        damage = plant_chip(view.photo.image_bgr, free > 0, extent_mm=extent_mm, px_per_mm=scale, rng=rng)
        if damage is None:
            continue
        photo = replace(view.photo, image_bgr=damage.image_bgr)
        again = look_at(photo, thorough=False)
        matched = match_model(again, model)
        if matched is not None:
            contours, _ = cv2.findContours(damage.mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            area = polygon(max(contours, key=cv2.contourArea).reshape(-1, 2))
            yield _Planted(number, area, again, *matched, scale)


def count_found(findings: Sequence[Finding], truth: dict[str, Any], name: str) -> Counter[str]:
    """Count what is right and wrong among the findings of a photo."""
    grown = [polygon(finding.polygon_xy).buffer(GROWN_MM * truth["px_per_mm"]) for finding in findings]
    real = [polygon(defect["polygon"]) for defect in truth["defects"]]
    kind = "good" if truth["good"] else "broken"
    return Counter(
        {
            f"{kind} {name}": 1,
            f"{kind} false {name}": sum(not any(is_hit(area, one) for one in real) for area in grown),
            f"found {name}": sum(any(is_hit(area, one) for area in grown) for one in real),
            f"defects {name}": len(real),
        }
    )


def line_of(counts: Counter[str]) -> str:
    """Tell counts in a line."""
    return (
        f"{counts['dismissed']} dismissed; false on {counts['good before']} good pieces "
        f"{counts['good false before']} -> {counts['good false after']}, on {counts['broken before']} broken ones "
        f"{counts['broken false before']} -> {counts['broken false after']}; of {counts['defects before']} defects "
        f"{counts['found before']} -> {counts['found after']} found"
    )


def _only(mold: BenchMold, paths: set[Path]) -> BenchMold:
    return BenchMold(mold.name, mold.folder, tuple(one for one in mold.photos if one[0] in paths))


if __name__ == "__main__":
    main()

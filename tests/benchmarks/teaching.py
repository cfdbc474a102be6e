"""What dismissing teaches: the false findings of half of the good pieces are dismissed, and the others looked at again.

    python -m tests.benchmarks.teaching FOLDER [--references 3] [--workers 2]

Prints for the good pieces of the other half, and for all broken ones, what was flagged before and after, both ways.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat
from pathlib import Path
from typing import Any

import cv2

from inspector.inspection import Finding, ReviewedPlace, with_reviews
from inspector.inspection.findings import findings_from
from inspector.inspection.limits import GROWN_MM
from tests.benchmarks.bench_folder import BenchMold, matched_photos, model_of, read_bench
from tests.benchmarks.judging import is_hit, polygon


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure a folder and print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.teaching", description=__doc__)
    parser.add_argument("folder", type=Path, help="folder with truth.json")
    parser.add_argument("--references", type=int, default=3, help="the first N references of each mold (default 3)")
    parser.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    options = parser.parse_args(arguments)
    molds = read_bench(options.folder)
    total: Counter[str] = Counter()
    with ProcessPoolExecutor(options.workers, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        for mold, counts in zip(molds, pool.map(teach_mold, molds, repeat(options.references)), strict=True):
            total += counts
            print(f"{mold.name}: {line_of(counts)}", flush=True)
    print(f"\nall: {line_of(total)}")


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

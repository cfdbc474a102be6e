"""How much is found, how much is flagged wrongly: scores a folder of photos with truth.

    python -m tests.benchmarks.score sample_images [--references N] [--molds A,B] [--json OUT] [--sheet OUT.jpg]

Prints a table, for all photos and apart for about 5 and about 13 px/mm, and writes everything behind it as JSON.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.stats import rankdata

from inspector.errors import InspectorError
from inspector.imaging.reading import read_photo
from inspector.inspection import MoldModel, inspect_photo
from inspector.inspection.hit_miss import fit_hit_miss
from tests.benchmarks.bench_folder import BenchMold, model_of, read_bench
from tests.benchmarks.judging import judge_photo
from tests.benchmarks.sheet import draw_sheet

WORKERS = 2
# Photos are taken at about 5 or about 13 px/mm; nothing lies between.
FINE_FROM_PX_PER_MM = 9.0

Row = dict[str, Any]


def main(arguments: Sequence[str] | None = None) -> int:
    """Score a folder; 1 when a mold could not be scored at all."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.score", description=__doc__)
    parser.add_argument("folder", type=Path, help="folder with truth.json")
    parser.add_argument("--references", type=int, help="use only the first N references of each mold")
    parser.add_argument("--molds", default="", help="only these molds, separated by commas")
    parser.add_argument("--workers", type=int, default=WORKERS, help="processes (default 2)")
    parser.add_argument("--json", type=Path, help="write everything to this file")
    parser.add_argument("--sheet", type=Path, help="picture of what was missed and what was flagged wrongly")
    options = parser.parse_args(arguments)
    molds = read_bench(options.folder, molds=tuple(filter(None, options.molds.split(","))))
    began = time.perf_counter()
    photos, failed = _inspect_all(molds, options.references, options.workers)
    print(f"\n{len(photos)} photos of {len(molds)} molds in {time.perf_counter() - began:.0f} s")
    summaries = {name: summarise(part) for name, part in split_by_scale(photos).items()}
    print_table(summaries)
    if options.json is not None:
        content = {
            "folder": str(options.folder),
            "references": options.references,
            "summary": summaries,
            "photos": photos,
        }
        options.json.write_text(json.dumps(content, indent=1), encoding="utf-8")
        print(f"All of it: {options.json}")
    if options.sheet is not None:
        cv2.imwrite(str(options.sheet), draw_sheet(options.folder, photos), [cv2.IMWRITE_JPEG_QUALITY, 85])
        print(f"Misses (green) and false findings (red): {options.sheet}")
    for sentence in failed:
        print(sentence, file=sys.stderr)
    return 1 if failed else 0


def score_photo(path: Path, truth: Mapping[str, Any], model: MoldModel) -> Row:
    """Inspect one photo and judge the outcome."""
    photo = read_photo(path.read_bytes(), name=path.name)
    return judge_photo(truth, inspect_photo(photo, model).as_json(), folder_photo=str(truth["photo"]))


def split_by_scale(photos: Sequence[Row]) -> dict[str, list[Row]]:
    """All photos, and those of each scale."""
    parts = {
        "all": list(photos),
        "5 px/mm": [row for row in photos if row["px_per_mm"] < FINE_FROM_PX_PER_MM],
        "13 px/mm": [row for row in photos if row["px_per_mm"] >= FINE_FROM_PX_PER_MM],
    }
    return {name: part for name, part in parts.items() if part}


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
        "median_iou_of_hits": _median(d["iou"] for d in outlined if d["hit"]),
        "median_length_ratio": _median(d["length_ratio"] for d in outlined if d["length_ratio"] is not None),
        "crack_length_covered": _mean(d["covered"] for d in cracks if d["crack_width_mm"] >= 0.4),
        "crack_width_error_mm": {"bias": _median(width_errors), "absolute": _median(abs(e) for e in width_errors)},
        "detection_limit": {name: _limit(defects, kind, size) for name, (kind, size) in LIMITS.items()},
        "usable_refused": _share(row["status"] != "inspected" for row in usable),
        "unusable_refused": _share(row["status"] == "unusable" for row in unusable),
        "median_seconds": _median(row["seconds"] for row in photos),
    }


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

LIMITS = {
    "missing feature, extent mm": ("missing feature", "extent_mm"),
    "chip, extent mm": ("chip", "extent_mm"),
    "crack, width mm": ("hairline crack", "crack_width_mm"),
}


def print_table(summaries: Mapping[str, Row]) -> None:
    """Print the figures, one column a group of photos."""
    columns = list(summaries)
    print(f"\n{'':34}" + "".join(f"{name:>22}" for name in columns))
    for name in BINS:
        _print_row(f"found: {name}", [_shown_share(s["found"][name]) for s in summaries.values()])
    shares = {"kind right, of those found": "kind_right_of_hits", "good pieces without finding": "good_without_finding"}
    refused = {"usable photos refused": "usable_refused", "unusable photos refused": "unusable_refused"}
    numbers = {
        "false findings per good piece": "false_per_good_piece",
        "false findings per broken piece": "false_per_broken_piece",
        "AUROC of the score": "auroc_of_score",
        "IoU of what was hit, median": "median_iou_of_hits",
        "length found / true, median": "median_length_ratio",
        "crack length covered (>= 0.4 mm)": "crack_length_covered",
    }
    for name, key in shares.items():
        _print_row(name, [_shown_share(s[key]) for s in summaries.values()])
    for name, key in numbers.items():
        _print_row(name, [_shown(s[key]) for s in summaries.values()])
    for name in ("bias", "absolute"):
        _print_row(
            f"crack width error, {name}, mm", [_shown(s["crack_width_error_mm"][name]) for s in summaries.values()]
        )
    for name in LIMITS:
        _print_row(f"a90 (a90/95): {name}", [_shown_limit(s["detection_limit"][name]) for s in summaries.values()])
    for name, key in refused.items():
        _print_row(name, [_shown_share(s[key]) for s in summaries.values()])
    _print_row("seconds a photo, median", [_shown(s["median_seconds"]) for s in summaries.values()])
    for column, summary in summaries.items():
        if summary["false_by_kind"]:
            kinds = ", ".join(f"{count} {kind}" for kind, count in summary["false_by_kind"].items())
            print(f"false on {summary['good_pieces']} good pieces, {column}: {kinds}")


def _inspect_all(molds: Sequence[BenchMold], references: int | None, workers: int) -> tuple[list[Row], list[str]]:
    """All photos, molds side by side; and a sentence for each mold that could not be inspected."""
    photos: list[Row] = []
    failed = []
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        jobs = {pool.submit(_inspect_mold, mold, references): mold for mold in molds}
        for done, job in enumerate(as_completed(jobs), start=1):
            rows, sentence = job.result()
            photos.extend(rows)
            if sentence is not None:
                failed.append(sentence)
            print(f"{done} of {len(molds)}: {jobs[job].name}, {len(rows)} photos", flush=True)
    return sorted(photos, key=lambda row: row["photo"]), failed


def _inspect_mold(mold: BenchMold, references: int | None) -> tuple[list[Row], str | None]:
    try:
        model = model_of(mold.folder, most_references=references)
    except InspectorError as error:
        return [], f"Mold {mold.name} could not be scored: {error}"
    return [score_photo(path, truth, model) for path, truth in mold.photos], None


def _share(values: Iterable[bool]) -> Row:
    listed = list(values)
    return {"of": len(listed), "count": sum(listed), "share": sum(listed) / len(listed) if listed else None}


def _median(values: Iterable[float]) -> float | None:
    listed = list(values)
    return float(np.median(listed)) if listed else None


def _mean(values: Iterable[float]) -> float | None:
    listed = list(values)
    return float(np.mean(listed)) if listed else None


def _auroc(positive: Sequence[float], negative: Sequence[float]) -> float | None:
    """Probability that a broken piece has the higher score (Mann-Whitney), ties counted half."""
    if not positive or not negative:
        return None
    ranks = rankdata([*positive, *negative])[: len(positive)]
    wins = float(ranks.sum()) - len(positive) * (len(positive) + 1) / 2
    return wins / (len(positive) * len(negative))


def _limit(defects: Sequence[Row], kind: str, size: str) -> Row | None:
    chosen = [d for d in defects if d["kind"] == kind]
    curve = fit_hit_miss([d[size] for d in chosen], [d["hit"] for d in chosen])
    return None if curve is None else {"count": curve.count, "a50": curve.a50, "a90": curve.a90, "a90_95": curve.a90_95}


def _print_row(name: str, cells: Sequence[str]) -> None:
    print(f"{name:34}" + "".join(f"{cell:>22}" for cell in cells))


def _shown(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _shown_share(share: Row) -> str:
    return "-" if share["of"] == 0 else f"{share['count']} of {share['of']}  {100 * share['share']:3.0f} %"


def _shown_limit(limit: Row | None) -> str:
    return "-" if limit is None else f"{limit['a90']:.2f} ({_shown(limit['a90_95'])})"


if __name__ == "__main__":
    sys.exit(main())

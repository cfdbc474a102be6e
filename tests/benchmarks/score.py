"""How much is found, how much is flagged wrongly: scores a folder of photos with truth.

    python -m tests.benchmarks.score FOLDER [--references 3 1 5] [--molds A,B] [--report DIR [--quote README.md]]

Prints a table, for all photos and apart for about 5 and about 13 px/mm. With ``--report`` it also measures how well
photos align, what is found in real photographs, and how exact the width of cracks is, and writes a page with curves and
pictures, its tables in Markdown, and all numbers as JSON. With ``--quote`` a file quotes the report between its marks.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import cv2

from inspector.errors import InspectorError
from inspector.imaging.reading import read_photo
from inspector.inspection import MoldModel, inspect_photo
from inspector.workshop.mold_folder import read_mold_folder
from tests.benchmarks.alignment import align_photos
from tests.benchmarks.bench_folder import BenchMold, model_of, read_bench
from tests.benchmarks.crack_widths import CONCRETE, PHOTOGRAPHS, width_errors
from tests.benchmarks.figures import (
    BINS,
    LIMITS,
    Row,
    shown_auroc,
    shown_limit,
    shown_median,
    shown_number,
    shown_share,
    split_by_scale,
    summarise,
)
from tests.benchmarks.judging import judge_photo
from tests.benchmarks.places import with_places
from tests.benchmarks.quoting import quote, with_block
from tests.benchmarks.real_photographs import inspect_photograph
from tests.benchmarks.report import Scored, write_report

WORKERS = 2
REFERENCES = (3,)


def main(arguments: Sequence[str] | None = None) -> int:
    """Score a folder; 1 when a mold could not be scored at all."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.score", description=__doc__)
    parser.add_argument("folder", type=Path, help="folder with truth.json")
    parser.add_argument(
        "--references",
        type=int,
        nargs="+",
        default=REFERENCES,
        metavar="N",
        help="the first N references of each mold; of several numbers the first gives the figures (default 3)",
    )
    parser.add_argument("--molds", default="", help="only these molds, separated by commas")
    parser.add_argument("--workers", type=int, default=WORKERS, help="processes (default 2)")
    parser.add_argument("--report", type=Path, metavar="DIR", help="write report.html, tables.md, figures.json")
    parser.add_argument("--quote", type=Path, metavar="README", help="put the report's figures between the marks there")
    options = parser.parse_args(arguments)
    if options.quote is not None:
        if options.report is None or options.molds:
            parser.error("--quote needs --report, of all molds of a folder: leave out --molds")
        with_block(options.quote.read_text(encoding="utf-8"), "")  # refused now rather than when all is measured
    molds = read_bench(options.folder, molds=tuple(filter(None, options.molds.split(","))))
    fewest = min(len(read_mold_folder(mold.folder).photos) for mold in molds)
    if max(options.references) > fewest:
        parser.error(f"a mold of {options.folder} has {fewest} references only: leave out --references {fewest + 1} up")
    began = time.perf_counter()
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(options.workers, mp_context=context, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        photos, failed = _inspect_all(pool, molds, options.references)
        main_photos = photos[options.references[0]]
        print(f"\n{len(main_photos)} photos of {len(molds)} molds in {time.perf_counter() - began:.0f} s")
        print_table({name: summarise(part) for name, part in split_by_scale(main_photos).items()})
        if options.report is not None:
            scored = _measure_the_rest(pool, options.folder, molds, photos)
            print(f"Report: {write_report(options.report, scored)}")
    if options.quote is not None and not failed:
        quote(options.report, options.quote)
    for sentence in failed:
        print(sentence, file=sys.stderr)
    return 1 if failed else 0


def score_photo(path: Path, truth: Mapping[str, Any], model: MoldModel) -> Row:
    """Inspect one photo, judge the outcome, and tell where each defect lies."""
    photo = read_photo(path.read_bytes(), name=path.name)
    row = judge_photo(truth, inspect_photo(photo, model).as_json(), folder_photo=str(truth["photo"]))
    return with_places(row, truth, cv2.cvtColor(photo.image_bgr, cv2.COLOR_BGR2GRAY))


def print_table(summaries: Mapping[str, Row]) -> None:
    """Print the figures, one column a group of photos."""
    columns = list(summaries)
    print(f"\n{'':34}" + "".join(f"{name:>36}" for name in columns))
    for name in BINS:
        _print_row(f"found: {name}", [shown_share(s["found"][name]) for s in summaries.values()])
    shares = {"kind right, of those found": "kind_right_of_hits", "good pieces without finding": "good_without_finding"}
    least_sure = {"wrong verdicts in the least sure third": "wrong_in_least_sure_third"}
    refused = {"usable photos refused": "usable_refused", "unusable photos refused": "unusable_refused"}
    numbers = {
        "false findings per good piece": "false_per_good_piece",
        "false findings per broken piece": "false_per_broken_piece",
        "seconds a photo, median": "median_seconds",
    }
    medians = {
        "IoU of what was hit, median": "iou_of_hits",
        "IoU of all (missed: 0), median": "iou_of_all",
        "length found / true, median": "length_ratio",
        "crack length covered, median": "crack_length_covered",
        "crack width error, median, mm": "crack_width_error_mm",
        "crack width bias, median, mm": "crack_width_bias_mm",
    }
    for name, key in shares.items():
        _print_row(name, [shown_share(s[key]) for s in summaries.values()])
    _print_row("AUROC of the score", [shown_auroc(s["auroc_of_score"]) for s in summaries.values()])
    for name, key in medians.items():
        _print_row(name, [shown_median(s[key]) for s in summaries.values()])
    for name in LIMITS:
        _print_row(f"a90/95: {name}", [shown_limit(s["detection_limit"][name]) for s in summaries.values()])
    for name, key in (least_sure | refused).items():
        _print_row(name, [shown_share(s[key]) for s in summaries.values()])
    for name, key in numbers.items():
        _print_row(name, [shown_number(s[key]) for s in summaries.values()])
    for column, summary in summaries.items():
        if summary["false_by_kind"]:
            kinds = ", ".join(f"{count} {kind}" for kind, count in summary["false_by_kind"].items())
            print(f"false on {summary['good_pieces']} good pieces, {column}: {kinds}")


def _inspect_all(
    pool: ProcessPoolExecutor, molds: Sequence[BenchMold], references: Sequence[int]
) -> tuple[dict[int, list[Row]], list[str]]:
    """All photos with each number of references, molds side by side; and a sentence for each mold that failed."""
    jobs = {
        pool.submit(_inspect_mold, mold, count): (count, f"{mold.name} with {count} of its references")
        for count in references
        for mold in molds
    }
    _wait_for({job: name for job, (_, name) in jobs.items()})
    photos: dict[int, list[Row]] = {count: [] for count in references}
    failed = []
    for job, (count, _) in jobs.items():
        rows, sentence = job.result()
        photos[count].extend(rows)
        if sentence is not None:
            failed.append(sentence)
    return {count: sorted(rows, key=lambda row: row["photo"]) for count, rows in photos.items()}, failed


def _measure_the_rest(
    pool: ProcessPoolExecutor, folder: Path, molds: Sequence[BenchMold], photos: dict[int, list[Row]]
) -> Scored:
    """What a report tells beside the photos that were inspected."""
    together = next(iter(photos))
    surfaces = (CONCRETE, *PHOTOGRAPHS)
    aligning = {pool.submit(align_photos, mold, together=together): f"alignment of {mold.name}" for mold in molds}
    real = {pool.submit(inspect_photograph, name): f"photograph of {name}" for name in PHOTOGRAPHS}
    widths = {pool.submit(width_errors, surface): f"width of cracks in {surface}" for surface in surfaces}
    _wait_for(aligning | real | widths)
    return Scored(
        folder,
        photos,
        alignments=tuple(one for job in aligning for one in job.result()),
        real=tuple(job.result() for job in real),
        widths=tuple(one for job in widths for one in job.result()),
    )


def _wait_for(names: Mapping[Future[Any], str]) -> None:
    """Wait for jobs, telling each as it is done; the first fault of the program ends it."""
    for done, job in enumerate(as_completed(names), start=1):
        job.result()
        print(f"{done} of {len(names)}: {names[job]}", flush=True)


def _inspect_mold(mold: BenchMold, references: int) -> tuple[list[Row], str | None]:
    try:
        model = model_of(mold.folder, most_references=references)
    except InspectorError as error:
        return [], f"Mold {mold.name} could not be scored: {error}"
    return [score_photo(path, truth, model) for path, truth in mold.photos], None


def _print_row(name: str, cells: Sequence[str]) -> None:
    print(f"{name:34}" + "".join(f"{cell:>36}" for cell in cells))


if __name__ == "__main__":
    sys.exit(main())

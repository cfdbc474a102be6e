"""Make a set of sample photos: ``python -m sample_images.generator --set samples --out FOLDER``."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import tempfile
import time
from collections import deque
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import replace
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

from .making import choose_variant, finish, prepare, render
from .molds import mold_named
from .plan import SETS, PhotoPlan, plan_set


def main() -> int:
    """Run from the shell."""
    parser = argparse.ArgumentParser(prog="python -m sample_images.generator", description=__doc__)
    parser.add_argument("--set", dest="set_name", choices=sorted(SETS), default="samples")
    parser.add_argument(
        "--only",
        nargs="*",
        metavar="NAME",
        help="make only these photos, such as wading-bird-03, wading-bird/r1 or 'oak-leaf/*'",
    )
    parser.add_argument(
        "--out", type=Path, default=Path("rendered"), help="folder for photos and truth.json (default: rendered)"
    )
    parser.add_argument(
        "--variant", default="scalar_rgb", help="Mitsuba variant: scalar_rgb, llvm_ad_rgb or cuda_ad_rgb"
    )
    parser.add_argument("--samples", type=int, default=64, help="paths a pixel (half of it for 12-megapixel photos)")
    parser.add_argument("--shrink", type=int, default=1, help="divide the size of the photos, for a quick look")
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    parser.add_argument("--renderers", type=int, default=1, help="processes that render side by side")
    parser.add_argument("--minutes", type=float, default=1e9, help="start no further photo after this time")
    options = parser.parse_args()
    plans = plan_set(options.set_name)
    if options.only:
        plans = [plan for plan in plans if _is_wanted(plan, options.only)]
        if not plans:
            print(f"No photo of the set {options.set_name} is named {' or '.join(options.only)}.", file=sys.stderr)
            return 2
    began = time.monotonic()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as work:
        rows, failed = _make(plans, options, Path(work), began)
    _write(options.out, rows)
    print(f"{time.monotonic() - began:7.1f} s  done: {len(rows)} photos in {options.out}")
    for plan, error in failed:
        print(f"{plan.folder}/{plan.name} was not made: {error!r}", file=sys.stderr)
    return 1 if failed else 0


def _make(
    plans: list[PhotoPlan], options: argparse.Namespace, work: Path, began: float
) -> tuple[list[tuple[PhotoPlan, dict[str, Any]]], list[tuple[PhotoPlan, BaseException]]]:
    """Prepare, render and finish all photos, each step in its own processes; those that failed come second."""
    failed: list[tuple[PhotoPlan, BaseException]] = []
    spawn = multiprocessing.get_context("spawn")
    rows: list[tuple[PhotoPlan, dict[str, Any]]] = []
    with (
        ProcessPoolExecutor(options.workers, mp_context=spawn) as hands,
        ProcessPoolExecutor(
            options.renderers, mp_context=spawn, initializer=choose_variant, initargs=(options.variant,)
        ) as renderers,
    ):
        todo = deque(plans)
        preparing: deque[tuple[PhotoPlan, Future[Path]]] = deque()
        rendering: deque[tuple[PhotoPlan, Future[Path]]] = deque()
        finishing: deque[tuple[PhotoPlan, Future[dict[str, Any]]]] = deque()
        while todo or preparing or rendering or finishing:
            while todo and len(preparing) < 2 * options.workers and time.monotonic() - began < 60 * options.minutes:
                plan = _shrunk(todo.popleft(), options.shrink)
                preparing.append((plan, hands.submit(prepare, plan, work / f"{plan.folder}-{plan.name}")))
            if not (preparing or rendering or finishing):
                break
            while preparing and preparing[0][1].done() and len(rendering) < 2 * options.renderers:
                plan, folder = preparing.popleft()
                if (error := folder.exception()) is not None:
                    failed.append((plan, error))
                    continue
                samples = options.samples // 2 if max(plan.size_px) > 3000 else options.samples
                rendering.append((plan, renderers.submit(render, folder.result(), samples=max(1, samples))))
            while rendering and rendering[0][1].done():
                plan, folder = rendering.popleft()
                if (error := folder.exception()) is not None:
                    failed.append((plan, error))
                    continue
                finishing.append(
                    (plan, hands.submit(finish, folder.result(), options.out / plan.folder / f"{plan.name}.jpg"))
                )
            while finishing and finishing[0][1].done():
                plan, truth = finishing.popleft()
                if (error := truth.exception()) is not None:
                    failed.append((plan, error))
                    continue
                rows.append((plan, truth.result()))
                print(
                    f"{time.monotonic() - began:7.1f} s  {len(rows)}/{len(plans)}  {plan.folder}/{plan.name}",
                    flush=True,
                )
            # The heads of the queues that can move on: a prepared piece waits while the renderers are full.
            heads = [queue[0][1] for queue in (rendering, finishing) if queue]
            if preparing and len(rendering) < 2 * options.renderers:
                heads.append(preparing[0][1])
            if heads:
                wait(heads, return_when=FIRST_COMPLETED)
    return rows, failed


def _is_wanted(plan: PhotoPlan, patterns: list[str]) -> bool:
    return any(fnmatch(name, pattern) for pattern in patterns for name in (plan.name, f"{plan.folder}/{plan.name}"))


def _shrunk(plan: PhotoPlan, factor: int) -> PhotoPlan:
    width, height = plan.size_px
    return (
        plan
        if factor == 1
        else replace(plan, size_px=(width // factor, height // factor), px_per_mm=plan.px_per_mm / factor)
    )


def _write(out: Path, truths: list[tuple[PhotoPlan, dict[str, Any]]]) -> None:
    """truth.json of the pieces, and references.json with the features of each reference."""
    pieces = [truth | {"photo": f"{plan.folder}/{truth['photo']}"} for plan, truth in truths if not plan.reference]
    references = [truth | {"photo": f"{plan.folder}/{truth['photo']}"} for plan, truth in truths if plan.reference]
    for name, rows in (("truth.json", pieces), ("references.json", references)):
        (out / name).write_text("[\n" + ",\n".join(json.dumps(row, separators=(",", ":")) for row in rows) + "\n]\n")
    for folder in {plan.folder for plan, _ in truths}:
        _write_mold(out / folder, folder, [t for p, t in truths if p.folder == folder and p.reference])


def _write_mold(folder: Path, name: str, references: list[dict[str, Any]]) -> None:
    mold = mold_named(name)
    lines = [
        f'name = "{mold.name}"',
        f'title = "{mold.title}"',
        f'view = "{mold.view}"',
        f'material = "{mold.material}"',
        f'release_agent = "{mold.release_agent}"',
    ]
    for truth in references:
        lines += ["", "[[references]]", f'photo = "{truth["photo"]}"']
    for name_, polygon in (references[0]["features"] if references else {}).items():
        points = ", ".join(f"[{x:g}, {y:g}]" for x, y in polygon)
        lines += [
            "",
            "[[features]]",
            f'name = "{name_}"',
            f'photo = "{references[0]["photo"]}"',
            f"polygon = [{points}]",
        ]
    (folder / "mold.toml").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    sys.exit(main())

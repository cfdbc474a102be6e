"""Whether a batch uses both cores, and whether its memory stays flat: sample photos of one mold, over and over.

    python -m tests.benchmarks.batch_rate rate      # one core against two workers, in turns
    python -m tests.benchmarks.batch_rate memory    # after 50, 250 and 500 photos

Prints JSON. For Linux, which tells the peak memory of each process: what a process holds at some moment depends on how
far it is with its photo, the most that it ever held does not. The rate of one core is that of one process held to one
core. Other work on the machine slows both, though not alike, so the load is told, and beside the ratio by the clock the
one by processor time: what both cores would do if nothing else took them.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import time
from collections.abc import Sequence
from itertools import cycle, islice
from pathlib import Path
from typing import Any

import cv2

from inspector.inspection import MoldModel
from inspector.inspection.batch import inspect_files
from inspector.inspection.engine import ENGINE
from inspector.inspection.own_cores import OwnCores
from tests.benchmarks.bench_folder import model_of

ROOT = Path(__file__).parents[2]
MOLD = "oak-leaf"
WORKERS = 2
TURNS = 2
PHOTOS_A_TURN = 48
COUNTS = (50, 250, 500)


def sample_photos(count: int) -> list[Path]:
    """The sample photos of one mold, repeated, less those that are refused at a glance."""
    photos = sorted(path for path in (ROOT / "sample_images").glob(f"{MOLD}-*.jpg") if "unusable" not in path.name)
    return list(islice(cycle(photos), count))


def measure_rate(model: MoldModel) -> dict[str, Any]:
    """Photos a second on one core and with two workers, in turns, so that a change of load meets both."""
    photos = sample_photos(PHOTOS_A_TURN)
    cores = os.sched_getaffinity(0)
    turns = []
    for _ in range(TURNS):
        os.sched_setaffinity(0, {min(cores)})
        cv2.setNumThreads(1)
        alone = _timed(photos, model, workers=1)
        os.sched_setaffinity(0, cores)
        cv2.setNumThreads(len(cores))
        both = _timed(photos, model, workers=WORKERS)
        turns.append({"one core": alone, "two workers": both, "load": os.getloadavg()[0]})
    wall = [turn["one core"]["wall_s"] / turn["two workers"]["wall_s"] for turn in turns]
    processor = [WORKERS * turn["one core"]["cpu_s"] / turn["two workers"]["cpu_s"] for turn in turns]
    return {"photos_a_turn": len(photos), "ratio": max(wall), "ratio_by_processor_time": max(processor), "turns": turns}


def measure_memory(model: MoldModel) -> dict[str, Any]:
    """Peak memory of the program and of its workers, added up, after some numbers of photos. [MB]"""
    taken: dict[str, float] = {}
    began = time.perf_counter()
    for done, _ in enumerate(
        inspect_files(sample_photos(max(COUNTS)), [model], engine=ENGINE, workers=OwnCores(WORKERS)), 1
    ):
        if done in COUNTS:
            taken[str(done)] = sum(_peak_mb(process) for process in [os.getpid(), *_children()])
    return {"peak_mb": taken, "wall_s": time.perf_counter() - began, "load": os.getloadavg()[0]}


def _timed(photos: Sequence[Path], model: MoldModel, *, workers: int) -> dict[str, float]:
    began, used = time.perf_counter(), _cpu_s()
    inspected = sum(
        one.inspection.status == "inspected"
        for one in inspect_files(photos, [model], engine=ENGINE, workers=OwnCores(workers))
    )
    took = {"wall_s": time.perf_counter() - began, "cpu_s": _cpu_s() - used}
    if inspected != len(photos):
        raise RuntimeError(f"{len(photos) - inspected} of {len(photos)} sample photos were not inspected.")
    return took


def _cpu_s() -> float:
    """Processor time of this process and of its children that have ended."""
    return sum(
        usage.ru_utime + usage.ru_stime
        for usage in (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


def _children() -> list[int]:
    listed = Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="ascii")
    return [int(process) for process in listed.split()]


def _peak_mb(process: int) -> float:
    for line in Path(f"/proc/{process}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmHWM:"):
            return float(line.split()[1]) / 1024
    raise RuntimeError(f"The system does not tell the memory of process {process}.")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.batch_rate", description=__doc__)
    parser.add_argument("what", choices=("rate", "memory"))
    what = parser.parse_args().what
    model = model_of(ROOT / "reference_shapes" / MOLD)
    print(json.dumps(measure_rate(model) if what == "rate" else measure_memory(model)))


if __name__ == "__main__":
    main()

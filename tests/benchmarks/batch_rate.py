"""Whether a batch uses both cores, and whether its memory stays flat: sample photos of one mold, over and over.

    python -m tests.benchmarks.batch_rate rate      # one core against two workers, in turns; and:
    python -m tests.benchmarks.batch_rate machine   # what two cores of this machine can do
    python -m tests.benchmarks.batch_rate memory    # after 50, 250 and 500 photos

Prints JSON. For Linux, which tells the peak memory of each process: what a process holds at some moment depends on how
far it is with its photo, the most that it ever held does not. The rate of one core is that of one process held to one
core. Other work on the machine slows both, though not alike, so the load is told, and beside the ratio by the clock the
one by processor time: what both cores would do if nothing else took them.

Two cores of a machine need not do twice what one does: they share memory, the last cache and the clock. So `machine`
has two processes do what one does, each started and warm before time is taken, with nothing of a batch between them:
products of small matrices, which stay in a core's own cache; a photo of 12 megapixels decoded and blurred, which goes
through memory; and its inspection. No batch does better than the last of these.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import cycle, islice
from multiprocessing import get_context
from multiprocessing.queues import Queue
from multiprocessing.synchronize import Barrier
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from inspector.inspection import MoldModel
from inspector.inspection.batch import inspect_files
from inspector.inspection.engine import ENGINE, inspect_best_view
from inspector.inspection.own_cores import OwnCores

ROOT = Path(__file__).parents[2]
MOLD = "oak-leaf"
WORKERS = 2
TURNS = 2
PHOTOS_A_TURN = 48
COUNTS = (50, 250, 500)
LARGE_PHOTO = ROOT / "sample_images" / f"{MOLD}-10.jpg"
# Rounds of each kind of work, some three seconds of one core.
ROUNDS = {"in cache": 120, "decoded and blurred": 30, "inspected": 8}
PRODUCTS_A_ROUND = 5000
_LONGEST_S = 600.0


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
    return {
        "photos_a_turn": len(photos),
        "ratio": max(wall),
        "ratio_by_processor_time": max(processor),
        "machine": measure_machine(),
        "turns": turns,
    }


def measure_machine() -> dict[str, dict[str, float]]:
    """How much more two processes do than one that does the same: the best of some turns, by the clock and by work."""
    ratios = {}
    for kind in ROUNDS:
        turns = [(_do_in_processes(kind, 1), _do_in_processes(kind, 2)) for _ in range(TURNS)]
        ratios[kind] = {
            "ratio": max(2 * one.wall_s / two.wall_s for one, two in turns),
            "ratio_by_processor_time": max(2 * one.cpu_s / two.cpu_s for one, two in turns),
        }
    return ratios


@dataclass(frozen=True, slots=True)
class _Spent:
    """What it took some processes to do their rounds, all at once."""

    wall_s: float
    """From when the first began until the last had done."""
    cpu_s: float
    """Of one process, the mean."""


def _do_in_processes(kind: str, processes: int) -> _Spent:
    context = get_context("spawn")
    ready, spans = context.Barrier(processes), context.Queue()
    started = [context.Process(target=_do_rounds, args=(kind, ready, spans), daemon=True) for _ in range(processes)]
    for process in started:
        process.start()
    taken = [spans.get(timeout=_LONGEST_S) for _ in started]
    for process in started:
        process.join()
    wall_s = max(ended for _, ended, _ in taken) - min(began for began, _, _ in taken)
    return _Spent(wall_s, float(np.mean([cpu_s for _, _, cpu_s in taken])))


def _do_rounds(kind: str, ready: Barrier, spans: Queue[tuple[float, float, float]]) -> None:
    cv2.setNumThreads(1)
    work = {"in cache": _multiplying, "decoded and blurred": _blurring, "inspected": _inspecting}[kind]()
    work()
    ready.wait(_LONGEST_S)
    began, used = time.perf_counter(), time.process_time()
    for _ in range(ROUNDS[kind]):
        work()
    spans.put((began, time.perf_counter(), time.process_time() - used))


def _multiplying() -> Callable[[], None]:
    matrix = np.linalg.qr(np.random.default_rng(1).normal(size=(48, 48)))[0]  # 18 kB, and its powers stay bounded

    def multiply() -> None:
        product = matrix
        for _ in range(PRODUCTS_A_ROUND):
            product = product @ matrix

    return multiply


def _blurring() -> Callable[[], None]:
    data = np.frombuffer(LARGE_PHOTO.read_bytes(), dtype=np.uint8)

    def blur() -> None:
        image = cv2.imdecode(data, cv2.IMREAD_COLOR)
        assert image is not None
        cv2.GaussianBlur(image, (0, 0), 2)

    return blur


def _inspecting() -> Callable[[], None]:
    model, data = _model(), LARGE_PHOTO.read_bytes()

    def inspect() -> None:
        inspect_best_view(ENGINE.read_photo(data, name=LARGE_PHOTO.name), [model], engine=ENGINE)

    return inspect


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


def _model() -> MoldModel:
    # Here, since workers import this file before they begin, and need no more of it than of the program itself.
    from tests.benchmarks.bench_folder import model_of

    return model_of(ROOT / "reference_shapes" / MOLD)


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
    parser.add_argument("what", choices=("rate", "memory", "machine"))
    what = parser.parse_args().what
    if what == "machine":
        print(json.dumps(measure_machine()))
        return
    model = _model()
    print(json.dumps(measure_rate(model) if what == "rate" else measure_memory(model)))


if __name__ == "__main__":
    main()

"""How a cluster fares: two workers against one, and four hosts of which one is killed.

    python -m tests.load.cluster rate                # nothing else on the machine, or the figures are worth nothing
    python -m tests.load.cluster hosts --photos 48
    python -m tests.load.cluster cost

`rate` inspects sample photos of one mold on a Dask cluster of one worker and of two, in turns, the workers started and
warm: by the clock, and by processor time (what two cores would do if nothing else took them). `hosts` records sample
photos into an object store (moto's server) and inspects them again on four workers, each a process in a folder of its
own that sees no other: one is killed in the middle, another one comes later. It fails unless each photo was inspected
once more, with the very findings of the first time. `cost` tells the processor time of a photo of 12 megapixels: on its
worker, in the scheduler, and in the program that hands out and takes back. All print JSON. For Linux.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from itertools import cycle, islice
from pathlib import Path
from typing import Any

from inspector.inspection import MoldModel
from inspector.inspection.batch import inspect_files
from inspector.inspection.cluster import Cluster
from inspector.inspection.engine import ENGINE
from inspector.log import LogPlace, check_log
from inspector.workshop import Workshop
from tests.benchmarks.bench_folder import model_of
from tests.doubles.object_store import ObjectStore, running_store

ROOT = Path(__file__).parents[2]
MOLD = "oak-leaf"
# Of a phone's main camera, 4032 x 3024; the others have 2 to 3 megapixels.
LARGE_PHOTO = ROOT / "sample_images" / "oak-leaf-10.jpg"
TURNS = 3
PHOTOS_A_TURN = 48
WARMING = 4
HOSTS = 4
_LONGEST_START_S = 120.0


def sample_photos(count: int) -> list[Path]:
    """The sample photos of one mold, repeated, less those that are refused at a glance."""
    photos = sorted(path for path in (ROOT / "sample_images").glob(f"{MOLD}-*.jpg") if "unusable" not in path.name)
    return list(islice(cycle(photos), count))


def measure_rate(model: MoldModel) -> dict[str, Any]:
    """Photos a second by one worker and by two, in turns, so that a change of load meets both."""
    photos = sample_photos(PHOTOS_A_TURN)
    turns = []
    for _ in range(TURNS):
        turn: dict[str, Any] = {"load": os.getloadavg()[0]}
        for workers in (1, 2):
            with running_hosts(workers) as hosts, Cluster(hosts.address) as cluster:
                _inspected(photos[: WARMING * workers], model, cluster)
                began, used = time.perf_counter(), hosts.cpu_s()
                _inspected(photos, model, cluster)
                turn[str(workers)] = {"wall_s": time.perf_counter() - began, "workers_cpu_s": hosts.cpu_s() - used}
        turns.append(turn)
    return {
        "photos_a_turn": len(photos),
        "ratio": max(turn["1"]["wall_s"] / turn["2"]["wall_s"] for turn in turns),
        "ratio_by_processor_time": max(2 * turn["1"]["workers_cpu_s"] / turn["2"]["workers_cpu_s"] for turn in turns),
        "bytes_a_photo": sum(photo.stat().st_size for photo in photos) / len(photos),
        "turns": turns,
    }


def measure_cost(model: MoldModel, photos: int) -> dict[str, Any]:
    """Processor time of a large photo, wherever it is spent."""
    with running_hosts(1) as hosts, Cluster(hosts.address) as cluster:
        _inspected([LARGE_PHOTO] * WARMING, model, cluster)
        worker_s, scheduler_s, here_s = hosts.cpu_s(), hosts.scheduler_cpu_s(), time.process_time()
        _inspected([LARGE_PHOTO] * photos, model, cluster)
        return {
            "photos": photos,
            "bytes_a_photo": LARGE_PHOTO.stat().st_size,
            "worker_cpu_s_a_photo": (hosts.cpu_s() - worker_s) / photos,
            "scheduler_cpu_s_a_photo": (hosts.scheduler_cpu_s() - scheduler_s) / photos,
            "here_cpu_s_a_photo": (time.process_time() - here_s) / photos,
            "load": os.getloadavg()[0],
        }


def try_hosts(count: int, store: ObjectStore, folder: Path) -> dict[str, Any]:
    """Inspect photos again on four hosts that share nothing but the store, and see that none is lost or doubled."""
    place = LogPlace(folder / "data", None, store.new_url())
    with Workshop.open(place, engine=ENGINE) as shop:
        for check in shop.add_mold_folder(ROOT / "reference_shapes" / MOLD).checks:
            shop.confirm_reference(check.reference.id)
    empty_bytes = _log_bytes(place)
    with Workshop.open(place, engine=ENGINE) as shop:
        for number, path in enumerate(sample_photos(count)):
            # Whatever follows the end of a JPEG is no part of the picture, and makes it another photo.
            shop.record(path.read_bytes() + str(number).encode(), name=f"{number}-{path.name}", mold=MOLD)
    before = _findings(place)
    log_bytes = _log_bytes(place) - empty_bytes
    store.asked.clear()
    with (
        Workshop.open(place, engine=replace(ENGINE, version="again")) as shop,
        running_hosts(HOSTS) as hosts,
        Cluster(hosts.address) as cluster,
    ):
        (due,) = shop.reinspecting.due()
        began, used_here = time.perf_counter(), time.process_time()
        for number, done in enumerate(shop.reinspecting.run(due, cluster), 1):
            if done.inspection is None:
                raise RuntimeError(done.failure)
            if number == count // 3:
                hosts.kill_one()
            if number == 2 * count // 3:
                hosts.start_one()
        took_s, used_here_s = time.perf_counter() - began, time.process_time() - used_here
    counted = Counter(_counts(place))
    after = _findings(place)
    found = {
        "photos": count,
        "lost": counted[1],
        "doubled": sum(times for each, times in counted.items() if each > 2),
        "otherwise_than_before": sum(before[photo] != after[photo] for photo in before),
        "wall_s": took_s,
        "load": os.getloadavg()[0],
        "here_cpu_s_a_photo": used_here_s / count,
        "read_from_store": Counter(asked.partition(" ")[0] for asked in store.asked),
        "log_bytes_a_photo": log_bytes / count,
        "troubles": [trouble.what for trouble in check_log(place).troubles],
    }
    if found["lost"] or found["doubled"] or found["otherwise_than_before"] or found["troubles"]:
        raise RuntimeError(json.dumps(found))
    return found


class Hosts:
    """A scheduler and its workers, each a process of its own in a folder of its own."""

    def __init__(self, address: str, folder: Path, scheduler: subprocess.Popen[bytes]) -> None:
        self.address = address
        self._scheduler = scheduler
        self._folder = folder
        self._ended_cpu_s = 0.0
        self.running: list[subprocess.Popen[bytes]] = []

    def start_one(self) -> None:
        """Start another host."""
        home = Path(tempfile.mkdtemp(dir=self._folder))
        command = ["dask_worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard"]
        self.running.append(_start([*command, "--local-directory", str(home)], home))

    def kill_one(self) -> None:
        """Pull the plug of a host."""
        killed = self.running.pop(0)
        self._ended_cpu_s += _cpu_s(killed.pid)
        killed.send_signal(signal.SIGKILL)
        killed.wait()

    def cpu_s(self) -> float:
        """Processor time of all hosts since they were started."""
        return self._ended_cpu_s + sum(_cpu_s(worker.pid) for worker in self.running)

    def scheduler_cpu_s(self) -> float:
        """Processor time of the scheduler since it was started."""
        return _cpu_s(self._scheduler.pid)


@contextmanager
def running_hosts(count: int) -> Iterator[Hosts]:
    """Run a scheduler with some hosts, all there when this is entered."""
    import distributed

    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="hosts-")))
        told = folder / "scheduler.json"
        scheduler = _start(["dask_scheduler", "--port", "0", "--no-dashboard", "--scheduler-file", str(told)], folder)
        stack.callback(_end, [scheduler])
        deadline = time.monotonic() + _LONGEST_START_S
        while not told.exists() or not told.read_text():
            if time.monotonic() > deadline or scheduler.poll() is not None:
                raise RuntimeError("The scheduler did not start.")
            time.sleep(0.1)
        hosts = Hosts(json.loads(told.read_text())["address"], folder, scheduler)
        stack.callback(lambda: _end(hosts.running))
        for _ in range(count):
            hosts.start_one()
        with distributed.Client(hosts.address, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=_LONGEST_START_S)
        yield hosts


def _start(command: Sequence[str], home: Path) -> subprocess.Popen[bytes]:
    module, *arguments = command
    return subprocess.Popen(
        [sys.executable, "-m", f"distributed.cli.{module}", *arguments],
        cwd=home,
        env={**os.environ, "PYTHONPATH": str(ROOT), "HOME": str(home)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def _end(processes: Sequence[subprocess.Popen[bytes]]) -> None:
    for process in processes:
        process.kill()
        process.wait()


def _inspected(photos: Sequence[Path], model: MoldModel, cluster: Cluster) -> None:
    for one in inspect_files(photos, [model], engine=ENGINE, workers=cluster):
        if one.inspection.status != "inspected":
            raise RuntimeError(f"{one.path}: {one.inspection.reason}")


def _cpu_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _log_bytes(place: LogPlace) -> int:
    return (place.folder / "log.sqlite3").stat().st_size


def _counts(place: LogPlace) -> list[int]:
    """How many inspections each photo of a piece has."""
    with Workshop.open(place) as shop, shop._log.reading() as session:
        rows = session.connection().exec_driver_sql("SELECT count(*) FROM inspection GROUP BY photo_id")
        return [count for (count,) in rows]


def _findings(place: LogPlace) -> dict[int, str]:
    """What counts on each photo, by its number, as text of all its numbers."""
    with Workshop.open(place) as shop:
        return {
            photo.id: repr(
                None
                if inspection is None
                else [(one.kind, one.polygon_xy, one.confidence, one.area_mm2) for one in inspection.findings]
            )
            for page in shop.pages_of_details()
            for detail in page.items
            for photo, inspection in zip(detail.photos, detail.inspections, strict=True)
        }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.load.cluster", description=__doc__)
    parser.add_argument("what", choices=("rate", "hosts", "cost"))
    parser.add_argument("--photos", type=int, default=PHOTOS_A_TURN)
    asked = parser.parse_args()
    if asked.what == "rate":
        print(json.dumps(measure_rate(model_of(ROOT / "reference_shapes" / MOLD)), indent=1))
        return
    if asked.what == "cost":
        print(json.dumps(measure_cost(model_of(ROOT / "reference_shapes" / MOLD), asked.photos), indent=1))
        return
    with running_store() as store, tempfile.TemporaryDirectory(prefix="cluster-") as folder:
        print(json.dumps(try_hosts(asked.photos, store, Path(folder)), indent=1))


if __name__ == "__main__":
    main()

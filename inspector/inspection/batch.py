"""Inspecting many photos without a log: on all cores, in the order given, none stopping the others."""

import logging
import multiprocessing
import os
import pickle
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

import cv2

from inspector.errors import InspectorError, PhotoError
from inspector.imaging.reading import Photo
from inspector.inspection import Inspection, MoldModel, Reference
from inspector.inspection.engine import Engine, inspect_best_view

__all__ = ["InspectedFile", "inspect_files", "prepare_files"]

# A worker takes about a second to start; fewer photos than this are done sooner without.
_FEWEST_FOR_WORKERS = 6
# A worker may hold 700 MB at a time while it inspects a large photo.
_MOST_WORKERS = 8
_OVERLAY_QUALITY = 90

_logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, eq=False)
class InspectedFile:
    """What became of one photo's file."""

    path: Path
    inspection: Inspection
    """Unusable with the reason, where the file could not be read."""
    overlay: Path | None
    """The picture with the findings drawn on it, where one was asked for and the photo could be read."""
    overlay_error: str | None
    """Why that picture could not be written."""


def prepare_files(paths: Sequence[Path], *, engine: Engine) -> tuple[list[Reference], list[str]]:
    """Prepare reference photos.

    Returns
    -------
    references : list of Reference
        Those that can be used, in the order given.
    refused : list of str
        One sentence for each of the others.
    """
    references: list[Reference] = []
    refused: list[str] = []
    for path in paths:
        try:
            references.append(engine.prepare_reference(_read(path, engine)))
        except InspectorError as error:
            refused.append(str(error))
    return references, refused


def inspect_files(
    paths: Sequence[Path],
    models: Sequence[MoldModel],
    *,
    engine: Engine,
    overlay_dir: Path | None = None,
    workers: int | None = None,
) -> Iterator[InspectedFile]:
    """Inspect photos of the pieces of one mold.

    Parameters
    ----------
    paths : sequence of Path
        The photos.
    models : sequence of MoldModel
        What good pieces look like, one model a view.
    engine : Engine
        What inspects; its functions and the models are sent to the workers once.
    overlay_dir : Path, optional
        Folder, which exists, for a picture of each photo with its findings drawn on it.
    workers : int, optional
        Processes; by default one a core, eight at most, and none for a handful of photos.

    Yields
    ------
    inspected : InspectedFile
        In the order of the photos. At most two photos a worker are under way at any time.
    """
    if workers is None:
        workers = min(os.cpu_count() or 1, _MOST_WORKERS) if len(paths) >= _FEWEST_FOR_WORKERS else 1
    task = _Task(models=tuple(models), engine=engine, overlay_dir=overlay_dir)
    if workers <= 1:
        for path in paths:
            yield _inspect_file(path, task)
    else:
        with TemporaryDirectory(prefix="inspector-") as folder:
            yield from _inspect_with_workers(paths, _hand_over(task, Path(folder)), workers)


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """What is the same for all photos of a batch."""

    models: tuple[MoldModel, ...]
    engine: Engine
    overlay_dir: Path | None


def _hand_over(task: _Task, folder: Path) -> Path:
    """Write what the workers need into a file: hundreds of megabytes, which a pipe would hold in memory once more."""
    path = folder / "task"
    with path.open("wb") as file:
        pickle.dump(task, file, protocol=pickle.HIGHEST_PROTOCOL)
    return path


def _inspect_with_workers(paths: Sequence[Path], task: Path, workers: int) -> Iterator[InspectedFile]:
    left = deque(paths)
    while left:
        try:
            with _pool(task, workers) as pool:
                under_way: deque[tuple[Path, Future[InspectedFile]]] = deque()
                for path in tuple(left):
                    under_way.append((path, pool.submit(_inspect_in_worker, path)))
                    if len(under_way) >= 2 * workers:
                        result = under_way.popleft()[1].result()
                        left.popleft()
                        yield result
                while under_way:
                    result = under_way.popleft()[1].result()
                    left.popleft()
                    yield result
        except BrokenProcessPool:
            # A worker died, most likely for want of memory. The photo in turn gets a process of its own, so that
            # either it or one that was under way beside it is found out; then all go on.
            yield _inspect_alone(left.popleft(), task)


def _inspect_alone(path: Path, task: Path) -> InspectedFile:
    try:
        with _pool(task, workers=1) as pool:
            return pool.submit(_inspect_in_worker, path).result()
    except BrokenProcessPool:
        reason = f"Photo {path.name} ended the program that inspected it, likely for want of memory. Make it smaller."
        return _not_inspected(path, reason, started=perf_counter())


def _pool(task: Path, workers: int) -> ProcessPoolExecutor:
    # Spawned, not forked: the same on all systems, and safe beside the threads of OpenCV.
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker, initargs=(task,))


# The task of a worker process, set once when it starts: the models are too large to be sent with each photo.
_worker_task: list[_Task] = []


def _start_worker(task: Path) -> None:
    cv2.setNumThreads(1)  # the workers share the cores; threads in each would only get in each other's way
    with task.open("rb") as file:
        _worker_task[:] = [pickle.load(file)]  # noqa: S301 - written by the process that started this one


def _inspect_in_worker(path: Path) -> InspectedFile:
    return _inspect_file(path, _worker_task[0])


def _inspect_file(path: Path, task: _Task) -> InspectedFile:
    started = perf_counter()
    try:
        photo = _read(path, task.engine)
        inspection = inspect_best_view(photo, task.models, engine=task.engine)
    except InspectorError as error:
        return _not_inspected(path, str(error), started=started)
    except Exception as error:  # a fault of the program: told, and the other photos go on
        _logger.error("photo %s", path, exc_info=True)
        reason = f"The program failed on photo {path.name} ({type(error).__name__}: {error}). Please report it."
        return _not_inspected(path, reason, started=started)
    if task.overlay_dir is None:
        return InspectedFile(path=path, inspection=inspection, overlay=None, overlay_error=None)
    overlay = task.overlay_dir / f"{path.stem}-overlay.jpg"
    try:
        _write_overlay(overlay, photo, inspection, task.engine)
    except OSError as error:
        reason = f"{overlay} could not be written: {error.strerror or error}."
        return InspectedFile(path=path, inspection=inspection, overlay=None, overlay_error=reason)
    return InspectedFile(path=path, inspection=inspection, overlay=overlay, overlay_error=None)


def _read(path: Path, engine: Engine) -> Photo:
    if path.is_dir():
        raise PhotoError(f"{path} is a folder. Name the photos in it, as in {path / '*.jpg'}.")
    try:
        data = path.read_bytes()
    except OSError as error:
        raise PhotoError(f"Photo {path} cannot be opened: {error.strerror or error}.") from error
    return engine.read_photo(data, name=path.name)


def _write_overlay(path: Path, photo: Photo, inspection: Inspection, engine: Engine) -> None:
    drawn = engine.draw_overlay(photo.image_bgr, inspection)
    _, encoded = cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, _OVERLAY_QUALITY])
    path.write_bytes(encoded.tobytes())


def _not_inspected(path: Path, reason: str, *, started: float) -> InspectedFile:
    inspection = Inspection(
        photo=path.name,
        status="unusable",
        reason=reason,
        score=0.0,  # nothing was seen that speaks for a defect
        px_per_mm=None,
        reference=None,
        seconds=perf_counter() - started,
    )
    return InspectedFile(path=path, inspection=inspection, overlay=None, overlay_error=None)

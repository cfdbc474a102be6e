"""Inspecting many photos without a log: by many workers, in the order given, none stopping the others."""

import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter

import cv2

from inspector.errors import InspectorError, PhotoError
from inspector.imaging.reading import Photo
from inspector.inspection import Inspection, MoldModel, Reference
from inspector.inspection.engine import Engine, inspect_best_view
from inspector.inspection.own_cores import OwnCores, Workers, cores_for

__all__ = ["InspectedFile", "inspect_files", "prepare_files"]

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
            photo = engine.read_photo(_read(path), name=path.name)
            references.append(engine.prepare_reference(photo))
        except InspectorError as error:
            refused.append(str(error))
    return references, refused


def inspect_files(
    paths: Sequence[Path],
    models: Sequence[MoldModel],
    *,
    engine: Engine,
    overlay_dir: Path | None = None,
    workers: Workers | None = None,
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
    workers : Workers, optional
        By default this machine's cores. Workers elsewhere are sent the bytes of each photo.

    Yields
    ------
    inspected : InspectedFile
        In the order of the photos.
    """
    task = _Task(models=tuple(models), engine=engine, with_overlay=overlay_dir is not None)
    if workers is None:
        workers = OwnCores(cores_for(len(paths)))
    if isinstance(workers, OwnCores):
        done = workers.each(_inspect_file, task, paths, died=_died)
    else:
        done = workers.each(_inspect_sent, task, map(_SentFile.read, paths), died=lambda sent: _died(sent.path))
    for path, inspected in zip(paths, done, strict=True):
        yield _with_overlay(path, inspected, overlay_dir)


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """What is the same for all photos of a batch."""

    models: tuple[MoldModel, ...]
    engine: Engine
    with_overlay: bool


@dataclass(frozen=True, slots=True)
class _SentFile:
    """A photo's file as it was read, perhaps on its way to a worker that does not see this machine's files."""

    path: Path
    data: bytes
    unread: str | None
    """Why it could not be read."""

    @classmethod
    def read(cls, path: Path) -> "_SentFile":
        try:
            return cls(path, _read(path), None)
        except PhotoError as error:
            return cls(path, b"", str(error))


@dataclass(frozen=True, slots=True, eq=False)
class _Inspected:
    """What a worker gives back."""

    inspection: Inspection
    overlay_jpeg: bytes | None


def _inspect_file(task: _Task, path: Path) -> _Inspected:
    started = perf_counter()
    return _inspect_data(task, _SentFile.read(path), started=started)


def _inspect_sent(task: _Task, sent: _SentFile) -> _Inspected:
    return _inspect_data(task, sent, started=perf_counter())


def _inspect_data(task: _Task, sent: _SentFile, *, started: float) -> _Inspected:
    path = sent.path
    if sent.unread is not None:
        return _not_inspected(path, sent.unread, started=started)
    try:
        photo = task.engine.read_photo(sent.data, name=path.name)
        inspection = inspect_best_view(photo, task.models, engine=task.engine)
    except InspectorError as error:
        return _not_inspected(path, str(error), started=started)
    except Exception as error:  # a fault of the program: told, and the other photos go on
        _logger.error("photo %s", path, exc_info=True)
        reason = f"The program failed on photo {path.name} ({type(error).__name__}: {error}). Please report it."
        return _not_inspected(path, reason, started=started)
    return _Inspected(inspection, _draw_overlay(photo, inspection, task.engine) if task.with_overlay else None)


def _died(path: Path) -> _Inspected:
    reason = f"Photo {path.name} ended the program that inspected it, likely for want of memory. Make it smaller."
    return _not_inspected(path, reason, started=perf_counter())


def _with_overlay(path: Path, inspected: _Inspected, folder: Path | None) -> InspectedFile:
    """Write the picture that came back, if one did."""
    if folder is None or inspected.overlay_jpeg is None:
        return InspectedFile(path=path, inspection=inspected.inspection, overlay=None, overlay_error=None)
    overlay = folder / f"{path.stem}-overlay.jpg"
    try:
        overlay.write_bytes(inspected.overlay_jpeg)
    except OSError as error:
        reason = f"{overlay} could not be written: {error.strerror or error}."
        return InspectedFile(path=path, inspection=inspected.inspection, overlay=None, overlay_error=reason)
    return InspectedFile(path=path, inspection=inspected.inspection, overlay=overlay, overlay_error=None)


def _read(path: Path) -> bytes:
    if path.is_dir():
        raise PhotoError(f"{path} is a folder. Name the photos in it, as in {path / '*.jpg'}.")
    try:
        return path.read_bytes()
    except OSError as error:
        raise PhotoError(f"Photo {path} cannot be opened: {error.strerror or error}.") from error


def _draw_overlay(photo: Photo, inspection: Inspection, engine: Engine) -> bytes:
    drawn = engine.draw_overlay(photo.image_bgr, inspection)
    _, encoded = cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, _OVERLAY_QUALITY])
    return encoded.tobytes()


def _not_inspected(path: Path, reason: str, *, started: float) -> _Inspected:
    inspection = Inspection(
        photo=path.name,
        status="unusable",
        reason=reason,
        score=0.0,  # nothing was seen that speaks for a defect
        px_per_mm=None,
        reference=None,
        seconds=perf_counter() - started,
    )
    return _Inspected(inspection, None)

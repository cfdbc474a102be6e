"""Inspecting logged photos again: the whole log, a mold or a time, by this machine's cores or a cluster.

Workers read each photo themselves from what keeps the photos: an object store that they reach by its URL, or the
folder, which other machines then have to see under the same path. What good pieces look like is sent to each worker
once a mold. What was found is logged by this process alone, photo by photo, so that a run that is cut short has lost
nothing.
"""

import logging
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

import cv2
import numpy as np

from inspector import log
from inspector.errors import InspectorError, PhotoError
from inspector.inspection import KIND_CLASS, MoldModel
from inspector.inspection.engine import Engine, inspect_best_view
from inspector.inspection.own_cores import Workers
from inspector.inspection.reviewed_places import MOSTLY, REACH_MM
from inspector.log import NewFinding, NewInspection, PhotoStore, PhotoToReinspect, Points, SpokenFinding
from inspector.workshop.comparison import CompareWith, references_code
from inspector.workshop.translating import kind_of_log, to_log, unusable

__all__ = ["DuePhotos", "Reinspected", "Reinspecting"]

# Where a photo has no scale, a place reaches this far around. [px]
_REACH_PX = 8.0
# Outlines are laid over each other at no more than this many pixels along a side.
_RASTER_PX = 400

_logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class DuePhotos:
    """The photos of a mold that are to be inspected again."""

    mold: str
    photos: tuple[PhotoToReinspect, ...]


@dataclass(frozen=True, slots=True)
class Reinspected:
    """What became of one photo."""

    name: str
    inspection: NewInspection | None
    """None where it could not be inspected: nothing is logged then, and it stays due."""
    failure: str | None
    """Why not."""


class Reinspecting:
    """Inspecting the photos of an open log again.

    Parameters
    ----------
    opened : Log
    engine : Engine
    compare_with : callable
        Of the workshop: what photos are compared with now.
    """

    def __init__(self, opened: log.Log, engine: Engine, *, compare_with: CompareWith) -> None:
        self._log = opened
        self._engine = engine
        self._compare_with = compare_with

    def due(
        self, *, mold: str | None = None, since: datetime | None = None, until: datetime | None = None
    ) -> tuple[DuePhotos, ...]:
        """Find the photos that this engine has not compared with the references in use now, by mold.

        Molds without a reference in use are left out: their photos cannot be inspected.

        Raises
        ------
        InputError
            If there is no such mold.
        """
        names = [one.name for one in log.list_molds(self._log)] if mold is None else [mold]
        found = []
        for name in names:
            references = log.list_references(self._log, name)
            comparable = {None, *(reference.view for reference in references if reference.in_use)}
            if len(comparable) > 1:
                photos = log.list_photos_to_reinspect(
                    self._log,
                    name,
                    engine_version=self._engine.version,
                    compared_with=references_code(references),
                    since=since,
                    until=until,
                )
                if due := tuple(photo for photo in photos if photo.view in comparable):
                    found.append(DuePhotos(name, due))
        return tuple(found)

    def run(self, due: DuePhotos, workers: Workers) -> Iterator[Reinspected]:
        """Inspect photos of a mold and log what is found, each as it comes back.

        Raises
        ------
        InspectorError
            If the log or the workers cannot be used; what was yielded is logged.
        """
        views = {photo.view for photo in due.photos}
        comparisons = {view: self._compare_with(due.mold, view=view) for view in views}
        codes = {comparison.code for comparison in comparisons.values()}
        if len(codes) > 1:
            raise InspectorError(f"The references of mold {due.mold} were changed just now. Do the same again.")
        task = _Task(
            models={view: comparison.models for view, comparison in comparisons.items()},
            engine=self._engine,
            photos=self._log.photos,
            code=codes.pop(),
        )
        for photo, done in zip(due.photos, workers.each(_inspect, task, due.photos, died=_Died(task)), strict=True):
            if done.inspection is not None:
                log.add_reinspection(
                    self._log, photo.photo_id, done.inspection, same_place=_SamePlace(done.inspection.px_per_mm)
                )
            yield done


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """What is the same for all photos of a mold."""

    models: dict[str | None, tuple[MoldModel, ...]]
    """By view; None for photos of which nobody knows it."""
    engine: Engine
    photos: PhotoStore
    code: str

    def unusable(self, photo: PhotoToReinspect, reason: str) -> Reinspected:
        """Give a photo that cannot be judged, with the reason."""
        new = unusable(reason, engine_version=self.engine.version, compared_with=self.code)
        return Reinspected(photo.name, new, None)


@dataclass(frozen=True, slots=True)
class _Died:
    task: _Task

    def __call__(self, photo: PhotoToReinspect) -> Reinspected:
        what = "ended the program that inspected it, likely for want of memory"
        return self.task.unusable(photo, f"Photo {photo.name} {what}. Look at the piece yourself.")


def _inspect(task: _Task, photo: PhotoToReinspect) -> Reinspected:
    """Inspect one photo, by whatever worker."""
    try:
        data = task.photos.read(photo.sha256, photo.media_type)
    except InspectorError as error:
        return Reinspected(photo.name, None, str(error))
    try:
        read = task.engine.read_photo(data, name=photo.name)
        inspection = inspect_best_view(read, task.models[photo.view], engine=task.engine)
    except PhotoError as error:
        return task.unusable(photo, str(error))
    except Exception as error:  # a fault of the program: told, and the other photos go on
        _logger.error("photo %s", photo.photo_id, exc_info=True)
        reason = f"The program failed on photo {photo.name} ({type(error).__name__}: {error}). Please report it."
        return Reinspected(photo.name, None, reason)
    new = to_log(inspection, engine_version=task.engine.version, compared_with=task.code)
    return Reinspected(photo.name, new, None)


@dataclass(frozen=True, slots=True)
class _SamePlace:
    """Whether a new finding is one that a person has spoken on: of the same class, and mostly at the same place."""

    px_per_mm: float | None

    def __call__(self, new: NewFinding, spoken: SpokenFinding) -> bool:
        if KIND_CLASS[kind_of_log(new.kind)] not in {KIND_CLASS[kind_of_log(kind)] for kind in spoken.kinds}:
            return False
        reach_px = _REACH_PX if self.px_per_mm is None else REACH_MM * self.px_per_mm
        return _mostly_shared(new.polygon_xy, spoken.polygon_xy, reach_px=reach_px)


def _mostly_shared(one_xy: Points, other_xy: Points, *, reach_px: float) -> bool:
    """Whether most of the smaller of two outlines lies within reach of the other."""
    outlines = [np.asarray(outline, dtype=np.float64) for outline in (one_xy, other_xy)]
    low = np.min([outline.min(axis=0) for outline in outlines], axis=0) - 2 * reach_px
    high = np.max([outline.max(axis=0) for outline in outlines], axis=0) + 2 * reach_px
    scale = min(1.0, _RASTER_PX / float(np.max(high - low)))
    width, height = (int(side) for side in np.ceil((high - low) * scale))
    masks = []
    for outline in outlines:
        mask = np.zeros((height, width), np.uint8)
        corners = [np.round((outline - low) * scale).astype(np.int32)]
        cv2.fillPoly(mask, corners, 1)
        cv2.polylines(mask, corners, isClosed=True, color=1)  # a hairline has no inside
        masks.append(mask)
    reach = max(1, round(reach_px * scale))
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    small, large = sorted(masks, key=np.count_nonzero)
    return bool(np.count_nonzero(small & cv2.dilate(large, around)) >= MOSTLY * np.count_nonzero(small))

"""References made ready for the engine, kept between photos since that takes longer than inspecting one."""

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from threading import Lock

import numpy as np

from inspector.inspection import Feature, MoldModel, Reference
from inspector.inspection.engine import Engine
from inspector.log.records import MoldReference, StoredFile
from inspector.workshop.lessons import TaughtPlace

__all__ = ["PreparedReferences", "PreparedView"]

# A prepared view of three 12-megapixel references takes a few hundred megabytes.
_MOST_KEPT = 3
# References by themselves are laid over photos that people look at, which are mostly of one or two molds.
_MOST_SINGLE = 3


@dataclass(frozen=True, slots=True, eq=False)
class PreparedView:
    """One view of a mold as the engine compares with it."""

    references: tuple[Reference, ...]
    model: MoldModel


class PreparedReferences:
    """Views by the references they were made of; the one not used for longest makes room for a new one."""

    def __init__(self, engine: Engine, read_file: Callable[[int], StoredFile]) -> None:
        self._engine = engine
        self._read_file = read_file
        self._kept: OrderedDict[tuple[MoldReference, ...], PreparedView] = OrderedDict()
        self._single: OrderedDict[MoldReference, Reference] = OrderedDict()
        self._taught: dict[tuple[MoldReference, ...], tuple[tuple[TaughtPlace, ...], MoldModel]] = {}
        # One at a time: two requests for the same mold would else both do the work, in twice the memory.
        self._lock = Lock()

    def model(self, logged: tuple[MoldReference, ...], taught: tuple[TaughtPlace, ...]) -> MoldModel:
        """Give what good pieces look like on one view, together with what reviewers taught about its places."""
        prepared = self.get(logged)
        with self._lock:
            before = self._taught.get(logged)
            if before is None or before[0] != taught:
                before = taught, self._engine.with_reviews(prepared.model, [place.for_engine() for place in taught])
                self._taught = {key: kept for key, kept in self._taught.items() if key in self._kept} | {logged: before}
            return before[1]

    def get(self, logged: tuple[MoldReference, ...]) -> PreparedView:
        """Give the references of one view as the engine needs them."""
        with self._lock:
            if logged not in self._kept:
                references = tuple(self._prepare(reference) for reference in logged)
                self._kept[logged] = PreparedView(references=references, model=self._engine.combine(references))
            self._kept.move_to_end(logged)
            while len(self._kept) > _MOST_KEPT:
                self._kept.popitem(last=False)
            return self._kept[logged]

    def get_one(self, wanted: MoldReference) -> Reference:
        """Give one reference, without the work of combining it with the others of its view."""
        with self._lock:
            for logged, view in self._kept.items():
                if wanted in logged:
                    return view.references[logged.index(wanted)]
            if wanted not in self._single:
                self._single[wanted] = self._prepare(wanted)
            self._single.move_to_end(wanted)
            while len(self._single) > _MOST_SINGLE:
                self._single.popitem(last=False)
            return self._single[wanted]

    def _prepare(self, logged: MoldReference) -> Reference:
        photo = self._engine.read_photo(self._read_file(logged.photo_id).data, name=logged.name)
        features = [
            Feature(name=feature.name, polygon_xy=np.asarray(feature.polygon_xy, dtype=float))
            for feature in logged.features
        ]
        outline_xy = None if logged.outlined_by is None else np.asarray(logged.outline_xy, dtype=float)
        return self._engine.prepare_reference(
            replace(photo, name=logged.name), features=features, outline_xy=outline_xy
        )

"""References made ready for the engine, kept between photos since that takes as long as inspecting one."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import replace
from threading import Lock
from typing import TYPE_CHECKING

import numpy as np

from inspector.inspection.engine import Engine
from inspector.inspection.results import Feature
from inspector.log.records import MoldReference, StoredFile

if TYPE_CHECKING:
    from inspector.inspection import Reference

__all__ = ["PreparedReferences"]

# A prepared 12-megapixel reference holds about 50 MB; this many serve two or three molds at a time.
_MOST_KEPT = 12


class PreparedReferences:
    """References by what they were made of; those not used for longest make room for new ones."""

    def __init__(self, engine: Engine, read_file: Callable[[int], StoredFile]) -> None:
        self._engine = engine
        self._read_file = read_file
        self._kept: OrderedDict[MoldReference, Reference] = OrderedDict()
        # One at a time: two requests for the same mold would else both do the work, in twice the memory.
        self._lock = Lock()

    def get(self, wanted: Sequence[MoldReference]) -> list[Reference]:
        """Give references of the log as the engine needs them."""
        with self._lock:
            prepared = []
            for logged in wanted:
                if logged not in self._kept:
                    self._kept[logged] = self._prepare(logged)
                self._kept.move_to_end(logged)
                prepared.append(self._kept[logged])
            while len(self._kept) > max(_MOST_KEPT, len(wanted)):
                self._kept.popitem(last=False)
            return prepared

    def _prepare(self, logged: MoldReference) -> Reference:
        photo = self._engine.read_photo(self._read_file(logged.photo_id).data, name=logged.name)
        features = [
            Feature(name=feature.name, polygon_xy=np.asarray(feature.polygon_xy, dtype=float))
            for feature in logged.features
        ]
        return self._engine.prepare_reference(replace(photo, name=logged.name), features=features)

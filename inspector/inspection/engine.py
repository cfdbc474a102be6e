"""The parts of the inspection that the workshop calls, held together so that they can be handed in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from inspector.imaging.reading import Photo
    from inspector.inspection import Feature, Inspection, Reference

__all__ = ["Engine", "load_engine"]


class ReadPhoto(Protocol):
    """Bytes of a file to a photo; raises PhotoError."""

    def __call__(self, data: bytes, *, name: str) -> Photo: ...


class PrepareReference(Protocol):
    """A photo to a reference; raises InputError with the reason if it is a poor one."""

    def __call__(self, photo: Photo, *, features: Sequence[Feature] = ()) -> Reference: ...


class InspectPhoto(Protocol):
    """A photo and the references of its mold to what was found."""

    def __call__(self, photo: Photo, references: Sequence[Reference]) -> Inspection: ...


class ReferenceInPhoto(Protocol):
    """The nearest reference laid over a photo."""

    def __call__(self, photo: Photo, reference: Reference, inspection: Inspection) -> NDArray[np.uint8]: ...


class DrawOverlay(Protocol):
    """A photo with its findings drawn on it."""

    def __call__(self, image_bgr: NDArray[np.uint8], inspection: Inspection) -> NDArray[np.uint8]: ...


@dataclass(frozen=True, slots=True)
class Engine:
    """What inspects photos. Its functions live in modules, so that an engine can be sent to a worker process."""

    version: str
    read_photo: ReadPhoto
    prepare_reference: PrepareReference
    inspect_photo: InspectPhoto
    reference_in_photo: ReferenceInPhoto
    draw_overlay: DrawOverlay


def load_engine() -> Engine:
    """Load the engine of this program: it takes a moment, which `--help` and lists need not wait for."""
    from inspector.inspection.flip import reference_in_photo

    from inspector.imaging.reading import read_photo
    from inspector.inspection import ENGINE_VERSION, draw_overlay, inspect_photo, prepare_reference

    return Engine(
        version=ENGINE_VERSION,
        read_photo=read_photo,
        prepare_reference=prepare_reference,
        inspect_photo=inspect_photo,
        reference_in_photo=reference_in_photo,
        draw_overlay=draw_overlay,
    )

"""The parts of the inspection that the workshop calls, held together so that they can be handed in."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from inspector.imaging.labels import read_labels
from inspector.imaging.reading import Photo, read_photo
from inspector.inspection import (
    ENGINE_VERSION,
    Feature,
    Inspection,
    MoldModel,
    Reference,
    ReviewedPlace,
    combine,
    draw_overlay,
    inspect_photo,
    prepare_reference,
    reference_in_photo,
    with_reviews,
)
from inspector.inspection.networks import SHIPPED
from inspector.inspection.proposing import ProposedFeature, propose_features
from inspector.inspection.recognising import KnownSide, Recognition, Signature, recognise_photo, sign_reference

__all__ = ["CLASSIC", "ENGINE", "Engine", "combine_classic", "inspect_best_view"]


class ReadPhoto(Protocol):
    """Bytes of a file to a photo; raises PhotoError."""

    def __call__(self, data: bytes, *, name: str) -> Photo: ...


class ReadLabels(Protocol):
    """Bytes of a file to what the QR codes in the photo say; raises PhotoError."""

    def __call__(self, data: bytes, *, name: str) -> tuple[str, ...]: ...


class PrepareReference(Protocol):
    """A photo to a reference; raises InputError with the reason if it is a poor one."""

    def __call__(
        self, photo: Photo, *, features: Sequence[Feature] = (), outline_xy: NDArray[np.float64] | None = None
    ) -> Reference: ...


class Combine(Protocol):
    """References of one mold and view to what a good piece looks like there."""

    def __call__(self, references: Sequence[Reference]) -> MoldModel: ...


class WithReviews(Protocol):
    """What a good piece looks like, together with what reviewers said about places of the mold."""

    def __call__(self, model: MoldModel, places: Sequence[ReviewedPlace]) -> MoldModel: ...


class InspectPhoto(Protocol):
    """A photo and what good pieces look like to what was found."""

    def __call__(self, photo: Photo, references: MoldModel) -> Inspection: ...


class ReferenceInPhoto(Protocol):
    """The nearest reference laid over a photo."""

    def __call__(self, photo: Photo, reference: Reference, inspection: Inspection) -> NDArray[np.uint8]: ...


class DrawOverlay(Protocol):
    """A photo with its findings drawn on it."""

    def __call__(self, image_bgr: NDArray[np.uint8], inspection: Inspection) -> NDArray[np.uint8]: ...


class ProposeFeatures(Protocol):
    """What good pieces look like to the parts that may be worth a name."""

    def __call__(self, model: MoldModel) -> tuple[ProposedFeature, ...]: ...


class SignReference(Protocol):
    """A reference to what its mold is recognised by."""

    def __call__(self, reference: Reference) -> Signature: ...


class RecognisePhoto(Protocol):
    """A photo to the mold and side that it shows, or that it is not sure."""

    def __call__(self, photo: Photo, known: Sequence[KnownSide]) -> Recognition: ...


@dataclass(frozen=True, slots=True)
class Engine:
    """What inspects photos. Its functions live in modules, so that an engine can be sent to a worker process."""

    version: str
    read_photo: ReadPhoto
    prepare_reference: PrepareReference
    combine: Combine
    with_reviews: WithReviews
    inspect_photo: InspectPhoto
    reference_in_photo: ReferenceInPhoto
    draw_overlay: DrawOverlay
    propose_features: ProposeFeatures
    sign_reference: SignReference
    recognise_photo: RecognisePhoto
    read_labels: ReadLabels = read_labels


def combine_classic(references: Sequence[Reference]) -> MoldModel:
    """Do as `combine`, for a comparison without what was learned."""
    return combine(references, networks=None)


CLASSIC_VERSION = f"{ENGINE_VERSION} classic"

ENGINE = Engine(
    version=CLASSIC_VERSION if SHIPPED is None else ENGINE_VERSION,
    read_photo=read_photo,
    prepare_reference=prepare_reference,
    combine=combine,
    with_reviews=with_reviews,
    inspect_photo=inspect_photo,
    reference_in_photo=reference_in_photo,
    draw_overlay=draw_overlay,
    propose_features=propose_features,
    sign_reference=sign_reference,
    recognise_photo=recognise_photo,
)
CLASSIC = replace(ENGINE, version=CLASSIC_VERSION, combine=combine_classic)
"""Without the learned comparison: every finding follows from measures that can be looked up."""


def inspect_best_view(photo: Photo, models: Sequence[MoldModel], *, engine: Engine) -> Inspection:
    """Inspect a photo against each view of its mold and keep what the best fitting one says.

    Parameters
    ----------
    photo : Photo
        A photo of one side of a piece; nobody has said which.
    models : sequence of MoldModel
        At least one, one a view.
    engine : Engine
        What inspects.

    Returns
    -------
    inspection : Inspection
        Of the views that the photo can be laid over, the one that leaves least to explain.
    """
    inspections = [engine.inspect_photo(photo, model) for model in models]
    return min(inspections, key=lambda inspection: (inspection.status == "unusable", inspection.score))

"""Parts of a mold's pieces that deserve a name, since they are thin and stick out, and so break first."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.comparing.thin_parts import thin_parts
from inspector.inspection.model import MoldModel

__all__ = ["ProposedFeature", "propose_features"]

# A part that lies this much inside a feature has its name already.
SHARE_NAMED = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class ProposedFeature:
    """A part that may be worth a name. Sizes are None where no mat gave a scale."""

    reference: str  # the photo that it is drawn on
    polygon_xy: NDArray[np.float64]  # (n, 2) px of that photo
    thickness_mm: float | None
    length_mm: float | None
    named: str | None  # the feature that covers it already


def propose_features(model: MoldModel) -> tuple[ProposedFeature, ...]:
    """Find parts that are thin and stick out, the thinnest first, on the reference that the model's box lies in."""
    reference = model.references[0]
    corner = np.array(model.box[:2], dtype=np.float64)
    drawn = _drawn_features(model)
    scaled = reference.view.sighting is not None
    proposals = []
    for part in thin_parts(model.mask, px_per_mm=model.px_per_mm):
        in_frame = part.polygon_xy + corner
        in_photo = cv2.perspectiveTransform(in_frame[None], reference.view.frame.photo_from_frame)[0]
        proposals.append(
            ProposedFeature(
                reference=reference.name,
                polygon_xy=np.asarray(in_photo, dtype=np.float64),
                thickness_mm=part.thickness_mm if scaled else None,
                length_mm=part.length_mm if scaled else None,
                named=_name_of(_filled(part.polygon_xy, model.mask.shape), drawn),
            )
        )
    return tuple(proposals)


def _drawn_features(model: MoldModel) -> list[tuple[str, NDArray[np.uint8]]]:
    """The features of all references, as regions of the box."""
    drawn = []
    for reference, layer in zip(model.references, model.layers, strict=True):
        frame = reference.view.frame
        for feature in reference.features:
            points = cv2.perspectiveTransform(feature.polygon_xy[None], np.linalg.inv(frame.photo_from_frame))[0]
            region = _filled(points, (frame.size_px[1], frame.size_px[0]))
            drawn.append((feature.name, np.asarray(cv2.remap(region, layer.photo_xy, None, cv2.INTER_NEAREST))))
    return drawn


def _name_of(part: NDArray[np.uint8], drawn: list[tuple[str, NDArray[np.uint8]]]) -> str | None:
    """The feature that covers most of a part, if it covers enough."""
    needed = max(1.0, SHARE_NAMED * float(np.count_nonzero(part)))
    shared = [(float(np.count_nonzero(part & region)), name) for name, region in drawn]
    most, name = max(shared, default=(0.0, ""))
    return name if most >= needed else None


def _filled(polygon_xy: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.uint8]:
    region = np.zeros(shape[:2], dtype=np.uint8)
    cv2.fillPoly(region, [np.round(polygon_xy).astype(np.int32)], 255)
    return region

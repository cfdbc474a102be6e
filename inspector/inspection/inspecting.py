"""One photo against the references of its mold: what is missing, chipped, cracked, pitted or too much."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.warp import Warp
from inspector.comparing.silhouette import Silhouette
from inspector.imaging.reading import Photo
from inspector.inspection.evidence import Evidence, gather_evidence
from inspector.inspection.findings import findings_from
from inspector.inspection.judging import why_unusable
from inspector.inspection.layers import Layer, layer_of, silhouette_of
from inspector.inspection.model import MoldModel, Placement, align_by, align_view, combine
from inspector.inspection.reference import Reference
from inspector.inspection.results import Inspection
from inspector.inspection.view import View, look_at

__all__ = ["inspect_photo", "match_model"]

# Below these the photo shows another mold's piece, another side, or nothing that can be compared. On 63 photos of 7
# molds of the tuning split, each with one reference, the right mold's plane move scored 1.2 or more and its surface
# agreed by 0.25 or more; of 168 tries with the other molds nine in ten agreed by 0.15 or less, and the eight that did
# best, by 0.32 and more, took one round medallion for another. Where the move is clear, thin pieces in other light may
# agree by less.
LEAST_MOVE_SCORE = 0.85
LEAST_OVERLAP = 0.5
LEAST_AGREEMENT = 0.17
CLEAR_MOVE_SCORE, LEAST_CLEAR_AGREEMENT = 1.2, 0.1
# Where a shadow spoils the move's score, surfaces that meet well show that it is right all the same.
POOR_MOVE_SCORE, CLEAR_AGREEMENT = 0.5, 0.38
STEEPEST_TILT_DEG = 15.0


def inspect_photo(photo: Photo, references: Sequence[Reference] | MoldModel) -> Inspection:
    """Compare one photo with photos of good pieces of the same mold and view.

    Parameters
    ----------
    photo : Photo
    references : sequence of Reference, or MoldModel
        At least one. For many photos of one mold, ``combine`` the references once and pass the model.

    Raises
    ------
    InputError
        If there is no reference.
    """
    began = time.perf_counter()
    model = references if isinstance(references, MoldModel) else combine(references)
    view = look_at(photo, thorough=False)
    result = _inspect_view(view, model)
    return replace(result, seconds=time.perf_counter() - began)


def _inspect_view(view: View, model: MoldModel) -> Inspection:
    px_per_mm = None if view.sighting is None else view.sighting.px_per_mm
    reason = why_unusable(view)
    if reason is not None:
        return _unusable(view, f"{view.photo.name} cannot be inspected: {reason}", px_per_mm)
    matched = match_model(view, model)
    if matched is None:
        return _unusable(
            view,
            f"{view.photo.name} does not look like this mold's pieces from this side. "
            "Check the mold and the view, lay the piece as in the reference photo, and take it again.",
            px_per_mm,
        )
    warp, evidence = matched
    scale = _scale_of(view, model, warp)
    judged = findings_from(view, model, warp, evidence, px_per_mm=scale)
    return Inspection(
        photo=view.photo.name,
        status="inspected",
        reason=None,
        score=judged.score,
        px_per_mm=scale,
        reference=model.references[evidence.nearest].name,
        seconds=0.0,
        findings=judged.findings,
        warnings=_warnings(view, model),
        photo_from_reference=_homography(view, model, warp, evidence.nearest),
        not_counted=judged.not_counted,
    )


def match_model(view: View, model: MoldModel) -> tuple[Warp, Evidence] | None:
    """Align a photo to the model and gather what differs; None when it does not fit."""
    first = align_view(
        model.references[0].view, model.mask, model.likenesses[0], model.box, view, heights=model.heights
    )
    found = _fitting(first, view, model)
    # Another reference may have been photographed more like this photo than the first was.
    for number in range(1, len(model.references)):
        if found is None:
            found = _fitting(align_by(model, number, view), view, model)
    if found is None:
        return None
    warp, layer, silhouette = found
    return warp, gather_evidence(view, model, layer, silhouette, warp.features)


def _fitting(placement: Placement | None, view: View, model: MoldModel) -> tuple[Warp, Layer, Silhouette] | None:
    """A placement with what the photo shows there; None when it does not fit."""
    if placement is None:
        return None
    warp = placement.warp
    if placement.move.score < (POOR_MOVE_SCORE if warp.agreement >= CLEAR_AGREEMENT else LEAST_MOVE_SCORE):
        return None
    layer = layer_of(view, warp.photo_xy)
    silhouette = silhouette_of(layer, model.inside_mm, model.px_per_mm)
    inside = (model.mask > 127) & layer.valid
    shown = float(np.mean(silhouette.mask[inside] > 127)) if inside.any() else 0.0
    clear = placement.move.score >= CLEAR_MOVE_SCORE
    if shown < LEAST_OVERLAP or warp.agreement < (LEAST_CLEAR_AGREEMENT if clear else LEAST_AGREEMENT):
        return None
    return warp, layer, silhouette


def _unusable(view: View, reason: str, px_per_mm: float | None) -> Inspection:
    return Inspection(view.photo.name, "unusable", reason, 0.0, px_per_mm, None, 0.0)


def _scale_of(view: View, model: MoldModel, warp: Warp) -> float | None:
    """Photo px per mm: from the photo's mat, else from a reference that had one."""
    if view.sighting is not None:
        return view.sighting.px_per_mm
    if model.references[0].view.sighting is None:
        return None
    # The box is in mm of the first reference's mat: how many photo px is one of its mm?
    scale = _photo_px_per_box_px(view, model, warp)
    return scale * model.px_per_mm


def _photo_px_per_box_px(view: View, model: MoldModel, warp: Warp) -> float:
    """Root of the area ratio over the piece."""
    rows, columns = _some_places(model, 400)
    there = warp.photo_xy[rows, columns].astype(np.float64)
    photo = cv2.perspectiveTransform(there[None], view.frame.photo_from_frame)[0]
    fitted, _ = cv2.estimateAffine2D(np.column_stack([columns, rows]).astype(np.float64), photo)
    return float(np.sqrt(abs(np.linalg.det(fitted[:, :2]))))


def _some_places(model: MoldModel, count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of about so many places all over the piece."""
    inside = np.flatnonzero(model.mask > 127)
    return np.divmod(inside[:: max(1, len(inside) // count)], model.mask.shape[1])


def _homography(view: View, model: MoldModel, warp: Warp, nearest: int) -> NDArray[np.float64] | None:
    """Photo px from px of the nearest reference, as good as one plane can do."""
    rows, columns = _some_places(model, 800)
    reference = model.references[nearest].view
    here = model.layers[nearest].photo_xy[rows, columns].astype(np.float64)
    from_xy = cv2.perspectiveTransform(here[None], reference.frame.photo_from_frame)[0]
    there = warp.photo_xy[rows, columns].astype(np.float64)
    to_xy = cv2.perspectiveTransform(there[None], view.frame.photo_from_frame)[0]
    homography, _ = cv2.findHomography(from_xy, to_xy, cv2.RANSAC, 6.0)
    return None if homography is None else np.asarray(homography, dtype=np.float64)


def _warnings(view: View, model: MoldModel) -> tuple[str, ...]:
    """What would make the next photo better."""
    told = []
    if view.sighting is not None:
        if len(view.sighting.marker_ids) < 3:
            told.append("Only two of the four mat markers are in view: sizes are less sure. Move back a little.")
        if view.sighting.camera.tilt_deg > STEEPEST_TILT_DEG:
            told.append(
                f"The camera was tilted by {view.sighting.camera.tilt_deg:.0f} degrees. "
                "Hold the phone flat over the mat: up to 15 degrees is fine."
            )
    elif any(reference.view.sighting is not None for reference in model.references):
        told.append("The photo mat was not seen: sizes are less sure. Lay the piece on it and show all four markers.")
    if len(model.references) == 1:
        told.append("Compared with one reference only: small differences are allowed for. Add two more good pieces.")
        if model.outline_unsure:
            told.append(
                f"The outline of reference {model.references[0].name} may be wrong, since piece and mat look alike in "
                "its light. Correct it, or take it again in softer light or on the speckled mat."
            )
    told.extend(f"Reference {name} does not fit the others and was left out." for name in model.left_out)
    return tuple(told)

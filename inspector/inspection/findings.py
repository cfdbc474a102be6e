"""From candidates to findings: how sure, which kind, what size, which feature, and where in the photo."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.warp import Warp
from inspector.inspection.candidates import Candidate, all_candidates
from inspector.inspection.confidence import confidence_of, is_shown, kind_of
from inspector.inspection.crack_size import crack_size_px
from inspector.inspection.evidence import Evidence
from inspector.inspection.model import MoldModel
from inspector.inspection.results import Finding
from inspector.inspection.view import View

__all__ = ["findings_from", "polygon_of"]

# Two candidates closer than this are one place.
JOINED_WITHIN_MM = 1.5


def findings_from(
    view: View, model: MoldModel, warp: Warp, evidence: Evidence, *, px_per_mm: float | None
) -> tuple[tuple[Finding, ...], float]:
    """Findings, most certain first, and the probability that the piece has any defect."""
    judged = [(candidate, confidence_of(candidate)) for candidate in all_candidates(model, evidence)]
    shown = [pair for pair in judged if is_shown(*pair, references=len(model.references))]
    kept = _without_doubles(shown, model)
    findings = [_finding(candidate, confidence, view, model, warp, px_per_mm) for candidate, confidence in kept]
    findings.sort(key=lambda finding: -finding.confidence)
    score = max((confidence for _, confidence in judged), default=0.0)
    return tuple(findings), score


def polygon_of(candidate: Candidate, view: View, warp: Warp) -> NDArray[np.float64]:
    """The outline of a candidate in px of the photo, shape (n, 2)."""
    return _to_photo(_outline(candidate), view, warp)


def _without_doubles(judged: Sequence[tuple[Candidate, float]], model: MoldModel) -> list[tuple[Candidate, float]]:
    """The more certain of candidates that lie on or beside each other."""
    order = sorted(judged, key=lambda pair: -pair[1])
    taken = np.zeros(model.mask.shape, dtype=np.uint8)
    reach = 2 * round(JOINED_WITHIN_MM * model.px_per_mm) + 1
    kept = []
    for candidate, confidence in order:
        here = np.zeros(model.mask.shape, dtype=np.uint8)
        _stamp(here, candidate)
        share = float(np.count_nonzero((here > 0) & (taken > 0))) / max(1.0, float(np.count_nonzero(here)))
        if share > 0.4:
            continue
        kept.append((candidate, confidence))
        np.maximum(taken, cv2.dilate(here, np.ones((reach, reach), dtype=np.uint8)), out=taken)
    return kept


def _stamp(full: NDArray[np.uint8], candidate: Candidate) -> None:
    """Write a candidate's mask into an empty box."""
    height, width = candidate.mask.shape
    y0, x0 = max(0, candidate.top), max(0, candidate.left)
    y1, x1 = min(full.shape[0], candidate.top + height), min(full.shape[1], candidate.left + width)
    if y1 > y0 and x1 > x0:
        full[y0:y1, x0:x1] = candidate.mask[
            y0 - candidate.top : y1 - candidate.top, x0 - candidate.left : x1 - candidate.left
        ]


def _finding(
    candidate: Candidate,
    confidence: float,
    view: View,
    model: MoldModel,
    warp: Warp,
    px_per_mm: float | None,
) -> Finding:
    polygon_xy = polygon_of(candidate, view, warp)
    kind = kind_of(candidate)
    area = length = width = depth = None
    if px_per_mm is not None:
        contour = polygon_xy.astype(np.float32)[:, None]
        sides = [float(side) for side in cv2.minAreaRect(contour)[1]]
        area = float(cv2.contourArea(contour)) / px_per_mm**2
        length, width = float(max(sides)) / px_per_mm, float(min(sides)) / px_per_mm
        if candidate.path_xy is not None:
            path = _to_photo(candidate.path_xy, view, warp)
            length, width = (side / px_per_mm for side in crack_size_px(view.gray, path, px_per_mm=px_per_mm))
            area = length * width
        elif candidate.source == "outline":
            depth = candidate.numbers["depth_mm"]
    return Finding(
        kind=kind,
        polygon_xy=polygon_xy,
        confidence=confidence,
        area_mm2=area,
        length_mm=length,
        width_mm=width,
        depth_mm=depth,
        feature=_feature(candidate, model),
    )


def _outline(candidate: Candidate) -> NDArray[np.float64]:
    """The longest outline of a candidate, a few points a millimetre, in the box."""
    padded = cv2.copyMakeBorder(candidate.mask, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    contours, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(contours, key=cv2.contourArea)
    simple = cv2.approxPolyDP(longest, 0.7, True).reshape(-1, 2).astype(np.float64)
    if len(simple) < 3:
        left, top, width, height = cv2.boundingRect(longest)
        simple = np.array(
            [[left, top], [left + width, top], [left + width, top + height], [left, top + height]], dtype=np.float64
        )
    corner = np.array([candidate.left - 1, candidate.top - 1], dtype=np.float64)
    return np.asarray(simple + corner)


def _to_photo(box_xy: NDArray[np.float64], view: View, warp: Warp) -> NDArray[np.float64]:
    """Points of the box in px of the photo."""
    at = box_xy.astype(np.float32)[None]
    frame_xy = cv2.remap(warp.photo_xy, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]
    photo_xy = cv2.perspectiveTransform(frame_xy.astype(np.float64)[None], view.frame.photo_from_frame)[0]
    height, width = view.gray.shape
    return np.asarray(np.clip(photo_xy, 0, (width - 1, height - 1)))


def _feature(candidate: Candidate, model: MoldModel) -> str | None:
    """The named feature that the candidate touches most."""
    full = np.zeros(model.mask.shape, dtype=np.uint8)
    _stamp(full, candidate)
    shared = [(cv2.countNonZero(cv2.bitwise_and(drawn, full)), name) for name, drawn in model.features]
    most, name = max(shared, key=lambda one: one[0], default=(0, None))
    return name if most > 0 else None

"""From candidates to findings: how sure, which kind, what size, which feature, and where in the photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.warp import Warp
from inspector.comparing.overlying import goes_on_beyond
from inspector.inspection.candidates import Candidate, all_candidates
from inspector.inspection.confidence import confidence_of, is_shown, kind_of
from inspector.inspection.crack_size import crack_size_px
from inspector.inspection.evidence import Evidence
from inspector.inspection.model import MoldModel
from inspector.inspection.results import Finding, SeenAs
from inspector.inspection.reviewed_places import Said, lowered, said_at
from inspector.inspection.view import View

__all__ = ["JudgedFindings", "findings_from", "polygon_of"]

# Two candidates closer than this are one place.
JOINED_WITHIN_MM = 1.5
# Dark lines beside the crack map are shown when they are sure. The others say nothing of the whole piece: without them
# good and broken pieces of the tuning split part better (AUROC 0.918 in place of 0.913, molds left out in turn).
COUNTS_WHEN_SHOWN = "line"
# One that shares more than this part of itself with a surer one goes.
MOST_SHARED = 0.4
# A lost outline of which more than this part lies in what the damage map found is shown with it.
LEAST_WITHIN = 0.5
# The map's raster is twice as coarse as the box: its steps are rounded off by a standard deviation of this.
SMOOTH_MM = 0.4
SEEN_AS: dict[str, SeenAs] = {
    "outline": "outline lost",
    "excess": "outline grown",
    "damage": "surface changed",
    "relief": "surface changed",
    "crack": "dark line",
    "line": "dark line",
    "bare line": "dark line",
}


@dataclass(frozen=True, slots=True, eq=False)
class JudgedFindings:
    """What the candidates of a photo came to."""

    findings: tuple[Finding, ...]  # most certain first
    not_counted: tuple[Finding, ...]  # those that would be among them, had reviewers said nothing about their places
    score: float  # the probability that the piece has any defect


@dataclass(frozen=True, slots=True, eq=False)
class _Judged:
    candidate: Candidate
    alone: float  # how sure it is by itself
    confidence: float  # after what reviewers said about its place
    said: Said


def findings_from(
    view: View, model: MoldModel, warp: Warp, evidence: Evidence, *, px_per_mm: float | None
) -> JudgedFindings:
    """Judge all candidates of a photo, and measure those that are likely enough."""
    judged = [
        one
        for one in (_judge(candidate, model) for candidate in all_candidates(model, evidence))
        if not (is_shown(one.candidate, one.alone) and _lies_on_top(one.candidate, model, evidence))
    ]
    shown = [one for one in judged if is_shown(one.candidate, one.confidence)]
    before = [one for one in judged if is_shown(one.candidate, one.alone) and one not in shown]
    order = [
        *sorted(shown, key=lambda one: -one.confidence),
        *sorted(before, key=lambda one: -one.alone),  # the last to take a place
    ]
    kept = _without_doubles(order, model)
    telling = [one for one in judged if one in shown or one.candidate.source != COUNTS_WHEN_SHOWN]
    return JudgedFindings(
        findings=tuple(_finding(one, shown, view, model, warp, px_per_mm) for one in kept if one in shown),
        not_counted=tuple(_finding(one, before, view, model, warp, px_per_mm) for one in kept if one in before),
        score=max((one.confidence for one in telling), default=0.0),
    )


def _judge(candidate: Candidate, model: MoldModel) -> _Judged:
    alone = confidence_of(candidate)
    said = said_at(candidate.mask, candidate.left, candidate.top, kind_of(candidate), model.reviewed)
    return _Judged(candidate, alone, lowered(alone, said), said)


def _lies_on_top(candidate: Candidate, model: MoldModel, evidence: Evidence) -> bool:
    """Whether a line is a hair or a thread: a crack does not go on over the mat."""
    if candidate.path_xy is None:
        return False
    scale = evidence.line_px_per_mm
    path = (candidate.path_xy + 0.5) * (scale / model.px_per_mm) - 0.5
    return goes_on_beyond(evidence.line_smooth, path, model.outside_mm, px_per_mm=scale)


def polygon_of(candidate: Candidate, view: View, warp: Warp) -> NDArray[np.float64]:
    """The outline of a candidate in px of the photo, shape (n, 2)."""
    return _to_photo(_outline(candidate), view, warp.photo_xy)


def _without_doubles(order: Sequence[_Judged], model: MoldModel) -> list[_Judged]:
    """The first of candidates that lie on or beside each other."""
    taken = np.zeros(model.mask.shape, dtype=np.uint8)
    reach = 2 * round(JOINED_WITHIN_MM * model.px_per_mm) + 1
    kept = []
    for one in order:
        here = _in_box(one.candidate, model)
        share = float(np.count_nonzero((here > 0) & (taken > 0))) / max(1.0, float(np.count_nonzero(here)))
        if share > MOST_SHARED:
            continue
        kept.append(one)
        np.maximum(taken, cv2.dilate(here, np.ones((reach, reach), dtype=np.uint8)), out=taken)
    return kept


def _in_box(candidate: Candidate, model: MoldModel) -> NDArray[np.uint8]:
    """A candidate's mask in the whole box."""
    full = np.zeros_like(model.mask)
    height, width = candidate.mask.shape
    y0, x0 = max(0, candidate.top), max(0, candidate.left)
    y1, x1 = min(full.shape[0], candidate.top + height), min(full.shape[1], candidate.left + width)
    if y1 > y0 and x1 > x0:
        full[y0:y1, x0:x1] = candidate.mask[
            y0 - candidate.top : y1 - candidate.top, x0 - candidate.left : x1 - candidate.left
        ]
    return full


def _finding(
    judged: _Judged,
    others: Sequence[_Judged],
    view: View,
    model: MoldModel,
    warp: Warp,
    px_per_mm: float | None,
) -> Finding:
    candidate = judged.candidate
    here = _in_box(candidate, model)
    lost = _lost_outline(candidate, here, others, model)
    outline = _outline(_as_shown(candidate, here, lost, model))
    polygon_xy = _to_photo(outline, view, warp.photo_xy)
    kind = kind_of(candidate)
    area = length = width = depth = tortuosity = None
    if candidate.path_xy is not None and candidate.numbers["straight"] > 0:
        tortuosity = 1 / candidate.numbers["straight"]
    if px_per_mm is not None:
        contour = polygon_xy.astype(np.float32)[:, None]
        sides = [float(side) for side in cv2.minAreaRect(contour)[1]]
        area = float(cv2.contourArea(contour)) / px_per_mm**2
        length, width = float(max(sides)) / px_per_mm, float(min(sides)) / px_per_mm
        if candidate.path_xy is not None:
            path = _to_photo(candidate.path_xy, view, warp.photo_xy)
            length, width = (side / px_per_mm for side in crack_size_px(view.gray, path, px_per_mm=px_per_mm))
            area = length * width
        elif lost is not None:
            depth = lost.numbers["depth_mm"]
    return Finding(
        kind=kind,
        polygon_xy=polygon_xy,
        confidence=judged.confidence,
        area_mm2=area,
        length_mm=length,
        width_mm=width,
        depth_mm=depth,
        feature=_feature(here, model),
        confidence_alone=judged.alone if judged.confidence < judged.alone else None,
        dismissed_on=len(judged.said.dismissed),
        seen_as=SEEN_AS[candidate.source if lost is None else lost.source],
        on_references=tuple(
            (reference.name, _to_photo(outline, reference.view, layer.photo_xy))
            for reference, layer in zip(model.references, model.layers, strict=True)
        ),
        tortuosity=tortuosity,
    )


def _lost_outline(
    candidate: Candidate, here: NDArray[np.uint8], others: Sequence[_Judged], model: MoldModel
) -> Candidate | None:
    """The lost outline that a place is, itself or another candidate there: the plainest that can be said of it."""
    if candidate.source == "outline":
        return candidate
    if candidate.path_xy is not None or candidate.source == "excess":
        return None
    for other in others:
        if other.candidate.source != "outline":
            continue
        there = _in_box(other.candidate, model)
        smaller = min(cv2.countNonZero(here), cv2.countNonZero(there))
        if cv2.countNonZero(cv2.bitwise_and(here, there)) > MOST_SHARED * smaller:
            return other.candidate
    return None


def _as_shown(candidate: Candidate, here: NDArray[np.uint8], lost: Candidate | None, model: MoldModel) -> Candidate:
    """A candidate as people see it: with all of a lost outline that mostly lies in it, and its edges rounded off."""
    if candidate.source != "damage":
        return candidate
    shape = here
    if lost is not None:
        there = _in_box(lost, model)
        if cv2.countNonZero(cv2.bitwise_and(shape, there)) > LEAST_WITHIN * cv2.countNonZero(there):
            shape = cv2.bitwise_or(shape, there)
    smooth = cv2.threshold(cv2.GaussianBlur(shape, (0, 0), SMOOTH_MM * model.px_per_mm), 127, 255, cv2.THRESH_BINARY)[1]
    return replace(candidate, mask=smooth if smooth.any() else shape, left=0, top=0)


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


def _to_photo(box_xy: NDArray[np.float64], view: View, frame_map: NDArray[np.float32]) -> NDArray[np.float64]:
    """Points of the box in px of the photo, whose frame the map has at each pixel of the box."""
    at = box_xy.astype(np.float32)[None]
    frame_xy = cv2.remap(frame_map, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]
    photo_xy = cv2.perspectiveTransform(frame_xy.astype(np.float64)[None], view.frame.photo_from_frame)[0]
    height, width = view.gray.shape
    return np.asarray(np.clip(photo_xy, 0, (width - 1, height - 1)))


def _feature(here: NDArray[np.uint8], model: MoldModel) -> str | None:
    """The named feature that a place of the box touches most."""
    shared = [(cv2.countNonZero(cv2.bitwise_and(drawn, here)), name) for name, drawn in model.features]
    most, name = max(shared, key=lambda one: one[0], default=(0, None))
    return name if most > 0 else None

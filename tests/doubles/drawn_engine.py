"""An engine for drawings: a light block is the piece, red on it a chip, blue a hairline crack, black is unusable."""

import os
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np

from inspector.errors import PhotoError
from inspector.imaging.reading import Photo, read_photo
from inspector.inspection.engine import Engine
from inspector.inspection.proposing import ProposedFeature
from inspector.inspection.recognising import Contender, Recognition, make_signature
from inspector.inspection.results import Finding, Inspection
from inspector.inspection.reviewed_places import ReviewedPlace

PX_PER_MM = 5.0
SHIFT_XY = (5.0, 3.0)  # from a reference to a photo
SHOWN_FROM = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class DrawnReference:
    name: str
    image_bgr: Any
    outline_xy: Any
    px_per_mm: float | None
    features: tuple[Any, ...]

    @property
    def view(self):
        return SimpleNamespace(photo=Photo(self.name, self.image_bgr, None, None))

    @property
    def piece(self):
        mask = np.zeros(self.image_bgr.shape[:2], np.uint8)
        cv2.fillPoly(mask, [np.round(self.outline_xy).astype(np.int32)], 1)
        return mask > 0


def prepare_reference(photo, *, features=(), outline_xy=None):
    box = _box(_light(photo.image_bgr)) if outline_xy is None else outline_xy
    if box is None:
        raise PhotoError(f"Photo {photo.name} shows no piece. Lay it inside the markers.")
    return DrawnReference(photo.name, photo.image_bgr, box, PX_PER_MM, tuple(features))


@dataclass(frozen=True, slots=True, eq=False)
class DrawnModel:
    references: tuple[DrawnReference, ...]
    left_out: tuple[str, ...]
    reviewed: tuple[ReviewedPlace, ...] = ()


def with_reviews(model, places):
    return replace(model, reviewed=tuple(places))


def combine(references):
    """Leave out references whose piece is of another size than that of the first."""
    sizes = [np.ptp(reference.outline_xy, axis=0) for reference in references]
    fitting = [np.allclose(size, sizes[0], atol=5) for size in sizes]
    return DrawnModel(
        tuple(reference for reference, fits in zip(references, fitting, strict=True) if fits),
        tuple(reference.name for reference, fits in zip(references, fitting, strict=True) if not fits),
    )


def inspect_photo(photo, model):
    references = model.references
    blue_mean, green_mean, red_mean, _ = cv2.mean(photo.image_bgr)
    mean = (blue_mean + green_mean + red_mean) / 3
    if mean < 20:
        reason = f"Photo {photo.name} is too dark. Turn on a light."
        return Inspection(photo.name, "unusable", reason, 0.0, None, None, 0.01)
    if mean > 250:
        raise ZeroDivisionError("a fault of the program")
    if green_mean > 245 and blue_mean < 20:  # all yellow-green: ends the process
        os._exit(3)
    block = _box(_light(photo.image_bgr))
    if block is None or not np.allclose(np.ptp(block, axis=0), np.ptp(references[0].outline_xy, axis=0), atol=5):
        reason = f"Photo {photo.name} does not look like this mold's pieces. Check the mold and the view."
        return Inspection(photo.name, "unusable", reason, 0.0, None, None, 0.01)
    blue, green, red = cv2.split(photo.image_bgr)
    findings = []
    marks = {
        "chip": cv2.subtract(red, cv2.max(blue, green)),
        "hairline crack": cv2.subtract(blue, cv2.max(red, green)),
    }
    for kind, excess in marks.items():
        box = _box(excess > 100)
        if box is not None:
            length, width = sorted(np.ptp(box, axis=0) / PX_PER_MM, reverse=True)
            seen_as = "dark line" if kind == "hairline crack" else "outline lost"
            area, feature = float(length * width), _feature(references)
            found = Finding(kind, box, 0.9, area, float(length), float(width), None, feature, seen_as=seen_as)
            findings.append(_after_reviews(found, model))
    return Inspection(
        photo=photo.name,
        status="inspected",
        reason=None,
        score=0.95 if findings else 0.05,
        px_per_mm=PX_PER_MM,
        reference=references[-1].name,
        seconds=0.01,
        findings=tuple(found for found in findings if found.confidence >= SHOWN_FROM),
        photo_from_reference=np.array([[1.0, 0, SHIFT_XY[0]], [0, 1, SHIFT_XY[1]], [0, 0, 1]]),
        not_counted=tuple(found for found in findings if found.confidence < SHOWN_FROM),
    )


def _after_reviews(found, model):
    """Take 0.3 off for each piece on which a mark was dismissed around the middle of this one."""
    on_references = tuple((reference.name, found.polygon_xy - SHIFT_XY) for reference in model.references)
    middle = tuple(map(float, (found.polygon_xy - SHIFT_XY).mean(axis=0)))
    there = [
        place
        for place in model.reviewed
        if place.kind == found.kind and cv2.pointPolygonTest(place.polygon_xy.astype(np.float32), middle, False) >= 0
    ]
    dismissed = {place.piece for place in there if not place.confirmed}
    confirmed = {place.piece for place in there if place.confirmed}
    less = 0.3 * max(0, len(dismissed) - len(confirmed))
    return replace(
        found,
        confidence=found.confidence - less,
        confidence_alone=found.confidence if less else None,
        dismissed_on=len(dismissed),
        on_references=on_references,
    )


def reference_in_photo(photo, reference, inspection):
    height, width = photo.image_bgr.shape[:2]
    return cv2.warpPerspective(reference.image_bgr, inspection.photo_from_reference, (width, height))


def draw_overlay(image_bgr, inspection):
    picture = image_bgr.copy()
    for finding in inspection.findings:
        cv2.polylines(picture, [np.round(finding.polygon_xy).astype(np.int32)], True, (0, 0, 0), 2)
    return picture


def propose_features(model):
    """Propose the left and the right end of the block."""
    reference = model.references[0]
    (left, top), (right, bottom) = reference.outline_xy.min(axis=0), reference.outline_xy.max(axis=0)
    named = {feature.name for feature in reference.features}
    ends = {"left end": (left, left + 10), "right end": (right - 10, right)}
    return tuple(
        ProposedFeature(
            reference.name,
            np.array([[x0, top], [x1, top], [x1, bottom], [x0, bottom]]),
            2.0,
            10.0,
            name if name in named else None,
        )
        for name, (x0, x1) in ends.items()
    )


def sign_reference(reference):
    gray = cv2.cvtColor(reference.image_bgr, cv2.COLOR_BGR2GRAY)
    return make_signature(gray, np.where(reference.piece, 255, 0).astype(np.uint8), on_mat=True)


def recognise_photo(photo, known):
    """Name the side whose block is as large, if there is one only."""
    block = _box(_light(photo.image_bgr))
    if block is None:
        return Recognition(None, None, (), unusable="no piece was found in it. Lay the piece inside the markers.")
    fitting = [
        Contender(side.mold, side.view, 2.5, 0.9)
        for side in known
        if any(np.allclose(cv2.boundingRect(s.mask)[2:], np.ptp(block, axis=0), atol=5) for s in side.signatures)
    ]
    molds = {contender.mold for contender in fitting}
    sure = len(molds) == 1
    return Recognition(
        fitting[0].mold if sure else None, fitting[0].view if sure and len(fitting) == 1 else None, tuple(fitting)
    )


def _feature(references):
    return next((feature.name for reference in references for feature in reference.features), None)


def _light(image_bgr):
    blue, green, red = cv2.split(image_bgr)
    return cv2.min(cv2.min(blue, green), red) > 150


def _box(mask):
    x0, y0, width, height = cv2.boundingRect(mask.astype(np.uint8))
    if not width:
        return None
    x1, y1 = x0 + width - 1, y0 + height - 1
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=float)


DRAWN_ENGINE = Engine(
    version="drawn-1",
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


def inspect_without_cracks(photo, references):
    """Do as the drawn engine, but see no crack."""
    seen = inspect_photo(photo, references)
    return replace(seen, findings=tuple(one for one in seen.findings if one.kind != "hairline crack"))


DRAWN_CLASSIC = replace(DRAWN_ENGINE, version="drawn-1 classic", inspect_photo=inspect_without_cracks)

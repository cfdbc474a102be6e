"""What a workshop's own photos can show: from which size on are chips and cracks found there?

Defects of known size are planted into the reference photos of a mold, each inspected against the other references only,
and the hits and misses fitted (``inspection.hit_miss``). What would help is told from what the photos themselves
are like: their scale, sharpness and light.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.errors import InputError
from inspector.imaging.mat import MARKER_SIDE_MM, find_mat
from inspector.imaging.reading import Photo
from inspector.inspection import Finding, MoldModel, Reference
from inspector.inspection.engine import Engine
from inspector.inspection.hit_miss import DetectionCurve, fit_hit_miss
from inspector.inspection.painted_damage import PlantedDamage, extent_px, plant_chip, plant_crack

__all__ = ["DetectionLimit", "DetectionLimits", "PhotoQuality", "SizeClass", "measure_limits"]

PlantedKind = Literal["chip", "hairline crack"]

# Sizes are spread evenly over the logarithm between these: largest extent of chips, width of cracks.
CHIPS_MM = (1.5, 14.0)
CRACKS_MM = (0.08, 1.2)
CRACK_LENGTHS_MM = (15.0, 35.0)
OF_A_KIND_PER_PHOTO = 2
# Planted defects keep this far from each other, from the outline and from what is found on the untouched photo.
APART_MM = 6.0
OUTLINE_MM = 1.0
# A finding, grown by 1 mm, hits a defect when it covers at least a quarter of the smaller of the two areas.
GROWN_MM = 1.0
LEAST_SHARED = 0.25
CLASSES = 6
# Sharpness is judged after a little smoothing against noise, on steps of at least this many grey levels, which may be
# spread over this far to each side.
EDGE_SMOOTHING_PX = 0.8
EDGE_REACH_PX = 6
LEAST_RISE = 25.0
# The pixels themselves blur by 1 / sqrt(12); demosaicing and the lens make half a pixel of it. No photo is sharper.
SHARPEST_BLUR_PX = 0.5
# Above this, finer things would show on the same pixels if the photo were sharper.
SHARP_BLUR_PX = 1.2
# Below this the middle brightness of the piece is that of an underexposed photo, and noise grows.
DARK = 85.0
BURNT_OUT_SHARE = 0.02
ROOM_TO_GO_CLOSER = 1.15
ENOUGH_REFERENCES = 4


@dataclass(frozen=True, slots=True)
class SizeClass:
    """Hits among the planted defects of about one size."""

    low_mm: float
    high_mm: float
    planted: int
    found: int


@dataclass(frozen=True, slots=True)
class DetectionLimit:
    """From which size on defects of one kind are found."""

    kind: PlantedKind
    planted: int
    found: int
    smallest_mm: float  # the sizes tried
    largest_mm: float
    classes: tuple[SizeClass, ...]
    curve: DetectionCurve | None  # None where hits and misses allow none
    curve_points: tuple[tuple[float, float], ...]  # size in mm, probability of being found

    @property
    def reached_mm(self) -> float | None:
        """The detection limit a90/95, None where it is not reached within the sizes tried."""
        if self.curve is None or self.curve.a90_95 is None or self.curve.a90_95 > self.largest_mm:
            return None
        return self.curve.a90_95


@dataclass(frozen=True, slots=True)
class PhotoQuality:
    """What a photo is like, as far as it bears on what can be seen in it."""

    photo: str
    px_per_mm: float
    blur_px: float  # standard deviation
    brightness: float  # median of the piece, of 255
    burnt_out: float  # part of the piece
    zoom: float | None  # how many times larger the mat could be in the photo, None without a mat


@dataclass(frozen=True, slots=True)
class DetectionLimits:
    """What the photos of one view of a mold can show."""

    chips: DetectionLimit
    cracks: DetectionLimit
    photos: tuple[PhotoQuality, ...]  # the references that were planted into
    inspected: int  # photos with planted defects
    refused: int  # those that were refused as unusable, planted and all
    false_findings: float  # mean on an untouched photo
    advice: tuple[str, ...]  # what would improve it, the most useful first


@dataclass(slots=True, eq=False)
class _Tally:
    """Sizes planted and whether they were found."""

    sizes_mm: list[float] = field(default_factory=list)
    found: list[bool] = field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class _Ground:
    """A reference photo to plant into."""

    reference: Reference
    px_per_mm: float
    quality: PhotoQuality
    free: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is to be planted into one photo."""

    chips_mm: tuple[float, ...]
    cracks_mm: tuple[float, ...]


def measure_limits(
    references: Sequence[Reference],
    *,
    engine: Engine,
    photos: int,
    seed: int,
    advance: Callable[[], None],
) -> DetectionLimits:
    """Plant defects into the references of one mold and view, and see which are found.

    Parameters
    ----------
    references : sequence of Reference
        At least two; each is planted into and compared with the others.
    engine : Engine
        What inspects.
    photos : int
        How many photos with planted defects are inspected, two chips and two cracks in each.
    seed : int
        The same seed plants the same defects.
    advance : callable
        Called after each photo.

    Raises
    ------
    InputError
        If there are too few references, or none of them has a scale.
    """
    if len(references) < 2:
        raise InputError(
            "The mold has one reference only. Its photo is planted into and compared with the others, so add at least "
            "one more good piece; three are better."
        )
    usable = [k for k, reference in enumerate(references) if reference.px_per_mm is not None]
    if not usable:
        raise InputError("No reference of this mold shows the mat, so sizes are not known. Add references on the mat.")
    rng = np.random.default_rng(seed)
    wanted = _spread(photos, rng)
    chips, cracks = _Tally(), _Tally()
    qualities, untouched, refused = [], [], 0
    for turn, k in enumerate(usable):
        model = engine.combine([other for j, other in enumerate(references) if j != k])
        ground, false_findings = _prepare(references[k], model, engine)
        qualities.append(ground.quality)
        untouched.append(false_findings)
        for one in wanted[turn :: len(usable)]:
            refused += not _plant_and_inspect(ground, one, model, engine, rng, (chips, cracks))
            advance()
    chip_limit = _limit("chip", chips, CHIPS_MM)
    crack_limit = _limit("hairline crack", cracks, CRACKS_MM)
    return DetectionLimits(
        chips=chip_limit,
        cracks=crack_limit,
        photos=tuple(qualities),
        inspected=photos - refused,
        refused=refused,
        false_findings=float(np.mean(untouched)),
        advice=_advice(qualities, len(references), crack_limit),
    )


def _spread(photos: int, rng: np.random.Generator) -> list[_Wanted]:
    """Sizes evenly over the logarithm, in chance order."""
    count = photos * OF_A_KIND_PER_PHOTO
    chips = rng.permutation(np.geomspace(*CHIPS_MM, count)).reshape(photos, OF_A_KIND_PER_PHOTO)
    cracks = rng.permutation(np.geomspace(*CRACKS_MM, count)).reshape(photos, OF_A_KIND_PER_PHOTO)
    return [_Wanted(tuple(map(float, c)), tuple(map(float, w))) for c, w in zip(chips, cracks, strict=True)]


def _prepare(reference: Reference, model: MoldModel, engine: Engine) -> tuple[_Ground, int]:
    """The reference as ground to plant into, and how many findings it has as it is."""
    px_per_mm = float(reference.px_per_mm or 0.0)
    piece = reference.piece
    free = piece & ~_grown(~piece, OUTLINE_MM * px_per_mm)
    inspection = engine.inspect_photo(Photo(reference.name, reference.image_bgr, None, None), model)
    for finding in inspection.findings:
        found = _filled(finding, free.shape)
        free &= ~_grown(found, APART_MM * px_per_mm)
    return _Ground(reference, px_per_mm, _judge(reference, piece, px_per_mm), free), len(inspection.findings)


def _plant_and_inspect(
    ground: _Ground,
    wanted: _Wanted,
    model: MoldModel,
    engine: Engine,
    rng: np.random.Generator,
    tallies: tuple[_Tally, _Tally],
) -> bool:
    """Plant into one photo, inspect it, count chips and cracks; False where the photo was refused."""
    chips, cracks = tallies
    image, free, scale = ground.reference.image_bgr, ground.free, ground.px_per_mm
    planted: list[tuple[_Tally, float, PlantedDamage]] = []
    for extent_mm in wanted.chips_mm:
        damage = plant_chip(image, free, extent_mm=extent_mm, px_per_mm=scale, rng=rng)
        if damage is not None:
            planted.append((chips, extent_px(damage.mask) / scale, damage))
            image, free = damage.image_bgr, free & ~_grown(damage.mask, APART_MM * scale)
    longest_mm = min(CRACK_LENGTHS_MM[1], 0.6 * float(np.sqrt(np.count_nonzero(free))) / scale)
    for width_mm in wanted.cracks_mm:
        length_mm = min(float(rng.uniform(*CRACK_LENGTHS_MM)), longest_mm)
        blur_px = ground.quality.blur_px
        damage = plant_crack(
            image, free, width_mm=width_mm, length_mm=length_mm, px_per_mm=scale, blur_px=blur_px, rng=rng
        )
        if damage is not None:
            planted.append((cracks, width_mm, damage))
            image, free = damage.image_bgr, free & ~_grown(damage.mask, APART_MM * scale)
    inspection = engine.inspect_photo(Photo(ground.reference.name, image, None, None), model)
    if inspection.status == "unusable":
        return False
    found = [_grown(_filled(finding, free.shape), GROWN_MM * scale) for finding in inspection.findings]
    for tally, size_mm, damage in planted:
        tally.sizes_mm.append(size_mm)
        tally.found.append(any(_hits(one, damage.mask) for one in found))
    return True


def _hits(found: NDArray[np.bool_], planted: NDArray[np.bool_]) -> bool:
    shared = np.count_nonzero(found & planted)
    return bool(shared >= LEAST_SHARED * min(np.count_nonzero(found), np.count_nonzero(planted)))


def _filled(finding: Finding, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    region = np.zeros(shape, dtype=np.uint8)
    cv2.fillPoly(region, [np.round(finding.polygon_xy).astype(np.int32)], 1)
    return region > 0


def _grown(region: NDArray[np.bool_], by_px: float) -> NDArray[np.bool_]:
    """All within a distance of a region."""
    if not region.any():
        return region
    return np.asarray(cv2.distanceTransform((~region).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5) <= by_px)


def _judge(reference: Reference, piece: NDArray[np.bool_], px_per_mm: float) -> PhotoQuality:
    gray = cv2.cvtColor(reference.image_bgr, cv2.COLOR_BGR2GRAY)
    left, top, width, height = cv2.boundingRect(piece.astype(np.uint8))
    part = gray[top : top + height, left : left + width]
    values = gray[piece]
    return PhotoQuality(
        photo=reference.name,
        px_per_mm=px_per_mm,
        blur_px=_blur_px(part),
        brightness=float(np.median(values)),
        burnt_out=float(np.mean(values > 252)),
        zoom=_zoom(gray),
    )


def _blur_px(gray: NDArray[np.uint8]) -> float:
    """Standard deviation of a photo's blur, from its sharpest edges.

    A step blurred by a Gaussian is as high as its steepest slope times sqrt(2 pi) deviations. Of all edges the sharpest
    tenth counts, since soft shading and shadows are no fault of the photo.
    """
    smooth = cv2.GaussianBlur(gray, (0, 0), EDGE_SMOOTHING_PX).astype(np.float32)
    slope = cv2.magnitude(*(cv2.Scharr(smooth, cv2.CV_32F, dx, 1 - dx, scale=1 / 32) for dx in (1, 0)))
    around = np.ones((2 * EDGE_REACH_PX + 1, 2 * EDGE_REACH_PX + 1), dtype=np.uint8)
    rise = cv2.dilate(smooth, around) - cv2.erode(smooth, around)
    steepest = slope >= cv2.dilate(slope, np.ones((5, 5), dtype=np.uint8))
    edges = steepest & (rise > max(LEAST_RISE, float(np.percentile(rise, 90))))
    if not edges.any():
        return SHARPEST_BLUR_PX
    width_px = float(np.percentile(rise[edges] / np.maximum(slope[edges], 1e-3), 10))
    return float(np.sqrt(max(width_px**2 / (2 * np.pi) - EDGE_SMOOTHING_PX**2, SHARPEST_BLUR_PX**2)))


def _zoom(gray: NDArray[np.uint8]) -> float | None:
    """How many times larger the mat's markers could be and still all be in the photo, held the same way."""
    sighting = find_mat(gray)
    if sighting is None:
        return None
    width_mm, height_mm = (side + MARKER_SIDE_MM for side in sighting.layout.centres_mm)
    corners = np.array([[[x, y] for x in (-width_mm / 2, width_mm / 2) for y in (-height_mm / 2, height_mm / 2)]])
    seen: NDArray[np.float64] = cv2.perspectiveTransform(corners, sighting.photo_from_mat)[0]
    across, down = np.ptp(seen, axis=0)
    return float(min(gray.shape[1] / across, gray.shape[0] / down))


def _limit(kind: PlantedKind, tally: _Tally, tried_mm: tuple[float, float]) -> DetectionLimit:
    sizes, found = np.array(tally.sizes_mm), np.array(tally.found, dtype=bool)
    low = min([tried_mm[0], *tally.sizes_mm])
    high = max([tried_mm[1], *tally.sizes_mm])
    bounds = np.geomspace(low, high * (1 + 1e-9), CLASSES + 1)
    classes = []
    for start, end in pairwise(bounds):
        inside = (sizes >= start) & (sizes < end)
        classes.append(SizeClass(float(start), float(end), int(inside.sum()), int(found[inside].sum())))
    curve = fit_hit_miss(tally.sizes_mm, tally.found)
    points = () if curve is None else tuple((float(size), curve.probability(float(size))) for size in bounds)
    return DetectionLimit(kind, len(sizes), int(found.sum()), float(low), float(high), tuple(classes), curve, points)


def _advice(photos: Sequence[PhotoQuality], references: int, cracks: DetectionLimit) -> tuple[str, ...]:
    """What would improve the photos, computed from what they are like."""
    told = []
    scale, blur_px = (float(np.median([getattr(one, name) for one in photos])) for name in ("px_per_mm", "blur_px"))
    brightness, burnt = (
        float(np.median([getattr(one, name) for one in photos])) for name in ("brightness", "burnt_out")
    )
    if blur_px > SHARP_BLUR_PX:
        told.append(
            f"Sharper: the photos are blurred over {blur_px:.1f} px ({blur_px / scale:.2f} mm), where a sharp one has "
            f"{SHARP_BLUR_PX:.1f} px or less. Tap on the piece to focus, hold the phone still or prop it up."
        )
    zooms = [photo.zoom for photo in photos if photo.zoom is not None]
    if zooms and (zoom := float(np.median(zooms))) > ROOM_TO_GO_CLOSER:
        told.append(
            f"Closer: the four markers could fill the photo {zoom:.2f} times as large. That would give "
            f"{zoom * scale:.1f} px per mm in place of {scale:.1f}."
        )
    elif zooms:
        told.append(
            f"More pixels: the mat fills the photo at {scale:.1f} px per mm. Only a camera with more pixels, or a "
            "smaller mat around a small piece, shows finer things."
        )
    if brightness < DARK:
        told.append(f"More light: the middle brightness of the piece is {brightness:.0f} of 255. Aim at 110 to 170.")
    if burnt > BURNT_OUT_SHARE:
        told.append(f"Softer light: {burnt:.0%} of the piece is burnt out. Turn the lamp away or cover it.")
    if references < ENOUGH_REFERENCES:
        told.append(
            f"More references: here each photo was compared with {references - 1}. What good pieces differ in among "
            "themselves is not flagged, so more of them allow finer limits."
        )
    if (limit := cracks.reached_mm) is not None:
        told.append(f"A crack of {limit:.2f} mm, which is found, is {limit * scale:.1f} px wide in these photos.")
    return tuple(told)

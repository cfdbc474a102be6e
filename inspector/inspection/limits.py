"""What a workshop's own photos can show: from which size on are chips and cracks found there?

Defects of known size are planted into photos of good pieces, and the hits and misses fitted (``inspection.hit_miss``):
into the references of a mold, each inspected against the other references only, and into photos of logged pieces that
were passed as good, inspected against all of them. Half of the chips change the outline. What would help is told from
what the photos themselves are like (``inspection.photo_quality``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.errors import InputError
from inspector.imaging.mat import MatSighting, find_mat
from inspector.imaging.reading import Photo
from inspector.imaging.speckle import dots_in_photo
from inspector.inspection import Finding, MoldModel, Reference
from inspector.inspection.engine import Engine
from inspector.inspection.hit_miss import DetectionCurve, fit_hit_miss
from inspector.inspection.painted_damage import PlantedDamage, extent_px, plant_crack
from inspector.inspection.photo_quality import PhotoQuality, judge_quality, what_would_help
from inspector.inspection.planted_breaks import break_from_outline, break_from_surface

__all__ = [
    "DetectionLimit",
    "DetectionLimits",
    "PlantedDefect",
    "PlantedKind",
    "PlantedPlace",
    "SizeClass",
    "measure_limits",
    "print_of",
]

PlantedKind = Literal["chip", "hairline crack"]
# Whether a chip takes a part of the piece's outline away. A crack lies on the surface.
PlantedPlace = Literal["outline", "surface"]

# Sizes are spread evenly over the logarithm between these: largest extent of chips, width of cracks.
CHIPS_MM = (1.5, 14.0)
CRACKS_MM = (0.08, 1.2)
CRACK_LENGTHS_MM = (15.0, 35.0)
CRACKS_PER_PHOTO = 2
# So many photos of passed pieces, the newest, are planted into: each takes about a hundred megabytes.
MOST_PASSED = 4
# Planted defects keep this far from each other and from what is found on the untouched photo; those on the surface keep
# this far from the outline.
APART_MM = 6.0
OUTLINE_MM = 1.0
# A finding, grown by 1 mm, hits a defect when it covers at least a quarter of the smaller of the two areas.
GROWN_MM = 1.0
LEAST_SHARED = 0.25
CLASSES = 6
# A print is there where dots are darker than this share of the paper between them.
PRINTED_DARKER = 0.75
PRINT_AROUND_MM = 1.0


@dataclass(frozen=True, slots=True)
class PlantedDefect:
    """One planted defect, and whether it was found."""

    size_mm: float
    place: PlantedPlace
    found: bool


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
    defects: tuple[PlantedDefect, ...]
    smallest_mm: float  # the sizes tried
    largest_mm: float
    classes: tuple[SizeClass, ...]
    curve: DetectionCurve | None  # None where hits and misses allow none
    curve_points: tuple[tuple[float, float], ...]  # size in mm, probability of being found

    @property
    def planted(self) -> int:
        """How many were planted."""
        return len(self.defects)

    @property
    def found(self) -> int:
        """How many of them were found."""
        return sum(defect.found for defect in self.defects)

    def at(self, place: PlantedPlace) -> tuple[PlantedDefect, ...]:
        """Those at the outline, or on the surface."""
        return tuple(defect for defect in self.defects if defect.place == place)

    @property
    def reached_mm(self) -> float | None:
        """The detection limit a90/95, None where it is not reached within the sizes tried."""
        if self.curve is None or self.curve.a90_95 is None or self.curve.a90_95 > self.largest_mm:
            return None
        return self.curve.a90_95


@dataclass(frozen=True, slots=True)
class DetectionLimits:
    """What the photos of one view of a mold can show."""

    chips: DetectionLimit
    cracks: DetectionLimit
    photos: tuple[PhotoQuality, ...]  # what was planted into
    without_scale: int  # photos of passed pieces that were left out, since they do not show the mat
    inspected: int  # photos with planted defects
    refused: int  # those that were refused as unusable, planted and all
    false_findings: float  # mean on an untouched photo
    advice: tuple[str, ...]  # what would improve it, the most useful first


@dataclass(frozen=True, slots=True, eq=False)
class _Ground:
    """A photo of a good piece to plant into."""

    photo: Photo
    piece: NDArray[np.bool_]
    free: NDArray[np.bool_]  # of the piece: away from what is found on the untouched photo
    px_per_mm: float
    mat_print: NDArray[np.float32] | None
    quality: PhotoQuality


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is to be planted into one photo."""

    outline_chip_mm: float
    surface_chip_mm: float
    cracks_mm: tuple[float, ...]


def measure_limits(
    references: Sequence[Reference],
    *,
    passed: Iterable[Reference],
    engine: Engine,
    photos: int,
    seed: int,
    advance: Callable[[], None],
) -> DetectionLimits:
    """Plant defects into photos of good pieces of one mold and view, and see which are found.

    Parameters
    ----------
    references : sequence of Reference
        At least one. Where there are two, each is planted into and compared with the others.
    passed : iterable of Reference
        Photos of logged pieces that were passed as good, made ready like references, none of which is among these; the
        newest first. They are compared with all references. Read as far as `MOST_PASSED` with a scale.
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
        If there is nothing to plant into: one reference only or none with a scale, and no passed piece with one.
    """
    passed_on_mat, without_scale = _with_scale(passed)
    planted_into = [k for k, reference in enumerate(references) if reference.px_per_mm is not None]
    if len(references) < 2:
        planted_into = []
    if not planted_into and not passed_on_mat:
        raise InputError(_why_nothing(len(references), without_scale))
    rng = np.random.default_rng(seed)
    wanted = _spread(photos, rng)
    grounds = len(planted_into) + len(passed_on_mat)
    defects: list[tuple[PlantedKind, PlantedDefect]] = []
    qualities, untouched, refused = [], [], 0
    for turn, (photo, model) in enumerate(_with_models(references, planted_into, passed_on_mat, engine)):
        ground, false_findings = _prepare(photo, model, engine, passed=turn >= len(planted_into))
        qualities.append(ground.quality)
        untouched.append(false_findings)
        for one in wanted[turn::grounds]:
            outcome = _plant_and_inspect(ground, one, model, engine, rng)
            refused += outcome is None
            defects.extend(outcome or ())
            advance()
    chip_limit = _limit("chip", [defect for kind, defect in defects if kind == "chip"], CHIPS_MM)
    crack_limit = _limit("hairline crack", [defect for kind, defect in defects if kind != "chip"], CRACKS_MM)
    return DetectionLimits(
        chips=chip_limit,
        cracks=crack_limit,
        photos=tuple(qualities),
        without_scale=without_scale,
        inspected=photos - refused,
        refused=refused,
        false_findings=float(np.mean(untouched)),
        advice=what_would_help(
            qualities,
            compared_with=len(references) - (0 if passed_on_mat else 1),
            crack_limit_mm=crack_limit.reached_mm,
        ),
    )


def _with_models(
    references: Sequence[Reference], planted_into: Sequence[int], passed: Sequence[Reference], engine: Engine
) -> Iterator[tuple[Reference, MoldModel]]:
    """Each photo to plant into, with what it is compared with; one model after the other is made, and let go of."""
    for k in planted_into:
        yield references[k], engine.combine([other for j, other in enumerate(references) if j != k])
    if passed:
        model = engine.combine(references)
        yield from ((photo, model) for photo in passed)


def _with_scale(passed: Iterable[Reference]) -> tuple[list[Reference], int]:
    """The first of the photos that have a scale, and how many before them have none."""
    kept: list[Reference] = []
    without = 0
    for reference in passed:
        if reference.px_per_mm is None:
            without += 1
            continue
        kept.append(reference)
        if len(kept) == MOST_PASSED:
            break
    return kept, without


def _why_nothing(references: int, without_scale: int) -> str:
    if without_scale:
        pieces = "the one photo of a passed piece that was looked at does not show the mat"
        if without_scale > 1:
            pieces = f"none of the {without_scale} photos of passed pieces that were looked at shows the mat"
        what = (
            "The mold has one reference only, and" if references < 2 else "No reference of this mold shows the mat, and"
        )
        return f"{what} {pieces}, so sizes are not known. Photograph good pieces on the mat."
    if references < 2:
        return (
            "The mold has one reference only, and no other piece was passed as good. A photo that is planted into is "
            "compared with others, so add at least one more good piece (three are better), or record good pieces on "
            "the mat and pass them."
        )
    return "No reference of this mold shows the mat, so sizes are not known. Add references on the mat."


def _spread(photos: int, rng: np.random.Generator) -> list[_Wanted]:
    """Sizes evenly over the logarithm, in chance order."""
    at_outline, on_surface = (rng.permutation(np.geomspace(*CHIPS_MM, photos)) for _ in range(2))
    cracks = rng.permutation(np.geomspace(*CRACKS_MM, photos * CRACKS_PER_PHOTO)).reshape(photos, CRACKS_PER_PHOTO)
    return [
        _Wanted(float(outline_mm), float(surface_mm), tuple(map(float, widths_mm)))
        for outline_mm, surface_mm, widths_mm in zip(at_outline, on_surface, cracks, strict=True)
    ]


def _prepare(reference: Reference, model: MoldModel, engine: Engine, *, passed: bool) -> tuple[_Ground, int]:
    """The photo as ground to plant into, and how many findings it has as it is."""
    px_per_mm = float(reference.px_per_mm or 0.0)
    free = piece = reference.piece
    photo = reference.view.photo
    inspection = engine.inspect_photo(photo, model)
    for finding in inspection.findings:
        found = _filled(finding, free.shape)
        free = free & ~_grown(found, APART_MM * px_per_mm)
    gray = cv2.cvtColor(photo.image_bgr, cv2.COLOR_BGR2GRAY)
    sighting = find_mat(gray, focal_px=photo.focal_px)
    quality = judge_quality(reference, piece, sighting, px_per_mm=px_per_mm, passed=passed)
    ground = _Ground(
        photo=photo,
        piece=piece,
        free=free,
        px_per_mm=px_per_mm,
        mat_print=print_of(gray, sighting, piece),
        quality=quality,
    )
    return ground, len(inspection.findings)


def _plant_and_inspect(
    ground: _Ground, wanted: _Wanted, model: MoldModel, engine: Engine, rng: np.random.Generator
) -> list[tuple[PlantedKind, PlantedDefect]] | None:
    """Plant into one photo and inspect it; None where the photo was refused."""
    image, free, scale, blur_px = ground.photo.image_bgr, ground.free, ground.px_per_mm, ground.quality.blur_px
    inner = free & ~_grown(~ground.piece, OUTLINE_MM * scale)
    planted: list[tuple[PlantedKind, PlantedPlace, float, PlantedDamage]] = []

    def keep(kind: PlantedKind, place: PlantedPlace, size_mm: float | None, damage: PlantedDamage | None) -> None:
        nonlocal image, free, inner
        if damage is None:
            return
        planted.append((kind, place, extent_px(damage.mask) / scale if size_mm is None else size_mm, damage))
        taken = _grown(damage.mask, APART_MM * scale)
        image, free, inner = damage.image_bgr, free & ~taken, inner & ~taken

    extent_mm = wanted.outline_chip_mm
    damage = break_from_outline(
        image, ground.piece, free, extent_mm=extent_mm, px_per_mm=scale, blur_px=blur_px, mat_print=ground.mat_print,
        rng=rng,
    )  # fmt: skip
    keep("chip", "outline", None, damage)
    extent_mm = wanted.surface_chip_mm
    damage = break_from_surface(image, inner, extent_mm=extent_mm, px_per_mm=scale, blur_px=blur_px, rng=rng)
    keep("chip", "surface", None, damage)
    longest_mm = min(CRACK_LENGTHS_MM[1], 0.6 * float(np.sqrt(np.count_nonzero(inner))) / scale)
    for width_mm in wanted.cracks_mm:
        length_mm = min(float(rng.uniform(*CRACK_LENGTHS_MM)), longest_mm)
        damage = plant_crack(
            image, inner, width_mm=width_mm, length_mm=length_mm, px_per_mm=scale, blur_px=blur_px, rng=rng
        )
        keep("hairline crack", "surface", width_mm, damage)
    inspection = engine.inspect_photo(replace(ground.photo, image_bgr=image), model)
    if inspection.status == "unusable":
        return None
    found = [_grown(_filled(finding, free.shape), GROWN_MM * scale) for finding in inspection.findings]
    return [
        (kind, PlantedDefect(size_mm, place, any(_hits(one, damage.mask) for one in found)))
        for kind, place, size_mm, damage in planted
    ]


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


def print_of(
    gray: NDArray[np.uint8], sighting: MatSighting | None, piece: NDArray[np.bool_]
) -> NDArray[np.float32] | None:
    """How much of each pixel a printed dot of the mat covers.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
    sighting : MatSighting or None
        The mat in this photo.
    piece : ndarray, shape (h, w), bool
        Where it hides the mat.

    Returns
    -------
    ndarray, shape (h, w), float32, or None
        0 to 1; None where the mat is plain, or not there.
    """
    if sighting is None:
        return None
    dots = dots_in_photo(sighting.layout.paper, sighting.photo_from_mat, size_px=(gray.shape[1], gray.shape[0]))
    reach = 2 * round(PRINT_AROUND_MM * sighting.px_per_mm) + 1
    printed = cv2.dilate(dots, np.ones((reach, reach), dtype=np.uint8)) > 0.9
    inked, blank = gray[~piece & (dots > 0.9)], gray[~piece & printed & (dots < 0.02)]
    seen = inked.size > 0 and float(np.median(inked)) < PRINTED_DARKER * float(np.median(blank))
    return dots if seen else None


def _limit(kind: PlantedKind, defects: Sequence[PlantedDefect], tried_mm: tuple[float, float]) -> DetectionLimit:
    sizes = np.array([defect.size_mm for defect in defects])
    found = np.array([defect.found for defect in defects], dtype=bool)
    low = min([tried_mm[0], *sizes.tolist()])
    high = max([tried_mm[1], *sizes.tolist()])
    bounds = np.geomspace(low, high * (1 + 1e-9), CLASSES + 1)
    classes = []
    for start, end in pairwise(bounds):
        inside = (sizes >= start) & (sizes < end)
        classes.append(SizeClass(float(start), float(end), int(inside.sum()), int(found[inside].sum())))
    curve = fit_hit_miss(sizes.tolist(), found.tolist())
    points = () if curve is None else tuple((float(size), curve.probability(float(size))) for size in bounds)
    return DetectionLimit(kind, tuple(defects), float(low), float(high), tuple(classes), curve, points)

"""Real photographs: are cracks and chips found in them, and do they stay clean when they are seen again?

Photographs that scikit-image carries (brick, gravel, grass, the moon's surface) become the surface of a flat slab with
the outline of a leaf. Three photos of it are references. It is photographed again from another place, in other light,
less sharp, with more noise, sometimes turned: nothing should be found. Then chips and cracks of known size are planted.
Such surfaces are far busier than concrete, and each slab is the same to the last grain; so this says how the
comparison copes with strange texture, not how castings vary.

    python -m tests.benchmarks.real_photographs [--engine classic | --networks FOLDER]
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.reading import Photo
from inspector.inspection import Inspection, combine, inspect_photo, prepare_reference
from inspector.inspection.limits import GROWN_MM
from inspector.inspection.networks import SHIPPED, Networks
from inspector.inspection.painted_damage import PlantedDamage, extent_px, plant_chip, plant_crack
from tests.benchmarks.crack_widths import PHOTOGRAPHS, reflectance_of
from tests.benchmarks.judging import is_hit, polygon
from tests.drawn_scenes import Piece, Scene, Shot, leaf, photograph

THICKNESS_MM = 8.0
REFERENCE_SHOTS = (
    Shot(seed=1),
    Shot(seed=2, camera_mm=(-20.0, 10.0, 480.0), lamp=(0.5, -0.5, 0.9), piece_turn_deg=2.0),
    Shot(seed=3, camera_mm=(15.0, 20.0, 430.0), lamp=(-0.2, 0.7, 0.9), piece_xy_mm=(4.0, -2.0), piece_turn_deg=-3.0),
)
# Another crop and height, another light, blur, noise, exposure.
LATER_SHOTS = (
    Shot(seed=11, camera_mm=(25.0, -5.0, 520.0), lamp=(0.7, 0.2, 0.7), noise=3.0),
    Shot(seed=12, camera_mm=(-15.0, 15.0, 440.0), blur_px=1.3, exposure=0.75, piece_turn_deg=5.0),
    Shot(seed=13, camera_mm=(0.0, -25.0, 470.0), lamp=(-0.7, 0.6, 0.6), noise=4.0, piece_xy_mm=(-5.0, 0.0)),
    Shot(seed=14, look_at_mm=(6.0, 4.0), roll_deg=6.0, px_per_mm=5.3, exposure=1.1, piece_turn_deg=-6.0),
)
CHIPS_MM = (5.0, 8.0, 12.0)
CRACKS_MM = (0.4, 0.6, 1.0)
CRACK_LENGTH_MM = 28.0
# Planted damage keeps this far from the outline and from other damage.
OUTLINE_MM = 2.0
APART_MM = 8.0


@dataclass(frozen=True, slots=True)
class PlantedFind:
    """One planted defect, and whether it was found."""

    kind: str
    size_mm: float  # as asked for: about the extent of a chip, the width of a crack
    extent_mm: float
    found: bool


@dataclass(frozen=True, slots=True)
class RealPhotograph:
    """What became of one photograph."""

    name: str
    untouched: int  # photos that were seen again as they are, and inspected
    false_findings: tuple[int, ...]  # on each of them
    refused: int  # of all photos, planted or not
    planted: tuple[PlantedFind, ...]


def inspect_photograph(
    name: str, shots: Sequence[Shot] = LATER_SHOTS, *, networks: Networks | None = SHIPPED
) -> RealPhotograph:
    """Take references of a photograph's slab, see it again as it is, then with damage."""
    surface = slab(name)
    model = combine(
        [prepare_reference(_photo(photograph(surface, shot))) for shot in REFERENCE_SHOTS], networks=networks
    )
    false_findings, planted, refused = [], [], 0
    for number, shot in enumerate(shots):
        scene = photograph(surface, shot)
        inspection = inspect_photo(_photo(scene), model)
        if inspection.status == "inspected":
            false_findings.append(len(inspection.findings))
        image, damage = _plant(scene, shot, np.random.default_rng([number, 7]))
        broken = inspect_photo(Photo("planted", image, None, None), model)
        refused += (inspection.status != "inspected") + (broken.status != "inspected")
        planted += [_judge(one, kind, size_mm, broken, shot.px_per_mm) for one, kind, size_mm in damage]
    return RealPhotograph(name, len(false_findings), tuple(false_findings), refused, tuple(planted))


def slab(name: str) -> Piece:
    """A flat slab with the outline of a leaf, whose surface is a photograph at about its own resolution."""
    outline = leaf(seed=3)
    height, width = outline.height_mm.shape
    square = reflectance_of(name)
    wide = np.hstack([square, square[:, ::-1]])
    tall = np.vstack([wide, wide[::-1]])[:height, :width]
    thick = np.where(outline.height_mm > 0, np.minimum(outline.height_mm * 4, THICKNESS_MM), 0)
    return Piece(thick.astype(np.float32), tall.astype(np.float32))


def _photo(scene: Scene) -> Photo:
    return Photo("slab", scene.image_bgr, None, None)


def _plant(
    scene: Scene, shot: Shot, rng: np.random.Generator
) -> tuple[NDArray[np.uint8], list[tuple[PlantedDamage, str, float]]]:
    """Two chips and two cracks somewhere on the piece, sizes in turn."""
    image, scale = scene.image_bgr, shot.px_per_mm
    free = _shrunk(scene.piece_mask > 0, OUTLINE_MM * scale)
    found = []
    for k in range(2):
        chip_mm, crack_mm = (sizes[(2 * shot.seed + k) % len(sizes)] for sizes in (CHIPS_MM, CRACKS_MM))
        planted = [(plant_chip(image, free, extent_mm=chip_mm, px_per_mm=scale, rng=rng), "chip", chip_mm)]
        image, free = _after(planted[0][0], image, free, scale)
        crack = plant_crack(
            image,
            free,
            width_mm=crack_mm,
            length_mm=CRACK_LENGTH_MM,
            px_per_mm=scale,
            blur_px=shot.blur_px,
            rng=rng,
        )
        planted.append((crack, "hairline crack", crack_mm))
        image, free = _after(crack, image, free, scale)
        found += [(damage, kind, size) for damage, kind, size in planted if damage is not None]
    return image, found


def _after(
    damage: PlantedDamage | None, image: NDArray[np.uint8], free: NDArray[np.bool_], scale: float
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    if damage is None:
        return image, free
    return damage.image_bgr, free & _shrunk(~damage.mask, APART_MM * scale)


def _shrunk(region: NDArray[np.bool_], by_px: float) -> NDArray[np.bool_]:
    return np.asarray(cv2.distanceTransform(region.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5) > by_px)


def _judge(damage: PlantedDamage, kind: str, size_mm: float, inspection: Inspection, scale: float) -> PlantedFind:
    contours, _ = cv2.findContours(damage.mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    real = polygon(max(contours, key=cv2.contourArea).reshape(-1, 2))
    found = any(is_hit(polygon(f.polygon_xy).buffer(GROWN_MM * scale), real) for f in inspection.findings)
    return PlantedFind(kind, size_mm, extent_px(damage.mask) / scale, found)


REAL_HEAD = (
    "photograph",
    "seen again untouched",
    "without any finding",
    "false findings, mean",
    "chips found",
    "cracks found",
    "refused",
)


def real_table(outcomes: Sequence[RealPhotograph]) -> list[tuple[str, ...]]:
    """One row a photograph, as ``REAL_HEAD`` names them."""
    rows = []
    for one in outcomes:
        shares = []
        for kind in ("chip", "hairline crack"):
            found = [planted.found for planted in one.planted if planted.kind == kind]
            shares.append(f"{sum(found)} of {len(found)}")
        mean = f"{np.mean(one.false_findings):.2f}" if one.false_findings else "-"
        clean = str(sum(count == 0 for count in one.false_findings))
        rows.append((one.name, str(one.untouched), clean, mean, *shares, str(one.refused)))
    return rows


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    by = parser.add_mutually_exclusive_group()
    by.add_argument("--engine", choices=["classic", "both"], default="both")
    by.add_argument("--networks", type=Path, metavar="FOLDER", help="of the learned comparison, not those that ship")
    options = parser.parse_args()
    fitted = SHIPPED if options.networks is None else Networks.read(options.networks)
    compared_by = None if options.engine == "classic" else fitted
    outcomes = [inspect_photograph(name, networks=compared_by) for name in PHOTOGRAPHS]
    for line in (REAL_HEAD, *real_table(outcomes)):
        print("".join(f"{cell:>22}" for cell in line))

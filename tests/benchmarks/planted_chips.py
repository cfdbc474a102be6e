"""Do planted chips look like rendered ones? How strongly each shows, side by side.

    python -m tests.benchmarks.planted_chips BENCH... [--crops DIR]

For each rendered chip of some benches one of the same extent is broken from a reference of its mold, at the outline or
on the surface as the rendered one lies, and one painted as the networks learn them. Told is how a chip differs from the
piece around it (0.4 to 2.5 mm away), in log light: its median, its spread, the mean difference, and the mean steepness
along its rim. Crops show them at one scale, with the rendered one on the left.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import log_light
from inspector.imaging.mat import find_mat
from inspector.inspection import Reference
from inspector.inspection.limits import print_of
from inspector.inspection.painted_damage import PlantedDamage, extent_px, plant_chip
from inspector.inspection.photo_quality import judge_quality
from inspector.inspection.planted_breaks import break_from_outline, break_from_surface
from inspector.workshop.mold_folder import read_mold_folder
from tests.benchmarks.bench_folder import read_bench

RING_MM = (0.4, 2.5)
# A rendered chip is one of the outline where it comes this near to it.
AT_OUTLINE_MM = 0.5
CROP_MM, CROP_PX = 26.0, 240
CROPS_A_SHEET = 8


@dataclass(frozen=True, slots=True)
class Showing:
    """How a chip differs from the piece around it, in log light."""

    darker: float
    spread: float
    difference: float
    rim: float


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """A reference to plant into."""

    reference: Reference
    piece: NDArray[np.bool_]
    px_per_mm: float
    blur_px: float
    mat_print: NDArray[np.float32] | None


def showing(
    image_bgr: NDArray[np.uint8], chip: NDArray[np.bool_], piece: NDArray[np.bool_], px_per_mm: float
) -> Showing | None:
    """Measure one chip; None where it or the piece around it is too small."""
    logs = log_light(cv2.GaussianBlur(cv2.cvtColor(image_bgr, cv2.COLOR_BGR2GRAY), (0, 0), 0.8), darkest=1e-3)
    away_mm = cv2.distanceTransform((~chip).astype(np.uint8), cv2.DIST_L2, 5) / px_per_mm
    inner = cv2.erode(piece.astype(np.uint8), np.ones((5, 5), dtype=np.uint8)) > 0
    seen, ring = chip & piece, inner & (away_mm > RING_MM[0]) & (away_mm < RING_MM[1])
    rim = inner & (cv2.morphologyEx(chip.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), dtype=np.uint8)) > 0)
    if min(np.count_nonzero(seen), np.count_nonzero(ring), np.count_nonzero(rim)) < 6:
        return None
    steep = np.hypot(*(cv2.Sobel(logs, cv2.CV_32F, dx, 1 - dx, scale=1 / 8) for dx in (1, 0)))
    around = float(np.median(logs[ring]))
    return Showing(
        darker=around - float(np.median(logs[seen])),
        spread=float(logs[seen].std()),
        difference=float(np.abs(logs[seen] - around).mean()),
        rim=float(steep[rim].mean()),
    )


def ground_of(path: Path) -> Ground | None:
    """A reference made ready; None where it has no scale."""
    reference = Reference.open(path)
    if reference.px_per_mm is None:
        return None
    sighting = find_mat(reference.view.gray)
    piece, scale = reference.piece, reference.px_per_mm
    quality = judge_quality(reference, piece, sighting, px_per_mm=scale, passed=False)
    return Ground(reference, piece, scale, quality.blur_px, print_of(reference.view.gray, sighting, piece))


def planted(
    ground: Ground, extent_mm: float, *, at_outline: bool, rng: np.random.Generator
) -> dict[str, PlantedDamage | None]:
    """A chip as `inspector limits` breaks it, and one painted as the networks learn them."""
    image, scale = ground.reference.image_bgr, ground.px_per_mm
    inner = cv2.erode(ground.piece.astype(np.uint8), np.ones((11, 11), dtype=np.uint8)) > 0
    options: dict[str, Any] = {"extent_mm": extent_mm, "px_per_mm": scale, "rng": rng}
    if at_outline:
        broken = break_from_outline(
            image, ground.piece, ground.piece, blur_px=ground.blur_px, mat_print=ground.mat_print, **options
        )
    else:
        broken = break_from_surface(image, inner, blur_px=ground.blur_px, **options)
    return {"planted": broken, "painted": plant_chip(image, inner, **options)}


def region(shape: Sequence[int], polygons: Sequence[Any]) -> NDArray[np.bool_]:
    """What lies in some polygons."""
    filled = np.zeros(shape[:2], dtype=np.uint8)
    for polygon in polygons:
        cv2.fillPoly(filled, [np.round(polygon).astype(np.int32)], 1)
    return filled > 0


def crop(image_bgr: NDArray[np.uint8], chip: NDArray[np.bool_], px_per_mm: float, words: str) -> NDArray[np.uint8]:
    """A chip with what is around it, at one scale for all photos."""
    zoom = CROP_PX / (CROP_MM * px_per_mm)
    row, column = np.argwhere(chip).mean(axis=0)
    move = np.array([[zoom, 0, CROP_PX / 2 - zoom * column], [0, zoom, CROP_PX / 2 - zoom * row]])
    shown = cv2.warpAffine(image_bgr, move, (CROP_PX, CROP_PX), flags=cv2.INTER_CUBIC)
    return np.asarray(cv2.putText(shown, words, (4, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.42, (0, 255, 255), 1))


def main() -> None:
    """Measure, print a table, write crops."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("benches", nargs="+", type=Path)
    parser.add_argument("--crops", type=Path)
    options = parser.parse_args()
    rng = np.random.default_rng(3)
    shown: dict[tuple[str, str], list[Showing]] = defaultdict(list)
    rows: list[NDArray[np.uint8]] = []
    for folder in options.benches:
        for mold in read_bench(folder):
            grounds = [one for path in read_mold_folder(mold.folder).photos[:3] if (one := ground_of(path)) is not None]
            for path, truth in mold.photos:
                for number, defect in enumerate(truth["defects"]):
                    if defect["kind"] != "chip" or truth.get("unusable"):
                        continue
                    image = cv2.imread(str(path))
                    piece = region(image.shape, [truth["piece_outline"]])
                    piece &= ~region(image.shape, truth.get("piece_openings", ()))
                    chip, scale = region(image.shape, [defect["polygon"]]), truth["px_per_mm"]
                    inside_mm = cv2.distanceTransform(piece.astype(np.uint8), cv2.DIST_L2, 5) / scale
                    at_outline = bool(inside_mm[chip].min() < AT_OUTLINE_MM)
                    where = "at the outline" if at_outline else "on the surface"
                    row = [crop(image, chip, scale, f"rendered {defect['extent_mm']:.1f} mm")]
                    if (measured := showing(image, chip, piece, scale)) is not None:
                        shown[where, "rendered"].append(measured)
                    ground = grounds[(len(rows) + number) % len(grounds)]
                    for how, damage in planted(ground, defect["extent_mm"], at_outline=at_outline, rng=rng).items():
                        if damage is None:
                            row.append(np.zeros_like(row[0]))
                            continue
                        extent_mm = extent_px(damage.mask) / ground.px_per_mm
                        row.append(crop(damage.image_bgr, damage.mask, ground.px_per_mm, f"{how} {extent_mm:.1f} mm"))
                        left = ground.piece if damage.gone is None else ground.piece & ~damage.gone
                        measured = showing(damage.image_bgr, damage.mask, left, ground.px_per_mm)
                        if measured is not None:
                            shown[where, how].append(measured)
                    rows.append(np.hstack(row))
    print(f"{'':32}count  darker  spread  difference  rim   (medians)")
    for (where, how), several in sorted(shown.items()):
        middle = np.median([astuple(one) for one in several], axis=0)
        print(f"{where}, {how}".ljust(32) + f"{len(several):5d}" + "".join(f"{value:8.2f}" for value in middle))
    if options.crops is not None:
        options.crops.mkdir(parents=True, exist_ok=True)
        for start in range(0, len(rows), CROPS_A_SHEET):
            sheet = np.vstack(rows[start : start + CROPS_A_SHEET])
            cv2.imwrite(str(options.crops / f"chips-{start // CROPS_A_SHEET + 1:02d}.png"), sheet)


if __name__ == "__main__":
    main()

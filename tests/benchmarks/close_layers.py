"""Lay the photos of a set into their molds' frames with what the engine sees there, once: what is learnt from closely.

    python -m tests.benchmarks.close_layers FOLDER [FOLDER...] --out DIR

Two small files a mold, one compared with one reference, one with three: its references and photos on the raster of
lines, where each defect lies, the damage map, and the places that may be damage. Only sets of the tuning split belong
here, of molds that the networks of the damage map never saw.
"""

from __future__ import annotations

import pickle
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.warp import Warp
from inspector.inspection.candidates import Candidate, all_candidates
from inspector.inspection.confidence import confidence_of
from inspector.inspection.layers import LINE_PX_PER_MM, line_picture
from inspector.inspection.view import View
from tests.benchmarks.aligned_mold import exact
from tests.benchmarks.bench_folder import BenchMold, matched_photos, model_of
from tests.benchmarks.close_mold import LEAST_ODDS, ODDS_LEVELS, CloseMold, ClosePhoto
from tests.benchmarks.keeping_molds import keep_molds

REFERENCES = (1, 3)
MARGIN_MM = 4
# A crack's path, drawn this wide.
CRACK_MM = 0.35
LEAST_LIKELY = 0.02


def align_mold(job: tuple[BenchMold, Path]) -> str:
    """Align the photos of one mold, and keep them."""
    mold, kept = job
    cv2.setNumThreads(1)
    told = []
    for count in REFERENCES:
        model = model_of(mold.folder, most_references=count)
        left, top, width, height = cv2.boundingRect(model.mask)
        # Whole millimetres, which are whole pixels on every raster.
        px = round(model.px_per_mm)
        y0, x0 = (max(0, start // px - MARGIN_MM) for start in (top, left))
        y1, x1 = (
            min(length // px, -(-end // px) + MARGIN_MM)
            for length, end in zip(model.mask.shape, (top + height, left + width), strict=True)
        )

        def part(
            image: NDArray[Any], px_per_mm: int, box: tuple[int, int, int, int] = (y0, y1, x0, x1)
        ) -> NDArray[Any]:
            rows, columns = slice(box[0] * px_per_mm, box[1] * px_per_mm), slice(box[2] * px_per_mm, box[3] * px_per_mm)
            return np.ascontiguousarray(image[rows, columns])

        fine = round(LINE_PX_PER_MM)
        photos = []
        for path, truth, view, warp, evidence in matched_photos(mold, model):
            assert evidence.damage is not None
            maps = (evidence.damage.feature, evidence.damage.chip, evidence.damage.crack)
            likely = [one for one in all_candidates(model, evidence) if confidence_of(one) > LEAST_LIKELY]
            photos.append(
                ClosePhoto(
                    name=str(path),
                    gray=exact(part(line_picture(view, warp.photo_xy), fine)),
                    defects=exact(part(_numbered(truth, view, warp), fine)),
                    kinds=tuple(defect["kind"] for defect in truth["defects"]),
                    valid=exact(part(evidence.layer.valid.astype(np.uint8), px)),
                    piece_odds=exact(part(_as_bytes(evidence.silhouette.log_odds), px)),
                    damage=tuple(exact(part(_as_bytes(one), px // 2)) for one in maps),  # type: ignore[arg-type]
                    places_mm=tuple(place for one in likely for place in _places_mm(one, px, (y0, x0))),
                )
            )
        references = tuple(
            exact(part(line_picture(reference.view, layer.photo_xy), fine))
            for reference, layer in zip(model.references, model.layers, strict=True)
        )
        aligned = CloseMold(mold.name, exact(part(model.mask, px)), references, tuple(photos))
        kept.with_name(f"{kept.stem}__{count}.pickle").write_bytes(pickle.dumps(aligned))
        told.append(f"{len(photos)} photos with {len(references)}")
    return f"{kept.stem}: {', '.join(told)}"


def _as_bytes(odds: NDArray[np.float32]) -> NDArray[np.uint8]:
    return np.clip((odds - LEAST_ODDS) * ODDS_LEVELS, 0, 255).astype(np.uint8)


def _places_mm(candidate: Candidate, px: int, corner_mm: tuple[int, int]) -> list[tuple[float, float]]:
    """Up to three places along a candidate."""
    points = np.argwhere(candidate.mask > 0)
    some = points[[len(points) // 6, len(points) // 2, 5 * len(points) // 6]] if len(points) > 6 else points[:1]
    return [
        ((row + candidate.top) / px - corner_mm[0], (column + candidate.left) / px - corner_mm[1])
        for row, column in some.tolist()
    ]


def _numbered(truth: dict[str, Any], view: View, warp: Warp) -> NDArray[np.uint8]:
    """The number of the defect at each place, on the raster of lines."""
    size = tuple(round(length * LINE_PX_PER_MM / view.frame.px_per_mm) for length in warp.photo_xy.shape[1::-1])
    numbers = np.zeros(size[::-1], dtype=np.uint8)
    for number, defect in enumerate(truth["defects"], start=1):
        canvas = np.zeros(view.gray.shape, dtype=np.uint8)
        outline = np.round(np.array(defect["polygon"], dtype=float) * 16).astype(np.int32)
        cv2.fillPoly(canvas, [outline], 255, shift=4)
        least = 110
        if defect["kind"] == "hairline crack":
            path = np.round(np.array(defect["path"], dtype=float) * 16).astype(np.int32)
            cv2.polylines(canvas, [path], False, 255, max(1, round(CRACK_MM * truth["px_per_mm"])), shift=4)
            least = 60
        photo_xy = cv2.resize(warp.photo_xy, size, interpolation=cv2.INTER_LINEAR)
        places = cv2.perspectiveTransform(photo_xy.reshape(1, -1, 2), view.frame.photo_from_frame).reshape(
            photo_xy.shape
        )
        numbers[cv2.remap(canvas, places.astype(np.float32), None, cv2.INTER_LINEAR) > least] = number
    return numbers


if __name__ == "__main__":
    keep_molds(__doc__, align_mold)

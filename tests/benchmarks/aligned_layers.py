"""Lay the photos of the tuning split into their molds' frames, once, and keep that: what the damage map learns from.

    python -m tests.benchmarks.aligned_layers FOLDER [FOLDER...] --out DIR

One small file a mold: its references and photos as the engine aligns them, where each defect lies, and how much each
place looks like piece or like mat. Only folders of the tuning split belong here.
"""

from __future__ import annotations

import pickle
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.warp import Warp
from inspector.inspection.view import View
from tests.benchmarks.aligned_mold import LEAST_ODDS, ODDS_LEVELS, AlignedMold, AlignedPhoto, exact, lossy
from tests.benchmarks.bench_folder import BenchMold, matched_photos, model_of
from tests.benchmarks.keeping_molds import keep_molds

MOST_REFERENCES = 3
MARGIN_MM = 4.0
# A crack's path, drawn this wide.
CRACK_MM = 0.35


def align_mold(job: tuple[BenchMold, Path]) -> str:
    """Align the photos of one mold and keep them."""
    mold, kept = job
    cv2.setNumThreads(1)
    model = model_of(mold.folder, most_references=MOST_REFERENCES)
    left, top, width, height = cv2.boundingRect(model.mask)
    margin = round(MARGIN_MM * model.px_per_mm)
    y0, x0 = max(0, top - margin), max(0, left - margin)
    part = np.s_[y0 : top + height + margin, x0 : left + width + margin]
    photos = []
    for path, truth, view, warp, evidence in matched_photos(mold, model):
        odds = np.clip((evidence.silhouette.log_odds - LEAST_ODDS) * ODDS_LEVELS, 0, 255).astype(np.uint8)
        photos.append(
            AlignedPhoto(
                name=str(path),
                gray=lossy(evidence.layer.gray[part]),
                valid=exact(evidence.layer.valid[part].astype(np.uint8)),
                piece_odds=lossy(odds[part]),
                defects=exact(_numbered(truth, view, warp)[part]),
                kinds=tuple(defect["kind"] for defect in truth["defects"]),
            )
        )
    references = tuple(lossy(layer.gray[part]) for layer in model.layers)
    kept.write_bytes(pickle.dumps(AlignedMold(mold.name, exact(model.mask[part]), references, tuple(photos))))
    return f"{kept.name}: {len(photos)} photos"


def _numbered(truth: dict[str, Any], view: View, warp: Warp) -> NDArray[np.uint8]:
    """The number of the defect at each place of the box."""
    numbers = np.zeros(warp.photo_xy.shape[:2], dtype=np.uint8)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    for number, defect in enumerate(truth["defects"], start=1):
        canvas = np.zeros(view.gray.shape, dtype=np.uint8)
        outline = np.round(np.array(defect["polygon"], dtype=float) * 16).astype(np.int32)
        cv2.fillPoly(canvas, [outline], 255, shift=4)
        least = 110
        if defect["kind"] == "hairline crack":
            path = np.round(np.array(defect["path"], dtype=float) * 16).astype(np.int32)
            cv2.polylines(canvas, [path], False, 255, max(1, round(CRACK_MM * truth["px_per_mm"])), shift=4)
            least = 60
        in_frame = cv2.warpPerspective(canvas, view.frame.photo_from_frame, view.frame.size_px, flags=flags)
        numbers[cv2.remap(in_frame, warp.photo_xy, None, cv2.INTER_LINEAR) > least] = number
    return numbers


if __name__ == "__main__":
    keep_molds(__doc__, align_mold)

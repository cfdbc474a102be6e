"""Lay photos into their frames and keep their cues, once, with the truth of where the piece is.

    python -m tests.benchmarks.framed_pieces FOLDER [FOLDER...] --out DIR

One file a mold; what `fit_piece_map` learns from.
"""

from __future__ import annotations

import json
import pickle
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.reading import read_photo
from inspector.imaging.rectifying import Frame
from inspector.inspection.piece_map import cue_input
from inspector.inspection.view import look_at
from tests.benchmarks.bench_folder import BenchMold
from tests.benchmarks.framed_photo import FramedPhoto
from tests.benchmarks.keeping_molds import keep_molds

# Outlines are drawn finer than they are kept, so that a pixel may be piece in part.
DRAWN_TIMES = 2


def frame_mold(job: tuple[BenchMold, Path]) -> str:
    """Keep the usable photos of one mold and its references."""
    mold, kept = job
    cv2.setNumThreads(1)
    rows = [(path, truth) for path, truth in mold.photos if not truth.get("unusable")]
    listed = mold.folder.parent / "references.json"
    if listed.is_file():
        references = json.loads(listed.read_text(encoding="utf-8"))
        rows += [(listed.parent / row["photo"], row) for row in references if row["mold"] == mold.name]
    framed = [_framed(path, truth) for path, truth in rows]
    kept.write_bytes(pickle.dumps(framed))
    return f"{kept.name}: {len(framed)} photos"


def _framed(path: Path, truth: dict[str, Any]) -> FramedPhoto:
    view = look_at(read_photo(path.read_bytes(), name=path.name), thorough=False)
    given = cue_input(view.cues, px_per_mm=view.frame.px_per_mm)
    return FramedPhoto(str(path), given.astype(np.float16), true_piece(truth, view.frame, given.shape[1:]))


def true_piece(truth: dict[str, Any], frame: Frame, shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Where the piece is in a frame, 255 on it, on a raster of some shape."""
    width, height = frame.size_px
    drawn = np.zeros((height * DRAWN_TIMES, width * DRAWN_TIMES), dtype=np.uint8)
    frame_from_photo = np.linalg.inv(frame.photo_from_frame)

    def placed(outline: list[list[float]]) -> NDArray[np.int32]:
        xy = cv2.perspectiveTransform(np.array(outline, dtype=np.float64)[None], frame_from_photo)[0]
        return np.round((xy + 0.5) * DRAWN_TIMES - 0.5).astype(np.int32)

    cv2.fillPoly(drawn, [placed(truth["piece_outline"])], 255)
    for opening in truth.get("piece_openings", ()):
        cv2.fillPoly(drawn, [placed(opening)], 0)
    return np.asarray(cv2.resize(drawn, shape[::-1], interpolation=cv2.INTER_AREA))


if __name__ == "__main__":
    keep_molds(__doc__, frame_mold)

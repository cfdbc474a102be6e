"""A picture of what an inspection missed and what it flagged wrongly, worst first."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspector.imaging.reading import read_photo

TILE_PX = 300
WORDS_PX = 40
COLUMNS = 6
MOST_TILES = 72
LEAST_SIDE_MM = 24.0
MISSED_BGR = (60, 200, 60)
FALSE_BGR = (60, 60, 230)


def draw_sheet(folder: Path, photos: Sequence[Mapping[str, Any]]) -> NDArray[np.uint8]:
    """Draw misses first, then false findings on good pieces, then those on broken ones.

    Parameters
    ----------
    folder : Path
        The bench, for the photos and the outlines of the missed defects.
    photos : sequence of dict
        Judged photos, as ``judge_photo`` gives them.
    """
    truth = {entry["photo"]: entry for entry in json.loads((folder / "truth.json").read_text(encoding="utf-8"))}
    missed, false_on_good, false_on_broken = [], [], []
    for row in photos:
        for defect in row["defects"]:
            if not defect["hit"]:
                real = truth[row["photo"]]["defects"][defect["number"]]
                size = defect["crack_width_mm"] or defect["extent_mm"]
                words = f"missed {defect['kind']} {size:.1f} mm" + (" REFUSED" if row["status"] == "unusable" else "")
                rank = (defect["crack_width_mm"] or 0) / 0.4 or defect["extent_mm"] / 6
                missed.append((rank, row, real["polygon"], words, MISSED_BGR))
        for finding in row["findings"]:
            if not finding["hits"]:
                words = f"false {finding['kind']} {finding['confidence']:.2f}"
                where = false_on_good if row["good"] else false_on_broken
                where.append((finding["confidence"], row, finding["polygon"], words, FALSE_BGR))
    third = MOST_TILES // 3
    chosen = []
    for group in (missed, false_on_good, false_on_broken):
        chosen += sorted(group, key=lambda item: -item[0])[: third if group is not missed else 2 * third]
    chosen = chosen[:MOST_TILES]
    rows = max(1, -(-len(chosen) // COLUMNS))
    sheet = np.full((rows * (TILE_PX + WORDS_PX), COLUMNS * TILE_PX, 3), 255, dtype=np.uint8)
    for place, (_, row, polygon, words, colour) in enumerate(chosen):
        top, left = place // COLUMNS * (TILE_PX + WORDS_PX), place % COLUMNS * TILE_PX
        tile = _tile(folder / row["photo"], polygon, row["px_per_mm"], colour)
        sheet[top : top + TILE_PX, left : left + TILE_PX] = tile
        for line, text in enumerate((words, Path(row["photo"]).stem + f"  {row['px_per_mm']:.0f} px/mm")):
            at = (left + 4, top + TILE_PX + 16 + 17 * line)
            cv2.putText(sheet, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.45, (0, 0, 0), 1, cv2.LINE_AA)
    return sheet


def _tile(path: Path, polygon: ArrayLike, px_per_mm: float, colour: tuple[int, int, int]) -> NDArray[np.uint8]:
    """A square cut out of a photo around a polygon, which is drawn thin so that what is in it stays seen."""
    image = read_photo(path.read_bytes(), name=path.name).image_bgr
    points = np.asarray(polygon, dtype=float).reshape(-1, 2)
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    side = max(LEAST_SIDE_MM * px_per_mm, 1.5 * float(np.ptp(points, axis=0).max()))
    scale = TILE_PX / side
    place = np.array([[scale, 0, TILE_PX / 2 - scale * middle[0]], [0, scale, TILE_PX / 2 - scale * middle[1]]])
    interpolation = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    tile = cv2.warpAffine(image, place, (TILE_PX, TILE_PX), flags=interpolation, borderValue=(128, 128, 128))
    drawn = np.round((points * scale + place[:, 2]) * 16).astype(np.int32)
    cv2.polylines(tile, [drawn], True, colour, 1, cv2.LINE_AA, 4)
    return np.asarray(tile, dtype=np.uint8)

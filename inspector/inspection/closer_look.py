"""A second look, closely, at the places that may be damage: at the scale of the finest lines, in tiles.

The damage map looks at the whole piece and answers coarsely. Where anything speaks for damage, tiles of the photo are
laid beside the same tiles of the references at three times its scale, and a small network answers again, told what the
map said and what else is known of the place. Besides log odds of a missing part, a hollow and a crack it says how unsure
it is: it learnt a spread of its log odds together with them (Kendall and Gal 2017, "What uncertainties do we need in
Bayesian deep learning for computer vision?").
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import log_light
from inspector.inspection.damage_map import MAP_PX_PER_MM, DamageMap
from inspector.inspection.layers import LINE_PX_PER_MM
from inspector.inspection.networks import Networks

__all__ = [
    "CLOSE_PX_PER_MM",
    "CloseMap",
    "CloseReferences",
    "look_closer",
    "tile_surface",
    "tile_surroundings",
    "tiles_over",
]

# The answer has half the scale of the pictures.
CLOSE_PX_PER_MM = LINE_PX_PER_MM / 2
# Tiles are so wide; of each the middle counts, but for so much at each side.
TILE_MM, MARGIN_MM = 20, 2
FEATURES = 16
MOST_REFERENCES = 3
# What the network is given: log light against the tile's piece, and fine detail.
GAIN, DETAIL_GAIN, FARTHEST = 2.0, 6.0, 4.0
DETAIL_PX, DETAIL_REACH_PX = 2.4, 6
DEEPEST_MM, FARTHEST_ODDS = 6.0, 8.0
NOTHING = np.float32(-12.0)
_TILES_AT_ONCE = 4


@dataclass(frozen=True, slots=True, eq=False)
class CloseReferences:
    """Pictures of a mold's references on the raster of lines, in the model's box."""

    grays: tuple[NDArray[np.uint8], ...]  # each (H, W)
    networks: Networks


@dataclass(frozen=True, slots=True, eq=False)
class CloseMap:
    """Log odds on the raster of the answer, over the model's box; far below 0 where nobody looked."""

    feature: NDArray[np.float32]  # (h, w)
    chip: NDArray[np.float32]
    crack: NDArray[np.float32]
    doubt: NDArray[np.float32]  # (h, w) standard deviation of the log odds, 0 where nobody looked
    looked: NDArray[np.bool_]


def tiles_over(boxes_mm: Sequence[tuple[float, float, float, float]], size_mm: tuple[int, int]) -> list[tuple[int, int]]:
    """Tops and lefts, in whole mm, of the tiles whose middles cover some boxes (left, top, right, bottom)."""
    step = TILE_MM - 2 * MARGIN_MM
    wanted = set()
    for left, top, right, bottom in boxes_mm:
        for row in range(int(max(top, 0) // step), int(min(bottom, size_mm[1]) // step) + 1):
            for column in range(int(max(left, 0) // step), int(min(right, size_mm[0]) // step) + 1):
                wanted.add((row * step - MARGIN_MM, column * step - MARGIN_MM))
    return sorted(wanted)


def tile_surface(gray: NDArray[np.uint8], on_piece: NDArray[np.bool_]) -> NDArray[np.float32]:
    """What the network is given of one tile of a picture, shape (2, side, side)."""
    logs = log_light(gray)
    usual = logs.mean(where=on_piece) if on_piece.any() else logs.mean()
    window = (2 * DETAIL_REACH_PX + 1,) * 2
    detail = logs - cv2.GaussianBlur(logs, window, DETAIL_PX)
    return np.clip(np.stack([GAIN * (logs - usual), DETAIL_GAIN * detail]), -FARTHEST, FARTHEST).astype(np.float32)


def tile_surroundings(
    damage: Sequence[NDArray[np.float32]],
    piece_odds: NDArray[np.float32],
    inside_mm: NDArray[np.float32],
    references: int,
) -> NDArray[np.float32]:
    """What the network is told besides, shape (7, side / 2, side / 2).

    The three answers of the damage map, piece or mat, how deep inside the outline, on the piece, how many references.
    """
    side = round(TILE_MM * CLOSE_PX_PER_MM)

    def grown(image: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.resize(image, (side, side), interpolation=cv2.INTER_LINEAR))

    odds = [
        grown(np.clip(one, -FARTHEST_ODDS, FARTHEST_ODDS) / np.float32(0.5 * FARTHEST_ODDS))
        for one in (*damage, piece_odds)
    ]
    deep = grown(np.clip(inside_mm, 0, DEEPEST_MM) / np.float32(0.5 * DEEPEST_MM))
    count = np.full_like(deep, min(references, MOST_REFERENCES) / MOST_REFERENCES)
    return np.stack([*odds, deep, (deep > 0).astype(np.float32), count])


def look_closer(
    gray: NDArray[np.uint8],
    references: CloseReferences,
    damage: DamageMap,
    piece_odds: NDArray[np.float32],
    inside_mm: NDArray[np.float32],
    tiles: Sequence[tuple[int, int]],
    *,
    px_per_mm: float,
) -> CloseMap:
    """Look at some tiles of an aligned photo.

    Parameters
    ----------
    gray : ndarray, shape (H, W), uint8
        The photo on the raster of lines.
    references : CloseReferences
    damage : DamageMap
        Of the whole box.
    piece_odds, inside_mm : ndarray, shape (h, w), float32
        Log odds of piece against mat, and how deep inside the mask, on the box.
    tiles : sequence of (int, int)
        As `tiles_over` gives them.
    px_per_mm : float
        Of the box, a whole number.
    """
    height, width = inside_mm.shape
    shape = (round(height * CLOSE_PX_PER_MM / px_per_mm), round(width * CLOSE_PX_PER_MM / px_per_mm))
    answers = np.full((3, *shape), NOTHING, dtype=np.float32)
    doubt = np.zeros(shape, dtype=np.float32)
    looked = np.zeros(shape, dtype=bool)
    if tiles:
        encoder, judge = (
            cv2.dnn.readNetFromONNX(np.frombuffer(data, dtype=np.uint8))
            for data in (references.networks.close_encoder, references.networks.close_judge)
        )
    for first in range(0, len(tiles), _TILES_AT_ONCE):
        some = tiles[first : first + _TILES_AT_ONCE]
        surfaces, normals, around = [], [], []
        for top, left in some:
            piece = _cut(inside_mm, top, left, px_per_mm, -1.0) > 0
            on_piece = cv2.resize(piece.astype(np.uint8), _PICTURE, interpolation=cv2.INTER_NEAREST) > 0
            surfaces.append(tile_surface(_cut(gray, top, left, LINE_PX_PER_MM, 0), on_piece))
            normals += [
                tile_surface(_cut(one, top, left, LINE_PX_PER_MM, 0), on_piece) for one in references.grays
            ]
            maps = [_cut(one, top, left, MAP_PX_PER_MM, NOTHING) for one in (damage.feature, damage.chip, damage.crack)]
            odds, deep = (_cut(one, top, left, px_per_mm, -8.0) for one in (piece_odds, inside_mm))
            around.append(tile_surroundings(maps, odds, deep, len(references.grays)))
        encoder.setInput(np.stack(normals))
        features = encoder.forward().reshape(len(some), len(references.grays), FEATURES, *_ANSWER)
        judge.setInput(np.stack(surfaces), "surface")
        judge.setInput(features.mean(axis=1), "mean")
        judge.setInput(_spread(features.max(axis=1), cv2.dilate), "highest")
        judge.setInput(_spread(features.min(axis=1), cv2.erode), "lowest")
        judge.setInput(np.stack(around), "around")
        for (top, left), answer in zip(some, judge.forward(), strict=True):
            _paste(answer, top, left, answers, doubt, looked)
    return CloseMap(*answers, doubt, looked)


_PICTURE = (round(TILE_MM * LINE_PX_PER_MM),) * 2
_ANSWER = (round(TILE_MM * CLOSE_PX_PER_MM),) * 2


def _cut(image, top_mm, left_mm, px_per_mm, fill):
    scale = round(px_per_mm)
    side = TILE_MM * scale
    tile = np.full((side, side), fill, dtype=image.dtype)
    top, left = top_mm * scale, left_mm * scale
    y0, x0 = max(0, top), max(0, left)
    y1, x1 = min(image.shape[0], top + side), min(image.shape[1], left + side)
    tile[y0 - top : y1 - top, x0 - left : x1 - left] = image[y0:y1, x0:x1]
    return tile


def _spread(features, grow):
    around = np.ones((3, 3), dtype=np.uint8)
    flat = features.reshape(-1, *features.shape[-2:])
    return np.stack([grow(one, around) for one in flat]).reshape(features.shape)


def _paste(answer, top_mm, left_mm, answers, doubt, looked):
    scale, margin = round(CLOSE_PX_PER_MM), round(MARGIN_MM * CLOSE_PX_PER_MM)
    top, left = top_mm * scale + margin, left_mm * scale + margin
    inner = answer[:, margin:-margin, margin:-margin]
    y0, x0 = max(0, top), max(0, left)
    y1, x1 = min(looked.shape[0], top + inner.shape[1]), min(looked.shape[1], left + inner.shape[2])
    if y1 <= y0 or x1 <= x0:
        return
    part = inner[:, y0 - top : y1 - top, x0 - left : x1 - left]
    answers[:, y0:y1, x0:x1] = part[:3]
    doubt[y0:y1, x0:x1] = np.exp(part[3])
    looked[y0:y1, x0:x1] = True

"""How likely each place of the piece is damaged: a learned comparison of the photo with its references.

One small network encodes the surface of every photo alike. For each place and each of its features, the references
have a mean and a range, in whatever number and order they come, widened by what the alignment may be off. A second
network judges the photo's features beside mean and range, how deep inside the outline a place lies, and whether it
looks like piece or like mat: first place by place, then looking around on a coarser raster, and back (Ronneberger et
al. 2015). Both learnt from rendered pieces and from damage painted into them (``tests/benchmarks/fit_damage_map.py``),
the second through a larger one (``tests/benchmarks/thin_damage_map.py``); they lie beside this file in ONNX form and
are run by OpenCV.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.comparing.appearance import appearance
from inspector.inspection.networks import Networks

__all__ = [
    "MAP_PX_PER_MM",
    "DamageMap",
    "NormalSurface",
    "map_damage",
    "normal_surface",
    "surface_window",
]

# Chips of 3 mm are six pixels wide on it. The networks read the surface at twice this scale.
MAP_PX_PER_MM = 2.0
# They see this much of the mat around the piece.
MARGIN_MM = 4.0
# The raster is halved three times between photo and coarsest features.
STEP = 8
DEEPEST_MM = 6.0
MOST_REFERENCES = 3
FARTHEST_ODDS = 8.0
FEATURES = 24
# Where there is nothing to judge.
NOTHING = np.float32(-12.0)

_Value = TypeVar("_Value", bound=np.generic)


@dataclass(frozen=True, slots=True)
class _Window:
    """A part of the model's box whose sides are multiples of ``STEP``."""

    left: int
    top: int
    width: int
    height: int

    def cut(self, image: NDArray[_Value]) -> NDArray[_Value]:
        return image[self.top : self.top + self.height, self.left : self.left + self.width]


@dataclass(frozen=True, slots=True, eq=False)
class NormalSurface:
    """What references of one mold show, feature by feature and place by place, as the second network takes it."""

    window: _Window
    mean: NDArray[np.float32]  # (1, FEATURES, h, w) on the map's raster
    highest: NDArray[np.float32]
    lowest: NDArray[np.float32]
    references: int
    networks: Networks  # that made it


@dataclass(frozen=True, slots=True, eq=False)
class DamageMap:
    """Log odds of each kind of damage on the raster of the map; far below 0 where there is nothing to judge."""

    feature: NDArray[np.float32]  # (h, w) a missing part
    chip: NDArray[np.float32]  # (h, w) a chip or a pit
    crack: NDArray[np.float32]  # (h, w)
    inside: NDArray[np.bool_]  # (h, w) on the piece, and seen

    @property
    def odds(self) -> NDArray[np.float32]:
        """Log odds that something has broken away."""
        return np.maximum(self.feature, self.chip)


def surface_window(mask: NDArray[np.uint8], *, px_per_mm: float) -> _Window:
    """The part of a box that the networks look at: the piece with a little of the mat."""
    height, width = mask.shape
    left, top, w, h = cv2.boundingRect(mask)
    margin = round(MARGIN_MM * px_per_mm)
    x0, y0 = max(0, left - margin) // STEP * STEP, max(0, top - margin) // STEP * STEP
    x1, y1 = min(width, left + w + margin), min(height, top + h + margin)
    across, down = -(-(x1 - x0) // STEP) * STEP, -(-(y1 - y0) // STEP) * STEP
    if x0 + across > width:
        across = (width - x0) // STEP * STEP
    if y0 + down > height:
        down = (height - y0) // STEP * STEP
    return _Window(x0, y0, across, down)


def normal_surface(
    grays: Sequence[NDArray[np.uint8]], mask: NDArray[np.uint8], *, px_per_mm: float, networks: Networks
) -> NormalSurface:
    """Encode the references of a mold, aligned to one box.

    Parameters
    ----------
    grays : sequence of ndarray, shape (h, w), uint8
        At least one.
    mask : ndarray, shape (h, w), uint8
        255 on the piece.
    px_per_mm : float
        Twice ``MAP_PX_PER_MM``.
    networks : Networks
    """
    window = surface_window(mask, px_per_mm=px_per_mm)
    encoder = _network(networks.surface_encoder)
    features = []
    for gray in grays:
        encoder.setInput(_surface(gray, mask, window, px_per_mm))
        features.append(np.array(encoder.forward()[0]))
    stack = np.stack(features)
    around = np.ones((3, 3), dtype=np.uint8)
    return NormalSurface(
        window=window,
        mean=stack.mean(axis=0, dtype=np.float32)[None],
        highest=np.stack([cv2.dilate(one, around) for one in stack.max(axis=0)])[None],
        lowest=np.stack([cv2.erode(one, around) for one in stack.min(axis=0)])[None],
        references=len(grays),
        networks=networks,
    )


def map_damage(
    gray: NDArray[np.uint8],
    valid: NDArray[np.bool_],
    piece_odds: NDArray[np.float32],
    mask: NDArray[np.uint8],
    inside_mm: NDArray[np.float32],
    normal: NormalSurface,
    *,
    px_per_mm: float,
) -> DamageMap:
    """Judge a photo that has been aligned to the box.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
    valid : ndarray, shape (h, w), bool
        Where the photo shows something that may be judged.
    piece_odds : ndarray, shape (h, w), float32
        Log odds that the photo shows piece and not mat.
    mask : ndarray, shape (h, w), uint8
        255 where good pieces are.
    inside_mm : ndarray, shape (h, w), float32
        How deep inside the mask.
    normal : NormalSurface
    px_per_mm : float
        Twice ``MAP_PX_PER_MM``.

    Returns
    -------
    DamageMap
        Of the whole box, at ``MAP_PX_PER_MM``.
    """
    window = normal.window
    size = (window.width // 2, window.height // 2)
    deep = cv2.resize(
        np.clip(window.cut(inside_mm), 0, DEEPEST_MM) / np.float32(0.5 * DEEPEST_MM), size, interpolation=cv2.INTER_AREA
    )
    odds = cv2.resize(
        np.clip(window.cut(piece_odds), -FARTHEST_ODDS, FARTHEST_ODDS) / np.float32(0.5 * FARTHEST_ODDS),
        size,
        interpolation=cv2.INTER_AREA,
    )
    count = np.full_like(deep, min(normal.references, MOST_REFERENCES) / MOST_REFERENCES)
    judge = _network(normal.networks.damage_judge)
    judge.setInput(_surface(gray, mask, window, px_per_mm), "surface")
    judge.setInput(normal.mean, "mean")
    judge.setInput(normal.highest, "highest")
    judge.setInput(normal.lowest, "lowest")
    judge.setInput(np.stack([deep, odds, (deep > 0).astype(np.float32), count])[None], "around")
    answer = judge.forward()[0]
    height, width = mask.shape
    shape = (height // 2, width // 2)
    whole = (shape[1], shape[0])
    piece = cv2.resize(mask, whole, interpolation=cv2.INTER_AREA) > 127
    seen = cv2.resize(valid.astype(np.uint8), whole, interpolation=cv2.INTER_NEAREST) > 0
    inside = piece & seen

    def placed(part: NDArray[np.float32]) -> NDArray[np.float32]:
        full = np.full(shape, NOTHING, dtype=np.float32)
        full[window.top // 2 : window.top // 2 + size[1], window.left // 2 : window.left // 2 + size[0]] = part
        return np.where(inside, full, NOTHING)

    feature, chip, crack = (placed(part) for part in answer)
    return DamageMap(feature, chip, crack, inside)


def _surface(
    gray: NDArray[np.uint8], mask: NDArray[np.uint8], window: _Window, px_per_mm: float
) -> NDArray[np.float32]:
    """Input of the encoder, (1, 3, h, w)."""
    return appearance(window.cut(gray), window.cut(mask), px_per_mm=px_per_mm)[None]


def _network(data: bytes) -> cv2.dnn.Net:
    """A network in ONNX form made ready.

    Made anew each time, which takes 5 ms: OpenCV's keep all that lies between input and answer, some 200 MB, for as
    long as they live, and no two threads may share one.
    """
    return cv2.dnn.readNetFromONNX(np.frombuffer(data, dtype=np.uint8))

"""How likely each place of the piece is damaged, from everything that is measured there at once.

No single measure tells a chip from a wet patch or a shadow's edge; together they nearly do. For each place the
measures, their values around it, how the surface looks there, and how well the photo fits as a whole go through small
neural networks fitted to the tuning photos, and to damage painted into them, by
``tests/benchmarks/fit_damage_map.py``. Their weights lie in ``damage_map.json`` beside this file.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.inspection.evidence import Evidence
from inspector.inspection.model import MoldModel
from inspector.inspection.network import Network, probabilities, read_networks

__all__ = [
    "MAP_PX_PER_MM",
    "MEASURES",
    "DamageMap",
    "damage_probability",
    "map_damage",
    "map_inside",
    "map_size",
    "measures",
    "shipped_networks",
]

# Chips of 3 mm are six pixels wide on it.
MAP_PX_PER_MM = 2.0
NEAR_MM = 1.2
AROUND_MM = 4.0
# How far the networks look, in places of the map; beyond it nothing changes their answer.
SEEN_AROUND = 8
LOCAL = (
    *("relief", "rougher", "tone_below", "tone_above", "tone_off", "hue_below", "hue_above", "hue_off"),
    *("odds", "edges", "line", "darker"),
)
NEAR = tuple(f"{name}_near" for name in ("relief", "rougher", "tone_below", "tone_above", "edges", "odds"))
AROUND = tuple(f"{name}_around" for name in ("relief", "rougher", "edges"))
WHOLE = (
    "relief_50",
    "relief_90",
    "rougher_95",
    "edges_50",
    "separation",
    "references",
    "photo_px_per_mm",
    "print_seen",
)
LOOK = ("contrast", "detail", "contrast_above", "contrast_below", "normal_contrast", "detail_beyond")
# Each look four times: a place of the map is two by two places of the look.
MEASURES = (
    *(*LOCAL, *NEAR, *AROUND, "deep", "normal_mismatch", *WHOLE),
    *(f"{name}_{row}{column}" for name in LOOK for row in (0, 1) for column in (0, 1)),
)


@dataclass(frozen=True, slots=True, eq=False)
class DamageMap:
    """One photo on the raster of the map."""

    values: NDArray[np.float32]  # (h, w, len(MEASURES))
    inside: NDArray[np.bool_]  # (h, w) on the piece, and seen
    probability: NDArray[np.float32]  # (h, w) 0 to 1, 0 outside


def map_damage(
    model: MoldModel, evidence: Evidence, *, photo_px_per_mm: float, networks: Sequence[Network]
) -> DamageMap:
    """Measure a photo place by place, and say how likely each is damaged."""
    values = measures(model, evidence, photo_px_per_mm=photo_px_per_mm)
    inside = map_inside(model, evidence)
    return DamageMap(values, inside, damage_probability(values, inside, networks))


def measures(model: MoldModel, evidence: Evidence, *, photo_px_per_mm: float) -> NDArray[np.float32]:
    """What is known of each place, in a fixed order.

    Returns
    -------
    ndarray, shape (h, w, len(MEASURES)), float32
        On the box of the model at ``MAP_PX_PER_MM``.
    """
    size = map_size(model)
    scale = MAP_PX_PER_MM
    inside = model.mask > 127

    def small(image: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.float32)

    relief, rougher = small(evidence.relief), small(evidence.rougher)
    tone = _beyond(evidence.layer.tone, [layer.tone for layer in model.layers], inside, size)
    hue = _beyond(evidence.layer.hue, [layer.hue for layer in model.layers], inside, size)
    odds = np.clip(small(evidence.silhouette.log_odds), -6, 6)
    edges = small(evidence.own_edges - model.normal_edges)
    line = small(evidence.line_in_box)
    darker = small(evidence.darker)
    local = [relief, rougher, *tone, *hue, odds, edges, line, darker]
    near = [
        cv2.GaussianBlur(image, (0, 0), NEAR_MM * scale) for image in (relief, rougher, tone[0], tone[1], edges, odds)
    ]
    around = [cv2.GaussianBlur(image, (0, 0), AROUND_MM * scale) for image in (relief, rougher, edges)]
    deep = np.minimum(small(model.inside_mm), 6.0)
    small_inside = small(inside.astype(np.float32)) > 0.5

    def level(image: NDArray[np.float32], percent: float) -> float:
        return float(np.percentile(image[small_inside], percent)) if small_inside.any() else 0.0

    whole = [
        level(relief, 50),
        level(relief, 90),
        level(rougher, 95),
        level(edges, 50),
        evidence.silhouette.separation,
        float(min(len(model.layers), 5)),
        float(min(photo_px_per_mm, 14.0)),
        float(evidence.print_seen),
    ]
    constant = [np.full(relief.shape, value, dtype=np.float32) for value in whole]
    maps = np.stack([*local, *near, *around, deep, small(model.normal_mismatch_in_box), *constant], axis=-1)
    return np.concatenate([maps, _two_by_two(evidence.unlike, size)], axis=-1)


def _two_by_two(maps: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """Maps at twice the scale, each four values of a place side by side."""
    width, height = size
    fine = np.stack([cv2.resize(one, (2 * width, 2 * height), interpolation=cv2.INTER_LINEAR) for one in maps])
    apart = fine.reshape(len(maps), height, 2, width, 2).transpose(1, 3, 0, 2, 4)
    return np.asarray(apart.reshape(height, width, 4 * len(maps)))


def damage_probability(
    values: NDArray[np.float32], inside: NDArray[np.bool_], networks: Sequence[Network]
) -> NDArray[np.float32]:
    """Probability of damage at each place of the box, at ``MAP_PX_PER_MM``, 0 outside the piece.

    Parameters
    ----------
    values : ndarray, shape (h, w, len(MEASURES)), float32
    inside : ndarray, shape (h, w), bool
        See ``map_inside``.
    networks : sequence of Network
    """
    probability = np.zeros(inside.shape, dtype=np.float32)
    if not inside.any():
        return probability
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    left, right = max(0, columns[0] - SEEN_AROUND), columns[-1] + 1 + SEEN_AROUND

    def answer(strip: NDArray[np.int64]) -> None:
        top = max(0, strip[0] - SEEN_AROUND)
        seen = probabilities(networks, values[top : strip[-1] + 1 + SEEN_AROUND, left:right])
        probability[strip, left:right] = seen[strip - top]

    strips = np.array_split(np.arange(rows[0], rows[-1] + 1), cv2.getNumThreads())
    with ThreadPoolExecutor(len(strips)) as threads:  # NumPy's products let other threads run
        list(threads.map(answer, [strip for strip in strips if strip.size]))
    return np.where(inside, probability, np.float32(0))


@lru_cache(maxsize=1)
def shipped_networks() -> tuple[Network, ...]:
    """The networks that come with the program: a constant, kept as data."""
    text = files("inspector.inspection").joinpath("damage_map.json").read_text(encoding="utf-8")
    return read_networks(text)


def map_inside(model: MoldModel, evidence: Evidence) -> NDArray[np.bool_]:
    """Where the map has a meaning: on the piece, and seen."""
    size = map_size(model)
    piece = cv2.resize(model.mask, size, interpolation=cv2.INTER_AREA) > 127
    seen = cv2.resize(evidence.layer.valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    return np.asarray(piece & seen)


def map_size(model: MoldModel) -> tuple[int, int]:
    """Width and height of the box at ``MAP_PX_PER_MM``."""
    height, width = model.mask.shape
    shrink = MAP_PX_PER_MM / model.px_per_mm
    return round(width * shrink), round(height * shrink)


def _beyond(
    own: NDArray[np.float32], others: list[NDArray[np.float32]], inside: NDArray[np.bool_], size: tuple[int, int]
) -> list[NDArray[np.float32]]:
    """How far a cue, against its surroundings, lies below and above the range that references have there."""
    scale = MAP_PX_PER_MM
    share = cv2.resize(inside.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    covered = np.maximum(cv2.GaussianBlur(share, (0, 0), AROUND_MM * scale), 0.05)

    def local(cue: NDArray[np.float32]) -> NDArray[np.float32]:
        small = cv2.resize(cue, size, interpolation=cv2.INTER_AREA)
        return np.asarray(small - cv2.GaussianBlur(small * share, (0, 0), AROUND_MM * scale) / covered)

    references = np.stack([local(cue) for cue in others])
    reach = np.ones((3, 3), dtype=np.uint8)
    low = cv2.erode(references.min(axis=0), reach)
    high = cv2.dilate(references.max(axis=0), reach)
    mine = local(own)
    return [np.maximum(low - mine, 0), np.maximum(mine - high, 0), mine - references.mean(axis=0)]

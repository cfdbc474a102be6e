"""Everything that speaks for or against damage at each place of an aligned photo."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.comparing.hairlines import LineStrength, line_strength
from inspector.comparing.relief import mismatch
from inspector.comparing.silhouette import Silhouette
from inspector.imaging.side_by_side import both
from inspector.inspection.damage_map import DamageMap, map_damage
from inspector.inspection.layers import (
    LINE_PX_PER_MM,
    Layer,
    line_picture,
    local_darkness,
    relief_field,
)
from inspector.inspection.model import MoldModel
from inspector.inspection.view import View

__all__ = ["Evidence", "gather_evidence"]

CROWDED_STRENGTH = 2.5
ODD_RELIEF = 0.12
LINE_SMOOTH_PX = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Maps in the model's box; lines on a finer raster of the same box."""

    layer: Layer
    silhouette: Silhouette
    likeness: NDArray[np.float32]  # what the photo was matched by, on half the raster of the box
    relief: NDArray[np.float32]  # mismatch beyond what good pieces show, about 0 where normal
    normal_edges: NDArray[np.float32]  # the strongest of the references
    darker: NDArray[np.float32]  # local darkness beyond the references', log units
    damage: DamageMap | None  # where the photo is compared by what was learned, too
    lines: LineStrength
    known_lines: NDArray[np.float32]  # what the references account for
    line_smooth: NDArray[np.uint8]  # the photo on the raster of the lines, less its finest noise
    line_px_per_mm: float
    line_crowd: float  # how full of lines the whole piece is: a rough or wrinkled casting
    odd_share: float  # part of the piece whose relief is beyond normal: all over, the photo fits badly
    print_seen: bool
    nearest: int  # index of the reference that agrees best


def gather_evidence(
    view: View, model: MoldModel, layer: Layer, silhouette: Silhouette, likeness: NDArray[np.float32]
) -> Evidence:
    """Compare a photo that has been aligned to the model with all references."""
    # The judge works on all threads by itself, within OpenCV: lines take what it leaves of them.
    (lines, line_smooth, crowd), (relief, nearest, darker, damage) = both(
        lambda: _lines(view, model, layer, silhouette), lambda: _surface(model, layer, silhouette)
    )
    return Evidence(
        layer=layer,
        silhouette=silhouette,
        likeness=likeness,
        relief=relief,
        normal_edges=model.normal_edges,
        darker=darker,
        damage=damage,
        lines=lines,
        known_lines=model.known_lines,
        line_smooth=line_smooth,
        line_px_per_mm=LINE_PX_PER_MM,
        line_crowd=crowd,
        odd_share=float(np.mean(relief[model.mask > 127] > ODD_RELIEF)),
        print_seen=view.cues.print_seen,
        nearest=nearest,
    )


def _lines(
    view: View, model: MoldModel, layer: Layer, silhouette: Silhouette
) -> tuple[LineStrength, NDArray[np.uint8], float]:
    """Dark lines, the picture they are seen in less its finest noise, and how full of them the piece is."""
    gray = line_picture(view, layer.photo_xy)
    piece = np.minimum(model.mask, silhouette.mask)
    mask = cv2.resize(piece, (gray.shape[1], gray.shape[0]), interpolation=cv2.INTER_NEAREST)
    lines = line_strength(gray, mask, px_per_mm=LINE_PX_PER_MM)
    left = cv2.subtract(lines.strength, model.known_lines)
    crowded = cv2.bitwise_and(cv2.compare(left, CROWDED_STRENGTH, cv2.CMP_GT), mask)
    crowd = cv2.countNonZero(crowded) / max(1, cv2.countNonZero(mask))
    return lines, cv2.GaussianBlur(gray, (0, 0), LINE_SMOOTH_PX), crowd


def _surface(
    model: MoldModel, layer: Layer, silhouette: Silhouette
) -> tuple[NDArray[np.float32], int, NDArray[np.float32], DamageMap | None]:
    """Relief and darkness as `Evidence` has them, the nearest reference between, and the damage map."""
    height, width = model.mask.shape
    own = relief_field(layer.gray, model.px_per_mm)
    maps = np.stack([mismatch(own, field, px_per_mm=model.relief_px_per_mm) for field in model.relief_fields])
    small_mask = cv2.resize(model.mask, (own.shape[1], own.shape[0]), interpolation=cv2.INTER_AREA) > 127
    nearest = int(np.argmin([float(one[small_mask].mean()) for one in maps]))
    relief = cv2.resize(maps.min(axis=0) - model.normal_mismatch, (width, height), interpolation=cv2.INTER_LINEAR)
    darker = local_darkness(layer, model.px_per_mm) - model.normal_darkness
    damage = None
    if model.normal_surface is not None:
        damage = map_damage(
            layer.gray, layer.valid, silhouette.log_odds, model.mask, model.inside_mm, model.normal_surface,
            px_per_mm=model.px_per_mm,
        )  # fmt: skip
    return relief, nearest, darker, damage

"""Everything that speaks for or against damage at each place of an aligned photo."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.comparing.hairlines import LineStrength, line_strength
from inspector.comparing.relief import mismatch
from inspector.comparing.silhouette import Silhouette
from inspector.inspection.damage_map import DamageMap, map_damage, read_judge
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
    height, width = model.mask.shape
    normal = model.normal_surface
    own = relief_field(layer.gray, model.px_per_mm)
    piece = np.minimum(model.mask, silhouette.mask)
    gray = line_picture(view, layer.photo_xy)
    line_mask = cv2.resize(piece, (gray.shape[1], gray.shape[0]), interpolation=cv2.INTER_NEAREST)
    with ThreadPoolExecutor(cv2.getNumThreads()) as threads:  # OpenCV lets other threads run
        lines_seen = threads.submit(line_strength, gray, line_mask, px_per_mm=LINE_PX_PER_MM)
        mismatches = threads.map(
            lambda field: mismatch(own, field, px_per_mm=model.relief_px_per_mm), model.relief_fields
        )
        judge = None if normal is None else threads.submit(read_judge, normal)
        maps = np.stack(list(mismatches))
        lines = lines_seen.result()
    small_mask = cv2.resize(model.mask, (own.shape[1], own.shape[0]), interpolation=cv2.INTER_AREA) > 127
    nearest = int(np.argmin([float(one[small_mask].mean()) for one in maps]))
    relief = cv2.resize(maps.min(axis=0) - model.normal_mismatch, (width, height), interpolation=cv2.INTER_LINEAR)
    left = cv2.subtract(lines.strength, model.known_lines)
    crowded = cv2.bitwise_and(cv2.compare(left, CROWDED_STRENGTH, cv2.CMP_GT), line_mask)
    crowd = cv2.countNonZero(crowded) / max(1, cv2.countNonZero(line_mask))
    damage = None
    if normal is not None and judge is not None:
        damage = map_damage(
            judge.result(), layer.gray, layer.valid, silhouette.log_odds, model.mask, model.inside_mm, normal,
            px_per_mm=model.px_per_mm,
        )  # fmt: skip
    return Evidence(
        layer=layer,
        silhouette=silhouette,
        likeness=likeness,
        relief=relief,
        normal_edges=model.normal_edges,
        darker=local_darkness(layer, model.px_per_mm) - model.normal_darkness,
        damage=damage,
        lines=lines,
        known_lines=model.known_lines,
        line_smooth=cv2.GaussianBlur(gray, (0, 0), LINE_SMOOTH_PX),
        line_px_per_mm=LINE_PX_PER_MM,
        line_crowd=crowd,
        odd_share=float(np.mean(relief[model.mask > 127] > ODD_RELIEF)),
        print_seen=view.cues.print_seen,
        nearest=nearest,
    )

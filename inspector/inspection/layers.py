"""A photo laid into a mold's box: its cues, edges and lines, pixel by pixel where the references have theirs."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.structure import orientation_field
from inspector.comparing.silhouette import Silhouette, look_code, see_silhouette
from inspector.imaging.reducing import reduce_whole
from inspector.inspection.view import View

__all__ = [
    "LINE_PX_PER_MM",
    "RELIEF_PX_PER_MM",
    "Layer",
    "edge_energy",
    "layer_of",
    "line_picture",
    "local_darkness",
    "relief_field",
    "silhouette_of",
]

# Relief is compared on a raster that grain does not reach, lines on one that a 0.2 mm crack does.
RELIEF_PX_PER_MM = 2.0
RELIEF_SCALE_MM = 0.45
LINE_PX_PER_MM = 6.0
# Darkness is compared over patches of about this size; larger ones are light, shadow and colour of the mix.
PATCH_MM = 1.2
AROUND_MM = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One photo of a piece, warped into the box."""

    photo_xy: NDArray[np.float32]  # (h, w, 2) frame px of that photo at each pixel of the box
    gray: NDArray[np.uint8]
    valid: NDArray[np.bool_]  # where the photo shows something that may be judged
    tone: NDArray[np.float32]
    texture: NDArray[np.float32]
    looks: NDArray[np.int32]  # what each place looks like, see comparing.silhouette


def layer_of(view: View, photo_xy: NDArray[np.float32]) -> Layer:
    """A photo's cues, warped into the box."""

    def warped(image: NDArray[np.float32] | NDArray[np.uint8]) -> NDArray[np.float32]:
        return np.asarray(cv2.remap(image, photo_xy, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    height, width = view.frame_gray.shape
    x, y = photo_xy[..., 0], photo_xy[..., 1]
    valid = (x > 1) & (y > 1) & (x < width - 2) & (y < height - 2)
    shown = _photo_area(view)
    shown[view.cues.blocked] = 0
    valid &= warped(shown) > 254
    tone, texture = warped(view.cues.tone), warped(view.cues.texture)
    return Layer(
        photo_xy=photo_xy,
        gray=warped(view.frame_gray).astype(np.uint8),
        valid=valid,
        tone=tone,
        texture=texture,
        looks=look_code(tone, warped(view.cues.hue), texture),
    )


def silhouette_of(layer: Layer, inside_mm: NDArray[np.float32], px_per_mm: float) -> Silhouette:
    """Piece against mat in a layer, whose expected outline is given as the depth inside it."""
    return see_silhouette(layer.looks, inside_mm, layer.valid, px_per_mm=px_per_mm)


def relief_field(gray: NDArray[np.uint8], px_per_mm: float) -> NDArray[np.float32]:
    """The edges of a layer on the raster on which relief is compared."""
    height, width = gray.shape
    shrink = RELIEF_PX_PER_MM / px_per_mm
    small = cv2.resize(gray, (round(width * shrink), round(height * shrink)), interpolation=cv2.INTER_AREA)
    return orientation_field(small, px_per_mm=RELIEF_PX_PER_MM, scale_mm=RELIEF_SCALE_MM)


def edge_energy(field: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """How much edge there is around each place of a relief field, brought to a size (width, height)."""
    energy = cv2.GaussianBlur(field[..., 0] ** 2 + field[..., 1] ** 2, (0, 0), RELIEF_PX_PER_MM)
    return np.asarray(cv2.resize(energy, size, interpolation=cv2.INTER_LINEAR))


def local_darkness(layer: Layer, px_per_mm: float) -> NDArray[np.float32]:
    """How much darker a patch is than its surroundings, log units, 0 where brighter."""
    patch = cv2.GaussianBlur(layer.tone, (0, 0), PATCH_MM * px_per_mm / 2)
    around = cv2.blur(layer.tone, (2 * round(AROUND_MM * px_per_mm / 2) + 1,) * 2)
    return np.asarray(np.maximum(around - patch, 0), dtype=np.float32)


def line_picture(view: View, photo_xy: NDArray[np.float32]) -> NDArray[np.uint8]:
    """The photo itself, not its frame, resampled into the box at ``LINE_PX_PER_MM``."""
    height, width = photo_xy.shape[:2]
    grow = LINE_PX_PER_MM / view.frame.px_per_mm
    size = (round(width * grow), round(height * grow))
    frame_xy = cv2.resize(photo_xy, size, interpolation=cv2.INTER_LINEAR)
    to_photo = view.frame.photo_from_frame
    middle = frame_xy[size[1] // 2, size[0] // 2].astype(np.float64)
    ends = cv2.perspectiveTransform(np.stack([middle, middle + np.array([1.0, 0.0])])[None], to_photo)[0]
    reduction = float(np.hypot(*(ends[1] - ends[0]))) / grow
    source, small_from_photo = reduce_whole(view.gray, max(1, int(reduction + 0.35)))
    places = cv2.perspectiveTransform(frame_xy.reshape(1, -1, 2), small_from_photo @ to_photo).reshape(frame_xy.shape)
    return np.asarray(cv2.remap(source, places, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _photo_area(view: View) -> NDArray[np.uint8]:
    """255 where the frame lies within the photo."""
    height, width = view.gray.shape
    white = np.full((height // 8 + 1, width // 8 + 1), 255, dtype=np.uint8)
    reduce = np.diag([1 / 8, 1 / 8, 1.0])
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(white, reduce @ view.frame.photo_from_frame, view.frame.size_px, flags=flags))

"""Pictures for people: photos made small enough for a page, outlines drawn on a reference."""

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.log.records import Feature, Points
from inspector.workshop.results import Picture

__all__ = ["draw_reference", "jpeg_picture"]

_JPEG_QUALITY = 88
# Vermilion, sky blue and black of the palette by Okabe and Ito (2008), which colour-blind people tell apart; as BGR.
_OUTLINE_BGR = (0, 94, 213)
_FEATURE_BGR = (233, 180, 86)
_INK_BGR = (0, 0, 0)
_PAPER_BGR = (255, 255, 255)


def jpeg_picture(image_bgr: NDArray[np.uint8], *, max_side_px: int | None = None) -> Picture:
    """Encode an image, made smaller first if a side is longer than asked."""
    height_px, width_px = image_bgr.shape[:2]
    factor = 1.0 if max_side_px is None else min(1.0, max_side_px / max(height_px, width_px))
    if factor < 1.0:
        size = (max(1, round(width_px * factor)), max(1, round(height_px * factor)))
        image_bgr = cv2.resize(image_bgr, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
    _, encoded = cv2.imencode(".jpg", image_bgr, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
    return Picture(
        data=encoded.tobytes(),
        media_type="image/jpeg",
        width_px=image_bgr.shape[1],
        height_px=image_bgr.shape[0],
        px_per_photo_px=factor,
    )


def draw_reference(image_bgr: NDArray[np.uint8], outline_xy: Points, features: Iterable[Feature]) -> NDArray[np.uint8]:
    """Draw the outline of a reference (solid) and its features (named) on a copy of its photo."""
    picture = image_bgr.copy()
    line_px = max(2, round(max(picture.shape[:2]) / 500))
    _draw_polygon(picture, outline_xy, _OUTLINE_BGR, line_px)
    for feature in features:
        _draw_polygon(picture, feature.polygon_xy, _FEATURE_BGR, line_px)
        _draw_name(picture, feature, line_px)
    return picture


def _draw_polygon(picture: NDArray[np.uint8], polygon_xy: Points, colour: tuple[int, int, int], line_px: int) -> None:
    points = [np.round(np.asarray(polygon_xy)).astype(np.int32)]
    cv2.polylines(picture, points, True, _PAPER_BGR, 3 * line_px, cv2.LINE_AA)
    cv2.polylines(picture, points, True, colour, line_px, cv2.LINE_AA)


def _draw_name(picture: NDArray[np.uint8], feature: Feature, line_px: int) -> None:
    x, y = np.mean(np.asarray(feature.polygon_xy), axis=0)
    at = (round(x), round(y))
    scale = line_px / 3
    cv2.putText(picture, feature.name, at, cv2.FONT_HERSHEY_SIMPLEX, scale, _PAPER_BGR, 3 * line_px, cv2.LINE_AA)
    cv2.putText(picture, feature.name, at, cv2.FONT_HERSHEY_SIMPLEX, scale, _INK_BGR, line_px, cv2.LINE_AA)

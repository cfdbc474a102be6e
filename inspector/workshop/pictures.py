"""Pictures for people: photos made small enough for a page, outlines drawn on a reference."""

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.log.records import Feature, Points
from inspector.workshop.results import Picture

__all__ = ["draw_difference", "draw_reference", "jpeg_picture", "shrunk"]

_JPEG_QUALITY = 88
# Vermilion, sky blue and black of the palette by Okabe and Ito (2008), which colour-blind people tell apart; as BGR.
_OUTLINE_BGR = (0, 94, 213)
_FEATURE_BGR = (233, 180, 86)
_INK_BGR = (0, 0, 0)
_PAPER_BGR = (255, 255, 255)
# How differences are shown, chosen by eye on the demo's photos: how far around the piece, and what counts as the
# neighbourhood of a place, as parts of the longest side; the contrast in grey levels under which a place counts as
# flat; differences in usual contrasts that are shown dark, and white; how much of the photo's brightness is left.
_RIM = 0.005
_NEIGHBOURHOOD = 0.05
_FLAT_CONTRAST = 12.0
_DIFFERENCE_USUAL = 0.6
_DIFFERENCE_SHOWN_WHITE = 2.5
_DIMMED = 0.35


def jpeg_picture(image_bgr: NDArray[np.uint8], *, max_side_px: int | None = None) -> Picture:
    """Encode an image, made smaller first if a side is longer than asked."""
    small_bgr = image_bgr if max_side_px is None else shrunk(image_bgr, max_side_px=max_side_px)
    _, encoded = cv2.imencode(".jpg", small_bgr, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
    return Picture(
        data=encoded.tobytes(),
        media_type="image/jpeg",
        width_px=small_bgr.shape[1],
        height_px=small_bgr.shape[0],
        px_per_photo_px=_shrink_factor(image_bgr, max_side_px=max_side_px),
    )


def shrunk(image_bgr: NDArray[np.uint8], *, max_side_px: int) -> NDArray[np.uint8]:
    """Give an image with its longest side no longer than asked: itself where it is not."""
    factor = _shrink_factor(image_bgr, max_side_px=max_side_px)
    if factor == 1.0:
        return image_bgr
    height_px, width_px = image_bgr.shape[:2]
    size = (max(1, round(width_px * factor)), max(1, round(height_px * factor)))
    return cv2.resize(image_bgr, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)


def draw_difference(
    photo_bgr: NDArray[np.uint8], good_bgr: NDArray[np.uint8], outline_xy: NDArray[np.float64]
) -> NDArray[np.uint8]:
    """Draw where a photo differs from the good piece laid over it: bright where it does, on a dim picture of the piece.

    Lamp and mix are taken out first: each place is told as so many times the usual contrast above or below its
    neighbourhood. For the eye only; findings come from the engine.

    Parameters
    ----------
    photo_bgr, good_bgr : ndarray, shape (h, w, 3), uint8
    outline_xy : ndarray, shape (n, 2)
        Of the good piece, on both; what lies outside is not compared. [px]
    """
    piece = np.zeros(photo_bgr.shape[:2], np.uint8)
    cv2.fillPoly(piece, [np.round(outline_xy).astype(np.int32)], 1)
    rim_px = max(1, round(_RIM * max(piece.shape)))
    piece = cv2.dilate(piece, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * rim_px + 1, 2 * rim_px + 1)))
    difference = np.abs(_without_light(photo_bgr) - _without_light(good_bgr)) * piece
    bright = np.clip((difference - _DIFFERENCE_USUAL) / (_DIFFERENCE_SHOWN_WHITE - _DIFFERENCE_USUAL), 0, 1)
    dim = cv2.cvtColor(photo_bgr, cv2.COLOR_BGR2GRAY) * np.float32(_DIMMED)
    return cv2.cvtColor((dim + (255 - dim) * bright).astype(np.uint8), cv2.COLOR_GRAY2BGR).astype(np.uint8, copy=False)


def draw_reference(image_bgr: NDArray[np.uint8], outline_xy: Points, features: Iterable[Feature]) -> NDArray[np.uint8]:
    """Draw the outline of a reference (solid) and its features (named) on a copy of its photo."""
    picture = image_bgr.copy()
    line_px = max(2, round(max(picture.shape[:2]) / 500))
    _draw_polygon(picture, outline_xy, _OUTLINE_BGR, line_px)
    for feature in features:
        _draw_polygon(picture, feature.polygon_xy, _FEATURE_BGR, line_px)
        _draw_name(picture, feature, line_px)
    return picture


def _shrink_factor(image_bgr: NDArray[np.uint8], *, max_side_px: int | None) -> float:
    return 1.0 if max_side_px is None else min(1.0, max_side_px / max(image_bgr.shape[:2]))


def _without_light(image_bgr: NDArray[np.uint8]) -> NDArray[np.float32]:
    gray = cv2.GaussianBlur(cv2.cvtColor(image_bgr, cv2.COLOR_BGR2GRAY).astype(np.float32), (0, 0), 1.0)
    reach_px = _NEIGHBOURHOOD * max(gray.shape)
    apart = gray - cv2.GaussianBlur(gray, (0, 0), reach_px)
    usual = cv2.sqrt(cv2.GaussianBlur(apart * apart, (0, 0), reach_px))
    return np.asarray(apart / (usual + _FLAT_CONTRAST), dtype=np.float32)


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

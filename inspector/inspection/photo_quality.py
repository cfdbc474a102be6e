"""What the photos of a mold are like, as far as it bears on what can be seen in them, and what would help."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import linear_light
from inspector.imaging.mat import MARKER_SIDE_MM, MatSighting
from inspector.inspection.reference import Reference

__all__ = ["PhotoQuality", "judge_quality", "what_would_help"]

# Sharpness is judged after a little smoothing against noise, on steps of at least this many grey levels, which may be
# spread over this far to each side.
EDGE_SMOOTHING_PX = 0.8
EDGE_REACH_PX = 6
LEAST_RISE = 25.0
# The pixels themselves blur by 1 / sqrt(12); demosaicing and the lens make half a pixel of it. No photo is sharper.
SHARPEST_BLUR_PX = 0.5
# Above this, finer things would show on the same pixels if the photo were sharper.
SHARP_BLUR_PX = 1.2
# Below this the middle brightness of the piece is that of an underexposed photo, and noise grows.
DARK = 85.0
BURNT_OUT_SHARE = 0.02
ROOM_TO_GO_CLOSER = 1.15
ENOUGH_REFERENCES = 3
# Shadows are looked for on the mat so far from the piece, on a raster of so many px per mm; dots of its print are
# smaller than this. The darkest of them are the darkest part of the places, the lit mat is brighter than most of it.
BESIDE_MM = (2.0, 20.0)
SHADOW_PX_PER_MM = 4.0
PRINT_MM = 1.6
DARKEST_PERCENT = 3
LIT_PERCENT = 80
# Chosen on half of the rendered molds (`python -m tests.benchmarks.hard_light`): a lamp leaves less light than this in
# its shadow, a window or an overcast sky more.
HARD_SHADOW = 0.18


@dataclass(frozen=True, slots=True)
class PhotoQuality:
    """What a photo is like, as far as it bears on what can be seen in it."""

    photo: str
    passed: bool  # of a logged piece that was passed as good; else a reference
    px_per_mm: float
    blur_px: float  # standard deviation
    brightness: float  # median of the piece, of 255
    burnt_out: float  # part of the piece
    zoom: float | None  # how many times larger the mat could be in the photo, None without a mat
    shadow_light: float | None  # of the lit mat's light what is left in the deepest shadow on it, None without a mat


def judge_quality(
    reference: Reference, piece: NDArray[np.bool_], sighting: MatSighting | None, *, px_per_mm: float, passed: bool
) -> PhotoQuality:
    """Judge a photo of a good piece.

    Parameters
    ----------
    reference : Reference
    piece : ndarray, shape (h, w), bool
        Where it shows the piece.
    sighting : MatSighting or None
        The mat in it.
    px_per_mm : float
        Its scale.
    passed : bool
        Whether it is of a logged piece that was passed as good.
    """
    gray = cv2.cvtColor(reference.image_bgr, cv2.COLOR_BGR2GRAY)
    left, top, width, height = cv2.boundingRect(piece.astype(np.uint8))
    part = gray[top : top + height, left : left + width]
    values = gray[piece]
    return PhotoQuality(
        photo=reference.name,
        passed=passed,
        px_per_mm=px_per_mm,
        blur_px=_blur_px(part),
        brightness=float(np.median(values)),
        burnt_out=float(np.mean(values > 252)),
        zoom=None if sighting is None else _zoom(gray.shape, sighting),
        shadow_light=None if sighting is None else shadow_light(gray, piece, sighting),
    )


def _blur_px(gray: NDArray[np.uint8]) -> float:
    """Standard deviation of a photo's blur, from its sharpest edges.

    A step blurred by a Gaussian is as high as its steepest slope times sqrt(2 pi) deviations. Of all edges the sharpest
    tenth counts, since soft shading and shadows are no fault of the photo.
    """
    smooth = cv2.GaussianBlur(gray, (0, 0), EDGE_SMOOTHING_PX).astype(np.float32)
    slope = cv2.magnitude(*(cv2.Scharr(smooth, cv2.CV_32F, dx, 1 - dx, scale=1 / 32) for dx in (1, 0)))
    around = np.ones((2 * EDGE_REACH_PX + 1, 2 * EDGE_REACH_PX + 1), dtype=np.uint8)
    rise = cv2.dilate(smooth, around) - cv2.erode(smooth, around)
    steepest = slope >= cv2.dilate(slope, np.ones((5, 5), dtype=np.uint8))
    edges = steepest & (rise > max(LEAST_RISE, float(np.percentile(rise, 90))))
    if not edges.any():
        return SHARPEST_BLUR_PX
    width_px = float(np.percentile(rise[edges] / np.maximum(slope[edges], 1e-3), 10))
    return float(np.sqrt(max(width_px**2 / (2 * np.pi) - EDGE_SMOOTHING_PX**2, SHARPEST_BLUR_PX**2)))


def _zoom(shape: tuple[int, ...], sighting: MatSighting) -> float:
    """How many times larger the mat's markers could be and still all be in the photo, held the same way."""
    width_mm, height_mm = (side + MARKER_SIDE_MM for side in sighting.layout.centres_mm)
    corners = np.array([[[x, y] for x in (-width_mm / 2, width_mm / 2) for y in (-height_mm / 2, height_mm / 2)]])
    seen: NDArray[np.float64] = cv2.perspectiveTransform(corners, sighting.photo_from_mat)[0]
    across, down = np.ptp(seen, axis=0)
    return float(min(shape[1] / across, shape[0] / down))


def shadow_light(gray: NDArray[np.uint8], piece: NDArray[np.bool_], sighting: MatSighting) -> float:
    """How dark the deepest shadow on the mat beside the piece is: its light as a share of the lit mat's.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
    piece : ndarray, shape (h, w), bool
    sighting : MatSighting
        The mat in this photo.
    """
    scale = min(1.0, SHADOW_PX_PER_MM / sighting.px_per_mm)
    px_per_mm = scale * sighting.px_per_mm
    small = cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    height, width = small.shape
    hidden = cv2.resize(piece.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST)
    light = linear_light(np.asarray(cv2.GaussianBlur(small, (0, 0), 0.2 * px_per_mm), dtype=np.uint8))
    around = np.ones((2 * round(PRINT_MM * px_per_mm / 2) + 1,) * 2, dtype=np.uint8)
    paper = cv2.morphologyEx(np.where(hidden > 0, np.float32(0), light), cv2.MORPH_CLOSE, around)
    on_mat = np.zeros((height, width), dtype=np.uint8)
    corners = cv2.perspectiveTransform(sighting.layout.marker_centres_xy_mm[None], sighting.photo_from_mat)[0] * scale
    cv2.fillPoly(on_mat, [np.round(corners).astype(np.int32)], 1)
    away_mm = cv2.distanceTransform(1 - hidden, cv2.DIST_L2, cv2.DIST_MASK_5) / px_per_mm
    mat = (on_mat > 0) & (away_mm > BESIDE_MM[0])
    beside = mat & (away_mm < BESIDE_MM[1])
    if not beside.any():
        return 1.0
    lit = max(float(np.percentile(paper[mat], LIT_PERCENT)), 1e-4)
    return float(np.percentile(paper[beside], DARKEST_PERCENT)) / lit


def what_would_help(
    photos: Sequence[PhotoQuality], *, compared_with: int, crack_limit_mm: float | None
) -> tuple[str, ...]:
    """Tell what would improve the photos, computed from what they are like, the most useful first.

    Parameters
    ----------
    photos : sequence of PhotoQuality
    compared_with : int
        With how many references a photo was compared, at most.
    crack_limit_mm : float or None
        From which width on cracks are found, where that is known.
    """
    told = []
    scale, blur_px = (float(np.median([getattr(one, name) for one in photos])) for name in ("px_per_mm", "blur_px"))
    brightness, burnt = (
        float(np.median([getattr(one, name) for one in photos])) for name in ("brightness", "burnt_out")
    )
    if blur_px > SHARP_BLUR_PX:
        told.append(
            f"Sharper: the photos are blurred over {blur_px:.1f} px ({blur_px / scale:.2f} mm), where a sharp one has "
            f"{SHARP_BLUR_PX:.1f} px or less. Tap on the piece to focus, hold the phone still or prop it up."
        )
    zooms = [photo.zoom for photo in photos if photo.zoom is not None]
    if zooms and (zoom := float(np.median(zooms))) > ROOM_TO_GO_CLOSER:
        told.append(
            f"Closer: the four markers could fill the photo {zoom:.2f} times as large. That would give "
            f"{zoom * scale:.1f} px per mm in place of {scale:.1f}."
        )
    elif zooms:
        told.append(
            f"More pixels: the mat fills the photo at {scale:.1f} px per mm. Only a camera with more pixels, or a "
            "smaller mat around a small piece, shows finer things."
        )
    if brightness < DARK:
        told.append(f"More light: the middle brightness of the piece is {brightness:.0f} of 255. Aim at 110 to 170.")
    if burnt > BURNT_OUT_SHARE:
        told.append(f"Softer light: {burnt:.0%} of the piece is burnt out. Turn the lamp away or cover it.")
    shadows = [photo.shadow_light for photo in photos if photo.shadow_light is not None]
    if shadows and (shadow := float(np.median(shadows))) < HARD_SHADOW:
        told.append(
            f"Softer light: it is hard, the deepest shadow beside the piece keeps {shadow:.0%} of the light. Edges in "
            "such a shadow are not seen. Use a window without sun, or let the lamp shine on a white wall."
        )
    if compared_with < ENOUGH_REFERENCES:
        told.append(
            f"More references: here each photo was compared with {compared_with}. What good pieces differ in among "
            "themselves is not flagged, so more of them allow finer limits."
        )
    if crack_limit_mm is not None:
        wide_px = crack_limit_mm * scale
        told.append(f"A crack of {crack_limit_mm:.2f} mm, which is found, is {wide_px:.1f} px wide in these photos.")
    return tuple(told)

"""The fine print of the mat: which dots are where.

The dots are known to the program, so that a photo shows at each place whether the mat or something else
is seen there, under any light. One dot lies in each cell of a square lattice, moved and sized by a hash of
the cell's place: the same on every machine and in every version, and nowhere periodic.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.mat import MARKER_MARGIN_MM, MARKER_SIDE_MM, MAT_LAYOUTS, MatLayout, Paper

__all__ = ["SpeckleDots", "dots_in_photo", "mat_raster", "speckle_area_mm", "speckle_dots"]

# Dots of 0.5 to 0.9 mm every 1.6 mm: seen at 3 px/mm and more, and printed well by any office printer.
CELL_MM = 1.6
DIAMETER_MM = (0.5, 0.9)
# Between the lower markers lie the ruler and the cautions: no dots there.
LOWER_STRIP_MM = 24.0
CLEARANCE_MM = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class SpeckleDots:
    """The printed dots of one paper size."""

    centres_xy_mm: NDArray[np.float64]  # (n, 2) in mat coordinates
    diameters_mm: NDArray[np.float64]  # (n,)


def speckle_area_mm(paper: Paper) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of the area with dots (markers cut out), in mat coordinates. [mm]"""
    width, height = MAT_LAYOUTS[paper].centres_mm
    half_marker = MARKER_SIDE_MM / 2
    right, bottom = width / 2 + half_marker, height / 2 + half_marker
    return -right, -bottom, right, bottom - LOWER_STRIP_MM


def speckle_dots(paper: Paper) -> SpeckleDots:
    """Centres and diameters of all dots of a mat, in mat coordinates. [mm]"""
    left, top, right, bottom = speckle_area_mm(paper)
    columns = np.arange(int((right - left) // CELL_MM))
    rows = np.arange(int((bottom - top) // CELL_MM))
    column, row = (places.ravel() for places in np.meshgrid(columns, rows))
    size = DIAMETER_MM[0] + (DIAMETER_MM[1] - DIAMETER_MM[0]) * _hash_fraction(column, row, 3)
    freedom = CELL_MM - size  # a dot stays in its cell, so that no two touch
    x = left + column * CELL_MM + size / 2 + freedom * _hash_fraction(column, row, 1)
    y = top + row * CELL_MM + size / 2 + freedom * _hash_fraction(column, row, 2)
    centres = np.column_stack([x, y])
    half = MARKER_SIDE_MM / 2 + MARKER_MARGIN_MM + CLEARANCE_MM
    near_marker = np.zeros(len(centres), dtype=bool)
    for marker in MAT_LAYOUTS[paper].marker_centres_xy_mm:
        near_marker |= np.all(np.abs(centres - marker) < half, axis=1)
    return SpeckleDots(centres[~near_marker], size[~near_marker])


def mat_raster(paper: Paper, *, px_per_mm: float, speckle: bool = True) -> NDArray[np.uint8]:
    """The printed sheet as a picture, white 255 and black 0, without ruler and text.

    Returns
    -------
    ndarray, shape (page height * px_per_mm, page width * px_per_mm), uint8
        Row 0 is the sheet's top edge; the mat's origin lies at the middle of the picture.
    """
    layout = MAT_LAYOUTS[paper]
    width_px, height_px = (round(side * px_per_mm) for side in layout.page_mm)
    sheet = np.full((height_px, width_px), 255, dtype=np.uint8)
    if speckle:
        dots = speckle_dots(paper)
        middle = (np.array([width_px, height_px]) - 1) / 2
        _draw_dots(sheet, dots.centres_xy_mm * px_per_mm + middle, dots.diameters_mm / 2 * px_per_mm)
    _draw_markers(sheet, layout, px_per_mm)
    return sheet


def dots_in_photo(
    paper: Paper, photo_from_mat: NDArray[np.float64], *, size_px: tuple[int, int]
) -> NDArray[np.float32]:
    """How much of each pixel of a photo of the mat the printed dots cover, as far as nothing hides them.

    Parameters
    ----------
    paper : Paper
    photo_from_mat : ndarray, shape (3, 3)
        Homography, mm on the sheet to px.
    size_px : tuple of int
        Width and height of the photo.

    Returns
    -------
    ndarray, shape (height, width), float32
        0 to 1.
    """
    dots = speckle_dots(paper)
    places = dots.centres_xy_mm + np.array([[[0.0, 0.0]], [[0.1, 0.0]], [[0.0, 0.1]]])
    centres, beside, below = (cv2.perspectiveTransform(place[None], photo_from_mat)[0] for place in places)
    across, down = (beside - centres) * 10, (below - centres) * 10
    px_per_mm = np.sqrt(np.abs(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0]))
    inside = np.all((centres > -1) & (centres < size_px), axis=1)
    seen = np.full((size_px[1], size_px[0]), 255, dtype=np.uint8)
    _draw_dots(seen, centres[inside], (px_per_mm * dots.diameters_mm / 2)[inside])
    return np.asarray(1 - seen.astype(np.float32) / 255)


def _draw_dots(picture: NDArray[np.uint8], centres_px: NDArray[np.float64], radii_px: NDArray[np.float64]) -> None:
    """Anti-aliased discs, on the picture given."""
    bits = 6  # OpenCV's fixed-point fraction bits
    centres = np.round(centres_px * 2**bits).astype(int)
    # OpenCV's anti-aliased disc reaches half a pixel beyond the radius asked for.
    radii = np.round(np.maximum(radii_px - 0.5, 0) * 2**bits).astype(int)
    for (x, y), radius in zip(centres.tolist(), radii.tolist(), strict=True):
        cv2.circle(picture, (x, y), radius, 0, -1, cv2.LINE_AA, bits)


def _draw_markers(sheet: NDArray[np.uint8], layout: MatLayout, px_per_mm: float) -> None:
    """Markers on the picture given; sampled by a warp, so that their corners keep sub-pixel places."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    side = 600  # 100 px a cell
    corners_px = np.array([[0, 0], [side, 0], [side, side], [0, side]]) - 0.5
    middle = (np.array([sheet.shape[1], sheet.shape[0]]) - 1) / 2
    for marker_id in layout.marker_ids:
        marker = cv2.aruco.generateImageMarker(dictionary, marker_id, side)
        on_sheet = layout.marker_corners_xy_mm(marker_id) * px_per_mm + middle
        warp = cv2.getPerspectiveTransform(corners_px.astype(np.float32), on_sheet.astype(np.float32))
        size = (sheet.shape[1], sheet.shape[0])
        drawn = cv2.warpPerspective(marker, warp, size, flags=cv2.INTER_AREA, borderValue=255)
        np.minimum(sheet, drawn, out=sheet)


def _hash_fraction(column: NDArray[np.int64], row: NDArray[np.int64], salt: int) -> NDArray[np.float64]:
    """A number in [0, 1) for each cell (a 32-bit finaliser in the manner of MurmurHash3)."""
    value = (
        column.astype(np.uint64) * 73856093 ^ row.astype(np.uint64) * 19349663 ^ np.uint64(salt * 83492791)
    ) & 0xFFFFFFFF
    for shift, factor in ((16, 0x85EBCA6B), (13, 0xC2B2AE35)):
        value = ((value ^ (value >> np.uint64(shift))) * np.uint64(factor)) & np.uint64(0xFFFFFFFF)
    value ^= value >> np.uint64(16)
    return value.astype(np.float64) / 2**32

"""A photo seen straight from above at a fixed scale: the frame in which pieces are compared.

With a mat the frame is the sheet itself, cropped to what lies between the markers' outer edges. Without
one it is the photo, reduced to a nominal scale; sizes in millimetres then mean nothing by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.mat import MARKER_SIDE_MM, MatSighting
from inspector.imaging.reducing import reduce_whole

__all__ = ["NOMINAL_PHOTO_MM", "Frame", "frame_on_mat", "frame_without_mat", "rectify"]

# A photo without a mat is taken to be this wide: the usual distance for a piece of a hand's length.
NOMINAL_PHOTO_MM = 260.0


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A raster over the mat plane (or over the photo), and how it maps to the photo."""

    size_px: tuple[int, int]  # width, height
    px_per_mm: float
    photo_from_frame: NDArray[np.float64]  # (3, 3)
    mat_from_frame: NDArray[np.float64] | None  # (3, 3) frame px to mm on the sheet; None without a mat


def frame_on_mat(sighting: MatSighting, *, px_per_mm: float) -> Frame:
    """The area between the outer edges of the markers, at a given scale."""
    width_mm, height_mm = (side + MARKER_SIDE_MM for side in sighting.layout.centres_mm)
    size_px = (round(width_mm * px_per_mm), round(height_mm * px_per_mm))
    middle = ((size_px[0] - 1) / 2, (size_px[1] - 1) / 2)
    mat_from_frame = np.array(
        [[1 / px_per_mm, 0, -middle[0] / px_per_mm], [0, 1 / px_per_mm, -middle[1] / px_per_mm], [0, 0, 1.0]]
    )
    return Frame(size_px, px_per_mm, sighting.photo_from_mat @ mat_from_frame, mat_from_frame)


def frame_without_mat(photo_size_px: tuple[int, int], *, px_per_mm: float) -> Frame:
    """The whole photo, reduced so that its long side is ``NOMINAL_PHOTO_MM`` long."""
    scale = NOMINAL_PHOTO_MM * px_per_mm / max(photo_size_px)
    size_px = (max(1, round(photo_size_px[0] * scale)), max(1, round(photo_size_px[1] * scale)))
    half = 0.5 / scale - 0.5  # pixel centres at integers: frame pixel 0 covers the photo from -0.5
    photo_from_frame = np.array([[1 / scale, 0, half], [0, 1 / scale, half], [0, 0, 1.0]])
    return Frame(size_px, px_per_mm, photo_from_frame, None)


def rectify(image: NDArray[np.uint8], frame: Frame) -> NDArray[np.uint8]:
    """The photo resampled onto a frame; reduced first where the frame is much coarser, against aliasing.

    Parameters
    ----------
    image : ndarray, shape (h, w) or (h, w, 3), uint8
    frame : Frame

    Returns
    -------
    ndarray, shape (frame height, frame width[, 3]), uint8
    """
    middle = np.array(
        [[[frame.size_px[0] / 2, frame.size_px[1] / 2], [frame.size_px[0] / 2 + 1, frame.size_px[1] / 2]]]
    )
    first, second = cv2.perspectiveTransform(middle, frame.photo_from_frame)[0]
    reduction = float(np.hypot(*(second - first)))  # photo px per frame px
    photo_from_frame = frame.photo_from_frame
    # By a whole number first: quick, and the finest stripes leave nothing behind. What is left suits a linear kernel,
    # or is made to.
    times = max(1, int(reduction + 0.1))
    source, small_from_photo = reduce_whole(image, times)
    photo_from_frame = small_from_photo @ photo_from_frame
    if reduction / times > 1.3:
        scale = 1.15 * times / reduction
        whole = source
        source = cv2.resize(whole, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        exact = (source.shape[1] / whole.shape[1], source.shape[0] / whole.shape[0])
        shrink = np.array([[exact[0], 0, 0.5 * exact[0] - 0.5], [0, exact[1], 0.5 * exact[1] - 0.5], [0, 0, 1.0]])
        photo_from_frame = shrink @ photo_from_frame
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpPerspective(source, photo_from_frame, frame.size_px, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    )

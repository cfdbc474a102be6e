"""Make a picture smaller by a whole number: as good as any other way against aliasing, and several times faster."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["reduce_whole"]


def reduce_whole(image: NDArray[np.uint8], times: int) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """The mean of each square of pixels.

    Parameters
    ----------
    image : ndarray, shape (h, w) or (h, w, 3), uint8
    times : int
        1 or more. A remainder at the right and lower edge is left out.

    Returns
    -------
    small : ndarray, shape (h // times, w // times[, 3]), uint8
    small_from_image : ndarray, shape (3, 3)
        Pixel centres lie at integers.
    """
    if times == 1:
        return image, np.eye(3)
    height, width = image.shape[0] // times, image.shape[1] // times
    small = cv2.resize(image[: height * times, : width * times], (width, height), interpolation=cv2.INTER_AREA)
    half = 0.5 / times - 0.5
    return np.asarray(small), np.array([[1 / times, 0, half], [0, 1 / times, half], [0, 0, 1.0]])

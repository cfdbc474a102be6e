"""A box of a picture, which may reach beyond its edges."""

from __future__ import annotations

from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["cut_box"]

_Pixels = TypeVar("_Pixels", np.uint8, np.float32)


def cut_box(image: NDArray[_Pixels], box: tuple[int, int, int, int], *, fill: float | None = None) -> NDArray[_Pixels]:
    """Cut a box out of an image; beyond the image its edge is repeated, or filled with a value.

    Parameters
    ----------
    image : ndarray, shape (h, w) or (h, w, channels), uint8 or float32
    box : tuple of int
        Left, top, width and height. [px]
    fill : float, optional
        What is shown beyond the image.
    """
    left, top, width, height = box
    border = cv2.BORDER_REPLICATE if fill is None else cv2.BORDER_CONSTANT
    shift = np.array([[1.0, 0, -left], [0, 1.0, -top]])
    beyond = (fill or 0,) * 4
    return np.asarray(cv2.warpAffine(image, shift, (width, height), borderMode=border, borderValue=beyond))

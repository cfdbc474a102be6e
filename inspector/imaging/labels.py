"""QR codes in a photo, as the labels of molds and pours carry them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.reading import read_photo

__all__ = ["find_labels", "read_labels"]

# A label that is photographed to be read fills a good part of the photo: at this size its squares are several pixels
# wide, and looking takes a fifth of a second. The second try sees through noise and blur.
_LONGEST_SIDES_PX = (1600, 800)


def read_labels(data: bytes, *, name: str) -> tuple[str, ...]:
    """Read what the QR codes in the photo of a file say.

    Raises
    ------
    PhotoError
        If it is no photo that can be read.
    """
    return find_labels(read_photo(data, name=name).image_bgr)


def find_labels(image_bgr: NDArray[np.uint8]) -> tuple[str, ...]:
    """Find QR codes (ISO/IEC 18004) in a picture, at any turn and somewhat from the side.

    Parameters
    ----------
    image_bgr : ndarray, shape (h, w, 3), uint8

    Returns
    -------
    texts : tuple of str
        What they say, each once; empty where none could be read.
    """
    detector = cv2.QRCodeDetectorAruco()
    for longest_px in _LONGEST_SIDES_PX:
        shrink = min(1.0, longest_px / max(image_bgr.shape[:2]))
        seen = cv2.resize(image_bgr, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        _, texts, _, _ = detector.detectAndDecodeMulti(seen)
        if read := tuple(dict.fromkeys(text for text in texts if text)):
            return read
    return ()

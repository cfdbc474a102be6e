"""A reference laid over a photo, for flipping between the two."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.reading import Photo
from inspector.inspection.reference import Reference
from inspector.inspection.results import Inspection

__all__ = ["reference_in_photo"]


def reference_in_photo(photo: Photo, reference: Reference, inspection: Inspection) -> NDArray[np.uint8]:
    """The reference as it would look from where the photo was taken.

    Parameters
    ----------
    photo : Photo
    reference : Reference
        The one that the inspection names.
    inspection : Inspection
        Of this photo.

    Returns
    -------
    ndarray, shape (h, w, 3), uint8
        Of the photo's size; the reference itself, fitted into it, where the inspection could not align them.
    """
    height, width = photo.image_bgr.shape[:2]
    image = reference.image_bgr
    if inspection.photo_from_reference is None:
        scale = min(width / image.shape[1], height / image.shape[0])
        move = np.array(
            [[scale, 0, (width - scale * image.shape[1]) / 2], [0, scale, (height - scale * image.shape[0]) / 2]]
        )
        return np.asarray(cv2.warpAffine(image, move, (width, height), flags=cv2.INTER_AREA))
    return np.asarray(
        cv2.warpPerspective(
            image,
            inspection.photo_from_reference,
            (width, height),
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )

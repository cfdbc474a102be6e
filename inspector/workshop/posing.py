"""How a piece is to lie in the next photo: the outline of a reference, thinned, to be shown over a live picture."""

from dataclasses import dataclass

import cv2
import numpy as np

from inspector.log import LoggedPhoto, MoldReference, Points

__all__ = ["PoseOutline", "pose_outline"]

# On a phone the outline is drawn some 400 px wide: what is thinner than a pixel of that needs no corner.
_TOLERANCE_OF_SIDE = 1 / 400


@dataclass(frozen=True, slots=True)
class PoseOutline:
    """The outline of a good piece in the photo that it was taken from."""

    view: str
    width_px: int
    """Of the reference photo as displayed."""
    height_px: int
    polygon_xy: Points
    """In whole pixels of that photo."""


def pose_outline(reference: MoldReference, photo: LoggedPhoto) -> PoseOutline:
    """Thin the outline of a reference to what is seen of it on a phone.

    Parameters
    ----------
    reference : MoldReference
    photo : LoggedPhoto
        The photo that it is on.
    """
    longest_px = max(photo.width_px, photo.height_px)
    outline = np.asarray(reference.outline_xy, dtype=np.float32).reshape(-1, 1, 2)
    # Douglas and Peucker (1973), as OpenCV has it.
    thinned = cv2.approxPolyDP(outline, longest_px * _TOLERANCE_OF_SIDE, closed=True)
    corners = np.round(thinned[:, 0, :]).astype(int)
    return PoseOutline(
        view=reference.view,
        width_px=photo.width_px,
        height_px=photo.height_px,
        polygon_xy=tuple((int(x), int(y)) for x, y in corners),
    )

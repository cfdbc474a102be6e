"""A place that a person outlined on a photo: is it one, how large is it, and which feature does it touch?"""

from collections.abc import Sequence
from math import isfinite

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.errors import InputError
from inspector.log import Feature, LoggedInspection, LoggedPhoto, Outline, Points

__all__ = ["check_outline", "place_on_photo", "touched_feature"]

# More than anybody sets by hand; a free line drawn with a finger is thinned to far fewer.
_MOST_CORNERS = 400
# Features and outlines are compared on a canvas of this size.
_CANVAS_PX = 1024


def check_outline(polygon_xy: Points, *, photo: LoggedPhoto, kind: str, px_per_mm: float | None) -> Outline:
    """Hold an outline to its photo and measure it, as the engine measures what it finds.

    Parameters
    ----------
    polygon_xy : tuple of points
        In pixels of the photo as displayed; what reaches over the edge is cut to it.
    photo : LoggedPhoto
    kind : str
        The outline of a hairline crack is wider than the crack, so that only its length is told.
    px_per_mm : float, optional
        Scale of the photo; without it there are no sizes.

    Raises
    ------
    InputError
        If the points enclose nothing.
    """
    inside = place_on_photo(polygon_xy, photo=photo)
    if px_per_mm is None:
        return Outline(inside, None, None, None)
    contour = _contour(inside)
    length_mm, width_mm = sorted((float(side) / px_per_mm for side in cv2.minAreaRect(contour)[1]), reverse=True)
    if kind == "hairline crack":
        return Outline(inside, None, length_mm, None)
    return Outline(inside, float(cv2.contourArea(contour)) / px_per_mm**2, length_mm, width_mm)


def place_on_photo(polygon_xy: Points, *, photo: LoggedPhoto) -> Points:
    """Cut an outline to its photo, in pixels of the photo as displayed.

    Raises
    ------
    InputError
        If the points enclose nothing, or there are more than anybody draws.
    """
    if len(polygon_xy) > _MOST_CORNERS:
        raise InputError(f"The outline has {len(polygon_xy)} corners; {_MOST_CORNERS} are the most. Draw it simpler.")
    if not all(isfinite(x) and isfinite(y) for x, y in polygon_xy):
        raise InputError("The outline has a corner that is no place on the photo. Draw it again.")
    inside = tuple(
        (round(min(max(x, 0.0), photo.width_px - 1.0), 2), round(min(max(y, 0.0), photo.height_px - 1.0), 2))
        for x, y in polygon_xy
    )
    if len(inside) < 3 or cv2.contourArea(_contour(inside)) < 1.0:
        raise InputError("The outline encloses nothing on the photo. Draw around the place with three corners or more.")
    return inside


def touched_feature(
    polygon_xy: Points, *, inspection: LoggedInspection, features: Sequence[Feature], photo: LoggedPhoto
) -> str | None:
    """Name the feature that an outline covers most of, among those of the reference that lies under the photo.

    None where no reference could be laid over the photo, or the outline touches none.
    """
    if inspection.photo_from_reference is None:
        return None
    shrink = _CANVAS_PX / max(photo.width_px, photo.height_px)
    outlined = _filled(np.asarray(polygon_xy, dtype=np.float64), photo, shrink)
    shares: dict[str, int] = {}
    for feature in features:
        on_reference = np.asarray(feature.polygon_xy, dtype=np.float64)[None]
        on_photo = cv2.perspectiveTransform(on_reference, np.asarray(inspection.photo_from_reference, dtype=np.float64))
        shares[feature.name] = int(np.count_nonzero(outlined & _filled(on_photo[0], photo, shrink)))
    best = max(shares, key=lambda name: shares[name], default=None)
    return best if best is not None and shares[best] else None


def _contour(polygon_xy: Points) -> NDArray[np.float32]:
    return np.asarray(polygon_xy, dtype=np.float32).reshape(-1, 1, 2)


def _filled(polygon_xy: NDArray[np.float64], photo: LoggedPhoto, shrink: float) -> NDArray[np.uint8]:
    canvas = np.zeros((round(photo.height_px * shrink) + 1, round(photo.width_px * shrink) + 1), dtype=np.uint8)
    cv2.fillPoly(canvas, [np.round(polygon_xy * shrink).astype(np.int32)], 255)
    return canvas

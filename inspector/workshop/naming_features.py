"""Features that a person outlines on a reference photo, for parts that no proposal covers."""

import cv2
import numpy as np

from inspector import log
from inspector.errors import InputError
from inspector.log import LoggedPhoto, MoldReference, Points
from inspector.workshop.outlines import place_on_photo
from inspector.workshop.required import required

__all__ = ["NamingFeatures"]

# Outlines are held against the piece on a canvas of this size.
_CANVAS_PX = 512


class NamingFeatures:
    """What people say about the features of an open log's molds.

    Parameters
    ----------
    opened : Log
    """

    def __init__(self, opened: log.Log) -> None:
        self._log = opened

    def draw(self, name: str, *, reference_id: int, outline_xy: Points) -> None:
        """Name a part of the piece that was outlined on a reference photo.

        Parameters
        ----------
        name : str
        reference_id : int
        outline_xy : tuple of points
            In pixels of the photo as displayed; what reaches over its edge is cut to it.

        Raises
        ------
        InputError
            If the view has a feature of that name, or the outline encloses nothing of the piece.
        """
        name = required(name, "name of the part")
        reference = log.find_reference(self._log, reference_id)
        if name in self._known(reference):
            raise InputError(
                f"View {reference.view} of mold {reference.mold} has a feature {name!r} already. Choose another name, "
                "or correct its outline."
            )
        self._keep(name, reference, outline_xy)

    def correct(self, name: str, *, reference_id: int, outline_xy: Points) -> None:
        """Give a feature another outline, on this reference photo from now on.

        Raises
        ------
        InputError
            If the view has no feature of that name, or the outline encloses nothing of the piece.
        """
        reference = log.find_reference(self._log, reference_id)
        if name not in self._known(reference):
            raise InputError(
                f"View {reference.view} of mold {reference.mold} has no feature {name!r} any more. Open the page anew."
            )
        self._keep(name, reference, outline_xy)

    def remove(self, name: str, *, reference_id: int) -> None:
        """Take a feature away from its view; what was found there before keeps its name.

        Raises
        ------
        InputError
            If no feature of that name is drawn on the reference.
        """
        log.remove_feature(self._log, name, reference_id=reference_id)

    def _known(self, reference: MoldReference) -> set[str]:
        references = log.list_references(self._log, reference.mold)
        return {feature.name for item in references if item.view == reference.view for feature in item.features}

    def _keep(self, name: str, reference: MoldReference, outline_xy: Points) -> None:
        photo = log.find_photo(self._log, reference.photo_id)
        polygon_xy = place_on_photo(outline_xy, photo=photo)
        if not _share_something(polygon_xy, reference.outline_xy, photo=photo):
            raise InputError(f"The outline of {name!r} lies beside the piece. Draw it around a part of the piece.")
        log.add_feature(self._log, name, reference_id=reference.id, polygon_xy=polygon_xy)


def _share_something(first_xy: Points, second_xy: Points, *, photo: LoggedPhoto) -> bool:
    shrink = _CANVAS_PX / max(photo.width_px, photo.height_px)
    filled = []
    for polygon_xy in (first_xy, second_xy):
        canvas = np.zeros((round(photo.height_px * shrink) + 1, round(photo.width_px * shrink) + 1), dtype=np.uint8)
        cv2.fillPoly(canvas, [np.round(np.asarray(polygon_xy) * shrink).astype(np.int32)], 255)
        filled.append(canvas)
    return bool((filled[0] & filled[1]).any())

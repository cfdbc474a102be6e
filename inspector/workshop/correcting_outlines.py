"""Where the piece is on a reference photo, put right by a person: a shadow taken away, a part added, or drawn anew."""

from typing import Literal, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector import log
from inspector.errors import InputError
from inspector.imaging.segmenting import outline_of
from inspector.inspection.engine import Engine
from inspector.log import LoggedPhoto, Points
from inspector.workshop.outlines import place_on_photo
from inspector.workshop.translating import points

__all__ = ["CorrectingOutlines", "Correction"]

Correction: TypeAlias = Literal["take away", "add", "draw anew"]
"""What a line that is drawn on a reference photo does to the outline of the piece."""

# Outlines are put together on a canvas of this size; more corners than its pixels nobody sees.
_CANVAS_PX = 3000


class CorrectingOutlines:
    """What people say about the outlines of an open log's references.

    Parameters
    ----------
    opened : Log
    engine : Engine
        Asked whether a piece of that outline can be compared with.
    """

    def __init__(self, opened: log.Log, engine: Engine) -> None:
        self._log = opened
        self._engine = engine

    def correct(self, reference_id: int, drawn_xy: Points, *, how: Correction, said_by: str) -> None:
        """Put the outline of a reference right: pieces are compared with it from now on.

        Parameters
        ----------
        reference_id : int
        drawn_xy : tuple of points
            A line around a place, in pixels of the photo as displayed; what reaches over its edge is cut to it.
        how : {"take away", "add", "draw anew"}
            Whether the place is no part of the piece, is one too, or is all of it.
        said_by : str

        Raises
        ------
        InputError
            If the line encloses nothing, changes nothing, leaves no piece, or leaves one that cannot be used.
        """
        reference = log.find_reference(self._log, reference_id)
        photo = log.find_photo(self._log, reference.photo_id)
        drawn_xy = place_on_photo(drawn_xy, photo=photo)
        outline_xy = drawn_xy if how == "draw anew" else _combined(reference.outline_xy, drawn_xy, how, photo=photo)
        file = log.read_photo_file(self._log, photo.id)
        # Refuses an outline that cannot be used, with the reason, before it is kept.
        self._engine.prepare_reference(
            self._engine.read_photo(file.data, name=reference.name), outline_xy=np.asarray(outline_xy, dtype=float)
        )
        log.set_reference_outline(self._log, reference_id, outline_xy, said_by=said_by)

    def take_found(self, reference_id: int, *, said_by: str) -> None:
        """Take the outline again that was found; the same again changes nothing."""
        if log.find_reference(self._log, reference_id).outlined_by is not None:
            log.set_reference_outline(self._log, reference_id, None, said_by=said_by)


def _combined(outline_xy: Points, drawn_xy: Points, how: Correction, *, photo: LoggedPhoto) -> Points:
    shrink = min(1.0, _CANVAS_PX / max(photo.width_px, photo.height_px))
    piece, place = (_filled(polygon_xy, photo, shrink) for polygon_xy in (outline_xy, drawn_xy))
    after = np.where(place > 0, np.uint8(0), piece) if how == "take away" else piece | place
    if np.array_equal(after, piece):
        if how == "take away":
            raise InputError("What was drawn lies outside the outline already. Draw over the line, around the shadow.")
        raise InputError("What was drawn lies inside the outline already. Draw over the line, around the part.")
    if not after.any():
        raise InputError("Nothing of the piece would be left. Draw only around what is not the piece.")
    return points(outline_of(np.asarray(after)) / shrink)


def _filled(polygon_xy: Points, photo: LoggedPhoto, shrink: float) -> NDArray[np.uint8]:
    canvas = np.zeros((round(photo.height_px * shrink), round(photo.width_px * shrink)), dtype=np.uint8)
    corners = np.round(np.asarray(polygon_xy, dtype=np.float64) * shrink).astype(np.int32)
    cv2.fillPoly(canvas, [corners], 255)
    return canvas

"""A photo of a good piece, made ready to be compared with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.errors import PhotoError
from inspector.imaging.reading import Photo, read_photo
from inspector.imaging.segmenting import outline_of
from inspector.inspection.judging import why_unusable
from inspector.inspection.results import Feature
from inspector.inspection.view import View, look_at

__all__ = ["Reference", "prepare_reference"]


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """One photo of a good piece: its outline, scale and features."""

    name: str
    outline_xy: NDArray[np.float64]  # (n, 2) px of the photo
    px_per_mm: float | None
    features: tuple[Feature, ...]
    view: View

    @property
    def image_bgr(self) -> NDArray[np.uint8]:
        """The photo as displayed, (h, w, 3)."""
        return self.view.photo.image_bgr

    @property
    def piece(self) -> NDArray[np.bool_]:
        """Where the photo shows the piece, (h, w)."""
        height, width = self.view.gray.shape
        mask = cv2.warpPerspective(self.view.mask, self.view.frame.photo_from_frame, (width, height))
        return np.asarray(mask > 127)

    @classmethod
    def open(cls, path: str | Path, *, features: Sequence[Feature] = ()) -> Reference:
        """Read a photo of a good piece.

        Raises
        ------
        PhotoError
            If it cannot be read, or is too poor to compare with; the message says why.
        """
        path = Path(path)
        return prepare_reference(read_photo(path.read_bytes(), name=path.name), features=features)


def prepare_reference(
    photo: Photo, *, features: Sequence[Feature] = (), outline_xy: NDArray[np.float64] | None = None
) -> Reference:
    """Find the piece in a photo of a good one.

    Parameters
    ----------
    photo : Photo
    features : sequence of Feature
    outline_xy : ndarray, shape (n, 2), optional
        Where a person says that the piece is, in px of the photo.

    Raises
    ------
    PhotoError
        If the photo is blurred, badly exposed or cut off, or if no piece is found in it.
    """
    view = look_at(photo, outline_xy=outline_xy)
    reason = why_unusable(view)
    if reason is not None:
        raise PhotoError(f"Reference {photo.name} cannot be used: {reason}")
    found_xy = cv2.perspectiveTransform(outline_of(view.mask)[None], view.frame.photo_from_frame)[0]
    px_per_mm = None if view.sighting is None else view.sighting.px_per_mm
    return Reference(photo.name, found_xy if outline_xy is None else outline_xy, px_per_mm, tuple(features), view)

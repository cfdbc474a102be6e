"""How the places of a piece shift between two photos by their height over the mat.

A point at height z over a sheet seems to lie farther from the foot of the camera than it does: by z / (H - z) of its
distance, for a camera at height H. Seen by two cameras, it shifts along a line that both cameras' places give, by so
much a millimetre of height; what is high and what is low shift apart. (Plane plus parallax: Irani, Rousso and Peleg
1997.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Eye", "shift_by_height"]


@dataclass(frozen=True, slots=True)
class Eye:
    """Where a camera stood over a frame that lies on the mat, all in px of the frame."""

    x_px: float
    y_px: float
    height_px: float


def shift_by_height(here: Eye, there: Eye, places_xy: NDArray[np.float64]) -> NDArray[np.float32]:
    """How far places move from one camera's frame to the other's for each unit of height.

    Parameters
    ----------
    here, there : Eye
        Both over the same frame.
    places_xy : ndarray, shape (..., 2)
        Where the first camera shows the places. [px]

    Returns
    -------
    ndarray, shape (..., 2), float32
        For heights that are small beside the cameras'.
    """

    def leaning(eye: Eye) -> NDArray[np.float64]:
        return (places_xy - np.array([eye.x_px, eye.y_px])) / eye.height_px

    return np.asarray(leaning(there) - leaning(here), dtype=np.float32)

"""What `aligned_layers` keeps and the damage map learns from: the photos of a mold in its frame.

In a module of its own, since what is pickled says where its class is found: not in the command that wrote it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

# Log odds are kept as bytes, from -8 to 8.
ODDS_LEVELS, LEAST_ODDS = 16, -8.0


@dataclass(frozen=True, slots=True)
class AlignedPhoto:
    """One photo in the frame of its mold; pictures are kept encoded."""

    name: str
    gray: bytes
    valid: bytes
    piece_odds: bytes
    defects: bytes  # the number of the defect at each place, from 1; 0 for none
    kinds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AlignedMold:
    """A mold's references and photos."""

    name: str
    mask: bytes
    references: tuple[bytes, ...]
    photos: tuple[AlignedPhoto, ...]


def lossy(image: NDArray[np.uint8]) -> bytes:
    """A picture to keep whose last bit does not matter."""
    return cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 93])[1].tobytes()


def exact(image: NDArray[np.uint8]) -> bytes:
    """A picture to keep as it is."""
    return cv2.imencode(".png", image)[1].tobytes()


def decoded(picture: bytes) -> NDArray[np.uint8]:
    """A kept picture, gray."""
    return np.asarray(cv2.imdecode(np.frombuffer(picture, dtype=np.uint8), cv2.IMREAD_GRAYSCALE))

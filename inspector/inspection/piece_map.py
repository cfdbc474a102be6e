"""Where a photo shows the piece and where mat or bench, learned from pieces in all sorts of light.

Concrete on plain paper can have the paper's brightness, and a shadow has the brightness of either; what tells them
apart is how all of it hangs together. A small network looks at the cues of a frame (``imaging/segmenting.py``) from
fine to coarse and back (Ronneberger et al. 2015). It learnt from rendered pieces
(``tests/benchmarks/fit_piece_map.py``), and is run by OpenCV.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.segmenting import SurfaceCues, main_part

__all__ = ["CHANNELS", "FARTHEST", "PIECE_PX_PER_MM", "STEP", "cue_input", "find_piece"]

PIECE_PX_PER_MM = 2.0
CHANNELS = 6
# The network halves the picture five times.
STEP = 32
# OpenCV answers what has become a single row or column with noise.
LEAST_PX = 64
GAINS = {"tone": 2.0, "hue": 4.0, "texture": 1.0}
FARTHEST = 4.0


def find_piece(cues: SurfaceCues, network: bytes, *, px_per_mm: float) -> NDArray[np.uint8] | None:
    """The piece in a frame as the network sees it.

    Parameters
    ----------
    cues : SurfaceCues
    network : bytes
        In ONNX form.
    px_per_mm : float
        Scale of the cues.

    Returns
    -------
    ndarray, shape (h, w), uint8
        255 on the piece, on the raster of the cues; None where there is none.
    """
    given = cue_input(cues, px_per_mm=px_per_mm)
    height, width = given.shape[1:]
    below, right = (max(LEAST_PX - length, -length % STEP) for length in (height, width))
    whole = np.stack([cv2.copyMakeBorder(one, 0, below, 0, right, cv2.BORDER_REPLICATE) for one in given])
    finder = cv2.dnn.readNetFromONNX(np.frombuffer(network, dtype=np.uint8))
    finder.setInput(whole[None])
    odds = cv2.resize(finder.forward()[0, 0, :height, :width], cues.tone.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return main_part(odds > 0, cues.blocked, px_per_mm=px_per_mm)


def cue_input(cues: SurfaceCues, *, px_per_mm: float) -> NDArray[np.float32]:
    """What the network is given, shape (CHANNELS, h, w), at ``PIECE_PX_PER_MM``."""
    height, width = cues.tone.shape
    scale = PIECE_PX_PER_MM / px_per_mm
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    looks = [
        np.clip(gain * cv2.resize(getattr(cues, name), size, interpolation=cv2.INTER_AREA), -FARTHEST, FARTHEST)
        for name, gain in GAINS.items()
    ]
    blocked = cv2.resize(cues.blocked.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    flags = [np.full(size[::-1], float(flag), dtype=np.float32) for flag in (cues.print_seen, cues.on_mat)]
    return np.stack([*looks, blocked, *flags]).astype(np.float32)

"""What patches are matched by: features of a surface that stay alike when the light moves.

Rounded edges show elsewhere when the lamp moves, and a shadow has an edge of its own. A small network learnt, from
photos of the same pieces in all sorts of light that lie exactly over one another, which of what a photo shows belongs
to the piece (``tests/benchmarks/fit_matching.py``). It is run by OpenCV.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.structure import orientation_field
from inspector.imaging.light import contrast_and_detail, log_light

__all__ = ["CHANNELS", "LIKENESS_PX_PER_MM", "likeness_features", "surface_input"]

# Features lie on half the raster of the pictures.
LIKENESS_PX_PER_MM = 2.0

CHANNELS = 4
# The network halves the picture twice.
STEP = 4
# Less than its convolutions reach over is made larger: OpenCV answered a picture of four pixels with noise.
LEAST_PX = 32
GAIN = (2.0, 4.0)
FARTHEST = 4.0
# Two numbers of each scale make up the channels.
EDGE_SCALES_MM = (0.45, 1.2)


def likeness_features(gray: NDArray[np.uint8], network: bytes | None, *, px_per_mm: float) -> NDArray[np.float32]:
    """What patches of a surface are matched by.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
    network : bytes, optional
        In ONNX form; without it edges serve, which move more when the light does.
    px_per_mm : float
        Twice ``LIKENESS_PX_PER_MM``.

    Returns
    -------
    ndarray, shape (ceil(h / 2), ceil(w / 2), CHANNELS), float32
        Longer where more is to be seen.
    """
    if network is None:
        return _edges(gray, px_per_mm)
    height, width = gray.shape
    below, right = (max(LEAST_PX - length, -length % STEP) for length in (height, width))
    whole = cv2.copyMakeBorder(gray, 0, below, 0, right, cv2.BORDER_REPLICATE)
    encoder = cv2.dnn.readNetFromONNX(np.frombuffer(network, dtype=np.uint8))
    encoder.setInput(surface_input(whole, px_per_mm=px_per_mm)[None])
    features = encoder.forward()[0].transpose(1, 2, 0)
    return np.ascontiguousarray(features[: (height + 1) // 2, : (width + 1) // 2])


def _edges(gray: NDArray[np.uint8], px_per_mm: float) -> NDArray[np.float32]:
    """Directions of edges without sign, fine and coarse, of the same shape."""
    height, width = gray.shape
    small = cv2.resize(gray, ((width + 1) // 2, (height + 1) // 2), interpolation=cv2.INTER_AREA)
    return np.dstack([orientation_field(small, px_per_mm=px_per_mm / 2, scale_mm=scale) for scale in EDGE_SCALES_MM])


def surface_input(gray: NDArray[np.uint8], *, px_per_mm: float) -> NDArray[np.float32]:
    """Contrast against the surroundings, and fine detail, shape (2, h, w); nothing of lamp and mix is left."""
    looks = contrast_and_detail(log_light(gray), px_per_mm=px_per_mm)
    return np.stack([np.clip(gain * look, -FARTHEST, FARTHEST) for gain, look in zip(GAIN, looks, strict=True)])

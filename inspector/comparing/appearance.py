"""How a surface looks, whatever the lamp and the mix: what the learned comparison is given of a photo.

On log light, a brighter lamp adds the same everywhere, and so does a lighter mix: both are gone once the surroundings,
or the piece as a whole, are taken off.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import contrast_and_detail, log_light

__all__ = ["appearance"]

# The median of the whole piece is that of one place in so many.
SAMPLED_EVERY = 8
# Brings the three to about one; what lies beyond the farthest says no more.
GAIN = (2.0, 4.0, 1.0)
FARTHEST = 4.0


def appearance(gray: NDArray[np.uint8], mask: NDArray[np.uint8], *, px_per_mm: float) -> NDArray[np.float32]:
    """Contrast against the surroundings, fine detail, and brightness against the piece as a whole.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
    mask : ndarray, shape (h, w), uint8
        255 on the piece: what lies beside it is no surrounding.
    px_per_mm : float

    Returns
    -------
    ndarray, shape (3, h, w), float32
        Log units times ``GAIN``, within ``FARTHEST`` of 0.
    """
    logs = log_light(gray)
    on_piece = mask > 127
    some = logs[on_piece][::SAMPLED_EVERY]
    usual = np.float32(np.median(some)) if some.size else np.float32(0)
    looks = (*contrast_and_detail(logs, px_per_mm=px_per_mm, on_piece=on_piece), logs - usual)
    return np.stack([np.clip(gain * look, -FARTHEST, FARTHEST) for gain, look in zip(GAIN, looks, strict=True)])

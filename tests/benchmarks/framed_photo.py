"""What `framed_pieces` keeps and outlining learns from.

In a module of its own, since what is pickled says where its class is found: not in the command that wrote it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class FramedPhoto:
    """The cues of one photo, and where its piece is."""

    name: str
    given: NDArray[np.float16]  # as `piece_map.cue_input` gives it
    piece: NDArray[np.uint8]  # (h, w) on the same raster, 255 on the piece

"""Drawn photographs laid over their mat, as inspecting begins, with where the piece truly is there."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.mat import find_mat
from inspector.imaging.rectifying import frame_on_mat, frame_without_mat, rectify
from inspector.imaging.segmenting import SurfaceCues, surface_cues
from tests.drawn_scenes import Scene

PX_PER_MM = 4.0


def framed(scene: Scene) -> tuple[SurfaceCues, NDArray[np.uint8]]:
    """The cues of a scene in its frame, and its piece there, 255 on it."""
    gray = cv2.cvtColor(scene.image_bgr, cv2.COLOR_BGR2GRAY)
    sighting = find_mat(gray)
    if sighting is None:
        frame = frame_without_mat(gray.shape[::-1], px_per_mm=PX_PER_MM)
    else:
        frame = frame_on_mat(sighting, px_per_mm=PX_PER_MM)
    return surface_cues(rectify(scene.image_bgr, frame), frame), rectify(scene.piece_mask, frame)

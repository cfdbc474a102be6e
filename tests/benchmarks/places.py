"""Where on its piece a defect lies: inside, at the outline, or in shadow.

At the outline: less than 1 mm of the piece is left between the defect and what is seen beside or through the piece, or
the defect changed the outline itself. True outlines tell that. No truth tells where shadows lie, so the photo does: the
sound piece within 3 mm of the defect has, in its median, less than three tenths of the light that the piece's brightest
tenth has at least (not its median: under low light most of a piece may lie in shadow). Of 292 defects of tuning, draft
and evaluation 24 are that dark; looked at one by one, they lie in a cast shadow or on a side that is turned from the
light, some of them wet as well. From three to four tenths on, wet patches and shades of soft light come in. A defect in
shadow counts there only, at the outline or not.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import chain
from typing import Any, Literal

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from inspector.imaging.light import DISPLAY_GAMMA
from tests.benchmarks.judging import polygon

Place = Literal["inside", "at the outline", "in shadow"]

PLACES: tuple[Place, ...] = ("inside", "at the outline", "in shadow")
OUTLINE_WITHIN_MM = 1.0
# The rim of piece and defect is blurred, and a rounded edge catches light of its own.
BLURRED_MM = 0.5
AROUND_MM = 3.0
LIT_QUANTILE = 0.9
SHADOW_BELOW = 0.3  # share of the light on the lit part of the piece


def with_places(row: Mapping[str, Any], truth: Mapping[str, Any], gray: NDArray[np.uint8]) -> dict[str, Any]:
    """A judged photo, as ``judge_photo`` gives it, with the ``place`` of each defect."""
    placed = zip(row["defects"], places_of(truth, gray), strict=True)
    return dict(row) | {"defects": [defect | {"place": place} for defect, place in placed]}


def places_of(truth: Mapping[str, Any], gray: NDArray[np.uint8]) -> list[Place]:
    """Where each defect of a photo lies.

    Parameters
    ----------
    truth : mapping
        The photo's entry in ``truth.json``.
    gray : ndarray, shape (h, w), uint8
        The photo itself.
    """
    px_per_mm = float(truth["px_per_mm"])
    piece = polygon(truth["piece_outline"])
    piece = piece.difference(shapely.union_all([polygon(opening) for opening in truth.get("piece_openings", [])]))
    defects = [polygon(defect["polygon"]) for defect in truth["defects"]]
    if not defects:
        return []
    sound = piece.buffer(-BLURRED_MM * px_per_mm)
    sound = sound.difference(shapely.union_all(defects).buffer(BLURRED_MM * px_per_mm))
    shadow = SHADOW_BELOW ** (1 / DISPLAY_GAMMA) * np.quantile(_values(gray, sound), LIT_QUANTILE)
    away = piece.buffer(-OUTLINE_WITHIN_MM * px_per_mm)

    def place(defect: BaseGeometry) -> Place:
        around = _values(gray, sound.intersection(defect.buffer(AROUND_MM * px_per_mm)))
        if len(around) and np.median(around) < shadow:
            return "in shadow"
        return "inside" if away.covers(defect) else "at the outline"

    return [place(defect) for defect in defects]


def _values(gray: NDArray[np.uint8], area: BaseGeometry) -> NDArray[np.uint8]:
    """What a photo shows within an area, shape (n,)."""
    within = np.zeros(gray.shape, dtype=np.uint8)
    parts = [part for part in shapely.get_parts(area) if part.geom_type == "Polygon"]
    rings = chain.from_iterable((part.exterior, *part.interiors) for part in parts)
    cv2.fillPoly(within, [np.round(np.array(ring.coords)).astype(np.int32) for ring in rings], 1)
    return gray[within > 0]

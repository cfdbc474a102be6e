"""Photos and the outlines on them as COCO has them, to learn from or to look at with other tools.

The format is that of the data set's own page, https://cocodataset.org/#format-data, section "Object Detection": images,
annotations with `segmentation` (polygons as x1, y1, x2, y2, ...), `area`, `bbox` (x, y, width, height), `iscrowd`, and
categories; all in pixels of the photo as displayed. What else is known of a finding stands beside that, under names
that the format leaves free.
"""

from datetime import datetime
from typing import Any

import numpy as np

from inspector.log import KINDS, LoggedFinding, LoggedPhoto, Piece

__all__ = ["CATEGORIES", "coco_annotation", "coco_image", "coco_info"]

CATEGORIES: tuple[dict[str, Any], ...] = tuple(
    {"id": number, "name": kind, "supercategory": "defect"} for number, kind in enumerate(KINDS, start=1)
)
_CATEGORY_ID = {category["name"]: category["id"] for category in CATEGORIES}


def coco_info(*, made_at: datetime) -> dict[str, Any]:
    """Say what the file is about."""
    return {
        "description": (
            "Ornamental concrete, photographed after demolding. Pixels are those of the photos as displayed, with "
            "their Exif orientation applied. Findings that a person dismissed are left out; where verdict is null, "
            "nobody has looked yet."
        ),
        "version": "1.0",
        "year": made_at.year,
        "contributor": "",
        "url": "",
        "date_created": made_at.isoformat(timespec="seconds"),
    }


def coco_image(photo: LoggedPhoto, piece: Piece, *, file_name: str) -> dict[str, Any]:
    """Give the entry of one photo."""
    return {
        "id": photo.id,
        "file_name": file_name,
        "width": photo.width_px,
        "height": photo.height_px,
        "license": 0,
        "flickr_url": "",
        "coco_url": "",
        "date_captured": "" if photo.taken_at is None else photo.taken_at.isoformat(timespec="seconds"),
        "piece": piece.id,
        "mold": piece.mold,
        "view": photo.view,
    }


def coco_annotation(finding: LoggedFinding, *, photo_id: int) -> dict[str, Any]:
    """Give the entry of one finding, of the kind and with the outline that it is held to have now."""
    corners = np.round(np.asarray(finding.polygon_xy, dtype=float), 2)
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
    return {
        "id": finding.id,
        "image_id": photo_id,
        "category_id": _CATEGORY_ID[finding.kind],
        "segmentation": [corners.ravel().tolist()],
        "area": round(_area_px(corners[:, 0], corners[:, 1]), 2),
        "bbox": [round(float(value), 2) for value in (left, top, right - left, bottom - top)],
        "iscrowd": 0,
        "verdict": finding.verdict,
        "confidence": None if finding.drawn_by else finding.confidence,
        "feature": finding.feature,
        "area_mm2": finding.area_mm2,
        "length_mm": finding.length_mm,
        "width_mm": finding.width_mm,
        "depth_mm": finding.depth_mm,
    }


def _area_px(x: np.ndarray[Any, np.dtype[np.float64]], y: np.ndarray[Any, np.dtype[np.float64]]) -> float:
    """Area of a polygon by its corners (Gauss's formula). [px2]"""
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)

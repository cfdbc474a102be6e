"""Whether a photo is good enough to be inspected, and if not, what to do."""

from __future__ import annotations

import cv2
import numpy as np

from inspector.inspection.view import View

__all__ = ["why_unusable"]

# Fractions of the piece's area that may be black or burnt out.
MOST_BURNT_OUT = 0.30
DARKEST_MEDIAN = 18.0
# Edges of the piece that rise over more than this hide what is to be measured.
WIDEST_EDGE_MM = 1.1
SMALLEST_PIECE_MM2 = 300.0
LEAST_SIDE_PX = 240


def why_unusable(view: View) -> str | None:
    """One sentence on what is wrong with a photo and what to do about it, None if it will do."""
    height, width = view.gray.shape
    if min(height, width) < LEAST_SIDE_PX:
        return f"it is only {width} x {height} pixels. Send the photo itself, not a preview of it."
    piece = view.mask > 127
    whole = view.frame_gray
    dark, bright = np.percentile(whole[::4, ::4], [20, 90])
    if bright < DARKEST_MEDIAN * 2:
        return "it is too dark. Turn on a lamp or move to a window and take it again."
    if dark > 250:
        return "it is burnt out: nearly everything is white. Turn the lamp away and take it again."
    if piece.sum() < SMALLEST_PIECE_MM2 * view.frame.px_per_mm**2:
        return "no piece was found in it. Lay the piece on the mat, in one photo alone, and take it again."
    values = whole[piece]
    if float(np.median(values)) < DARKEST_MEDIAN:
        return "the piece is too dark. Turn on a lamp or move to a window and take it again."
    if float(np.mean(values > 252)) > MOST_BURNT_OUT:
        return "the piece is burnt out. Turn the lamp away, or tap on the piece before taking the photo again."
    if _touches_edge(view):
        return "the piece is cut off at the edge of the photo. Move back until all of it is in view."
    blur_mm = view.edge_width_mm
    if blur_mm > WIDEST_EDGE_MM:
        return f"it is blurred: edges are {blur_mm:.1f} mm wide. Hold the phone still, tap on the piece, take it again."
    return None


def _touches_edge(view: View) -> bool:
    """Whether the piece reaches the edge of the photo over more than 4 mm."""
    height, width = view.gray.shape
    border = np.zeros((height // 4, width // 4), dtype=np.uint8)
    cv2.rectangle(border, (0, 0), (width // 4 - 1, height // 4 - 1), 255, max(1, round(min(height, width) / 1600)))
    reach = cv2.warpPerspective(
        border,
        np.diag([1 / 4, 1 / 4, 1.0]) @ view.frame.photo_from_frame,
        view.frame.size_px,
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderValue=255,
    )
    return int(np.count_nonzero((reach > 0) & (view.mask > 127))) > 4 * view.frame.px_per_mm

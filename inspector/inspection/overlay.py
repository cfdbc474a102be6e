"""A photo with its findings drawn on it: outlines, kinds in words, sizes and a scale bar.

Each kind has its own colour and its own line, so that colour is never the only sign. Colours are from
the set that Okabe and Ito (2008) made for colour-blind readers, each over a dark edge so that it shows on
pale and on dark concrete alike.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.inspection.results import Finding, Inspection, Kind

__all__ = ["draw_overlay"]

# Okabe and Ito, Color Universal Design (2008), as BGR.
_COLOUR_BGR: dict[Kind, tuple[int, int, int]] = {
    "missing feature": (0, 94, 213),  # vermilion
    "chip": (66, 228, 240),  # yellow
    "hairline crack": (233, 180, 86),  # sky blue
    "surface void": (167, 121, 204),  # reddish purple
    "excess": (115, 158, 0),  # bluish green
}
# Dash and gap in line widths; an empty pattern is a full line.
_DASH: dict[Kind, tuple[float, ...]] = {
    "missing feature": (),
    "chip": (6.0, 3.0),
    "hairline crack": (2.0, 2.5),
    "surface void": (9.0, 2.0, 2.0, 2.0),
    "excess": (12.0, 6.0),
}
_EDGE_BGR = (25, 25, 25)
_PAPER_BGR = (250, 250, 250)
_FONT = cv2.FONT_HERSHEY_SIMPLEX


def draw_overlay(image_bgr: NDArray[np.uint8], inspection: Inspection) -> NDArray[np.uint8]:
    """Draw an inspection over its photo.

    Parameters
    ----------
    image_bgr : ndarray, shape (h, w, 3), uint8
        The photo as displayed.
    inspection : Inspection
        Its findings, in pixels of this photo.

    Returns
    -------
    ndarray, shape (h, w, 3), uint8
        A new picture.
    """
    picture = image_bgr.copy()
    unit = max(picture.shape[:2]) / 1000.0  # line width 1 on a picture 1000 px across
    line_px = max(1, round(1.6 * unit))
    for finding in inspection.findings:
        _draw_outline(picture, finding, line_px)
    taken: list[tuple[int, int, int, int]] = []
    for number, finding in enumerate(inspection.findings, start=1):
        _draw_label(picture, f"{number} {_label(finding)}", finding, unit, taken)
    _draw_headline(picture, inspection, unit)
    if inspection.px_per_mm is not None:
        _draw_scale_bar(picture, inspection.px_per_mm, unit)
    return picture


def _label(finding: Finding) -> str:
    words = finding.kind if finding.feature is None else f"{finding.kind}: {finding.feature}"
    if finding.length_mm is None:
        return words
    if finding.kind == "hairline crack" and finding.width_mm is not None:
        return f"{words}, {finding.length_mm:.0f} mm long, {finding.width_mm:.2f} mm wide"
    return f"{words}, {finding.length_mm:.1f} mm"


def _draw_outline(picture: NDArray[np.uint8], finding: Finding, line_px: int) -> None:
    """A line of the kind's colour and dashes over a wider dark one."""
    closed = np.vstack([finding.polygon_xy, finding.polygon_xy[:1]])
    strokes = _dashes(closed, [part * line_px for part in _DASH[finding.kind]])
    for stroke in strokes:
        points = np.round(stroke * 16).astype(np.int32)[None]
        cv2.polylines(picture, points, False, _EDGE_BGR, line_px + max(2, line_px), cv2.LINE_AA, 4)
    for stroke in strokes:
        points = np.round(stroke * 16).astype(np.int32)[None]
        cv2.polylines(picture, points, False, _COLOUR_BGR[finding.kind], line_px, cv2.LINE_AA, 4)


def _dashes(line_xy: NDArray[np.float64], pattern_px: list[float]) -> list[NDArray[np.float64]]:
    """The parts of a line that a dash pattern leaves, each a line of its own."""
    if not pattern_px:
        return [line_xy]
    step = np.linalg.norm(np.diff(line_xy, axis=0), axis=1)
    at = np.concatenate([[0.0], np.cumsum(step)])
    total = float(at[-1])
    if total < sum(pattern_px):
        return [line_xy]
    parts = []
    start, turn = 0.0, 0
    while start < total:
        length = pattern_px[turn % len(pattern_px)]
        stop = min(start + length, total)
        if turn % 2 == 0:
            inside = at[(at > start) & (at < stop)]
            where = np.concatenate([[start], inside, [stop]])
            parts.append(np.column_stack([np.interp(where, at, line_xy[:, k]) for k in (0, 1)]))
        start, turn = stop, turn + 1
    return parts


def _draw_label(
    picture: NDArray[np.uint8],
    text: str,
    finding: Finding,
    unit: float,
    taken: list[tuple[int, int, int, int]],
) -> None:
    """Words beside the outline, where no other label stands, tied to it by a thin line."""
    height, width = picture.shape[:2]
    scale, thick = 0.55 * unit, max(1, round(1.1 * unit))
    (text_width, text_height), below = cv2.getTextSize(text, _FONT, scale, thick)
    pad = round(4 * unit)
    box_width, box_height = text_width + 2 * pad, text_height + below + 2 * pad
    left, top = finding.polygon_xy.min(axis=0)
    right, bottom = finding.polygon_xy.max(axis=0)
    gap = 10 * unit
    places = [
        (right + gap, top - box_height),
        (left - gap - box_width, top - box_height),
        (right + gap, bottom),
        (left - gap - box_width, bottom),
    ]
    x0 = y0 = 0
    for lift in range(24):
        for x, y in places:
            x0 = int(np.clip(x, 0, max(0, width - box_width)))
            y0 = int(np.clip(y - lift * (box_height + pad), 0, max(0, height - box_height)))
            if not any(_overlap((x0, y0, box_width, box_height), other) for other in taken):
                break
        else:
            continue
        break
    taken.append((x0, y0, box_width, box_height))
    anchor = finding.polygon_xy[np.argmin(np.hypot(*(finding.polygon_xy - (x0, y0 + box_height)).T))]
    near = (int(np.clip(anchor[0], x0, x0 + box_width)), int(np.clip(anchor[1], y0, y0 + box_height)))
    cv2.line(picture, near, (round(anchor[0]), round(anchor[1])), _EDGE_BGR, thick, cv2.LINE_AA)
    cv2.rectangle(picture, (x0, y0), (x0 + box_width, y0 + box_height), _PAPER_BGR, -1)
    cv2.rectangle(picture, (x0, y0), (x0 + box_width, y0 + box_height), _COLOUR_BGR[finding.kind], 2 * thick)
    cv2.putText(picture, text, (x0 + pad, y0 + pad + text_height), _FONT, scale, _EDGE_BGR, thick, cv2.LINE_AA)


def _overlap(a: tuple[int, int, int, int], b: tuple[int, int, int, int]) -> bool:
    return a[0] < b[0] + b[2] and b[0] < a[0] + a[2] and a[1] < b[1] + b[3] and b[1] < a[1] + a[3]


def _draw_headline(picture: NDArray[np.uint8], inspection: Inspection, unit: float) -> None:
    """What the whole photo says, in the top left corner."""
    if inspection.status == "unusable":
        text = f"Not inspected: {inspection.reason}"
    elif not inspection.findings:
        text = "Nothing flagged"
    else:
        count = len(inspection.findings)
        text = f"{count} place{'s' if count > 1 else ''} flagged"
    scale, thick = 0.7 * unit, max(1, round(1.4 * unit))
    widest = picture.shape[1] - 24 * unit
    (text_width, text_height), below = cv2.getTextSize(text, _FONT, scale, thick)
    if text_width > widest:
        scale *= widest / text_width
        (text_width, text_height), below = cv2.getTextSize(text, _FONT, scale, thick)
    pad = round(8 * unit)
    cv2.rectangle(picture, (0, 0), (text_width + 2 * pad, text_height + below + 2 * pad), _PAPER_BGR, -1)
    cv2.putText(picture, text, (pad, pad + text_height), _FONT, scale, _EDGE_BGR, thick, cv2.LINE_AA)


def _draw_scale_bar(picture: NDArray[np.uint8], px_per_mm: float, unit: float) -> None:
    """A bar of a round length in the lower left corner."""
    height, width = picture.shape[:2]
    longest_mm = 0.25 * width / px_per_mm
    round_mm = [mm for mm in (1, 2, 5, 10, 20, 50, 100, 200, 500) if mm <= longest_mm]
    if not round_mm:
        return
    length_px = round(round_mm[-1] * px_per_mm)
    text = f"{round_mm[-1]} mm"
    scale, thick = 0.55 * unit, max(1, round(1.1 * unit))
    (text_width, text_height), _ = cv2.getTextSize(text, _FONT, scale, thick)
    pad, bar = round(8 * unit), max(3, round(5 * unit))
    x0, y1 = pad, height - pad
    box_top = y1 - 3 * pad - text_height - bar
    cv2.rectangle(picture, (x0, box_top), (x0 + max(length_px, text_width) + 2 * pad, y1), _PAPER_BGR, -1)
    cv2.rectangle(picture, (x0 + pad, y1 - pad - bar), (x0 + pad + length_px, y1 - pad), _EDGE_BGR, -1)
    cv2.putText(picture, text, (x0 + pad, y1 - 2 * pad - bar), _FONT, scale, _EDGE_BGR, thick, cv2.LINE_AA)

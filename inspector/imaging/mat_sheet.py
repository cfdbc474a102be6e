"""The photo mat as a page to print, at true size.

Markers, dots and ruler are drawn as shapes, so that they are as sharp as the printer. What lies between the
lower markers is for people: a ruler to check the print with, how to use the mat, and cautions.
"""

from __future__ import annotations

import io

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from inspector.imaging.mat import (
    MARKER_DICTIONARY,
    MARKER_MARGIN_MM,
    MARKER_SIDE_MM,
    MAT_LAYOUTS,
    MatLayout,
    Paper,
)
from inspector.imaging.speckle import LOWER_STRIP_MM, speckle_dots

__all__ = ["mat_pdf"]

# A marker of DICT_4X4_50 is 4 x 4 cells with a black border one cell wide.
MARKER_CELLS = 6

# Some printer drivers drop lines without length.
DOT_LINE_MM = 0.004

RULER_MM = 100
# Office printers leave 4 to 5 mm of the sheet blank.
PRINTER_MARGIN_MM = 5.0
FONT, BOLD_FONT, FONT_SIZE_PT, LINE_MM = "Helvetica", "Helvetica-Bold", 7.0, 2.9

HOW_TO = (
    "Lay the mat flat in even light, not in direct sun. Lay the piece inside the four markers, the same way each "
    "time. Hold the phone straight above it, as near as all four markers allow."
)
RULER_CHECK = "This ruler must measure 100 mm; print at 100 %, no fit to page."
CAUTIONS = (
    "Wet cement burns skin and eyes: wear waterproof gloves and eye protection, and wash splashes off at once with "
    "plenty of water.",
    "Grinding and chipping make silica dust, which harms the lungs: work wet, or with extraction and a mask.",
    "Heavy pieces crush: lift with help.",
    "For ornamental pieces only. Local codes decide about anything that carries a load.",
)


def mat_pdf(paper: Paper, *, speckle: bool = True) -> bytes:
    """Draw the mat.

    Parameters
    ----------
    paper : {"A4", "A3"}
        The sheet, landscape.
    speckle : bool
        Whether to print the fine dots that tell the mat from the piece under any light.

    Returns
    -------
    bytes
        A PDF of one page; the same bytes each time.
    """
    layout = MAT_LAYOUTS[paper]
    width_mm, height_mm = layout.page_mm
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=(width_mm * mm, height_mm * mm), pageCompression=1, invariant=1)
    canvas.setTitle(f"Inspector photo mat, {paper}")
    # Mat coordinates from here on: origin at the centre of the sheet, y upwards as PDF has it.
    canvas.translate(width_mm / 2 * mm, height_mm / 2 * mm)
    if speckle:
        _draw_dots(canvas, paper)
    for marker_id in layout.marker_ids:
        _draw_marker(canvas, layout, marker_id)
    _draw_words(canvas, layout)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _draw_dots(canvas: Canvas, paper: Paper) -> None:
    """Draw each dot as a very short line with round ends, a fifth of the bytes of a circle's four curves."""
    dots = speckle_dots(paper)
    canvas.saveState()
    canvas.setLineCap(1)
    for (x, y), diameter in zip(dots.centres_xy_mm.tolist(), dots.diameters_mm.tolist(), strict=True):
        canvas.setLineWidth(round(diameter * mm, 3))
        left, right, height = (round(value * mm, 3) for value in (x - DOT_LINE_MM / 2, x + DOT_LINE_MM / 2, -y))
        canvas.line(left, height, right, height)
    canvas.restoreState()


def _draw_marker(canvas: Canvas, layout: MatLayout, marker_id: int) -> None:
    """Draw the black cells as one shape: shapes side by side would show hairlines of paper between them."""
    left, top = layout.marker_corners_xy_mm(marker_id)[0].tolist()
    cell_mm = MARKER_SIDE_MM / MARKER_CELLS
    path = canvas.beginPath()
    for outline in _outlines(_black_cells(marker_id)):
        corners = [((left + column * cell_mm) * mm, -(top + row * cell_mm) * mm) for row, column in outline]
        path.moveTo(*corners[0])
        for corner in corners[1:]:
            path.lineTo(*corner)
        path.close()
    canvas.drawPath(path, stroke=0, fill=1)


def _black_cells(marker_id: int) -> NDArray[np.bool_]:
    dictionary = cv2.aruco.getPredefinedDictionary(MARKER_DICTIONARY)
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, marker_id, MARKER_CELLS) == 0, dtype=np.bool_)


def _outlines(black: NDArray[np.bool_]) -> list[list[tuple[int, int]]]:
    """Closed outlines of the black cells, with black on the right hand: (row, column) of grid corners."""
    after: dict[tuple[int, int], list[tuple[int, int]]] = {}
    padded = np.pad(black, 1)
    for row, column in np.argwhere(black).tolist():
        corners = [(row, column), (row, column + 1), (row + 1, column + 1), (row + 1, column)]
        neighbours = [(row, column + 1), (row + 1, column + 2), (row + 2, column + 1), (row + 1, column)]  # in padded
        for side, neighbour in enumerate(neighbours):
            if not padded[neighbour]:
                after.setdefault(corners[side], []).append(corners[(side + 1) % 4])
    outlines = []
    while after:
        start = at = next(iter(after))
        outline = []
        while True:
            outline.append(at)
            following = after[at].pop()
            if not after[at]:
                del after[at]
            at = following
            if at == start:
                break
        outlines.append(outline)
    return outlines


def _draw_words(canvas: Canvas, layout: MatLayout) -> None:
    """Ruler and how-to to the left, cautions to the right, in the strip between the lower markers."""
    half_width = layout.centres_mm[0] / 2 - MARKER_SIDE_MM / 2 - MARKER_MARGIN_MM - 2.0
    top = -(layout.centres_mm[1] / 2 + MARKER_SIDE_MM / 2 - LOWER_STRIP_MM) - 1.5
    bottom = -layout.page_mm[1] / 2 + PRINTER_MARGIN_MM

    canvas.setFont(BOLD_FONT, FONT_SIZE_PT)
    canvas.drawString(-half_width * mm, (top - 2.2) * mm, f"Photo mat {layout.paper}")
    _draw_lines(canvas, HOW_TO, left_mm=-half_width, top_mm=top - LINE_MM, width_mm=RULER_MM)
    _draw_ruler(canvas, left_mm=-half_width, bottom_mm=bottom)

    left = -half_width + RULER_MM + 8.0
    canvas.setFont(BOLD_FONT, FONT_SIZE_PT)
    canvas.drawString(left * mm, (top - 2.2) * mm, "Cautions")
    below = top - LINE_MM
    for caution in CAUTIONS:
        below = _draw_lines(canvas, caution, left_mm=left, top_mm=below, width_mm=half_width - left)


def _draw_lines(canvas: Canvas, text: str, *, left_mm: float, top_mm: float, width_mm: float) -> float:
    """Write text in lines of this width; gives where the next line would begin, in mm upwards."""
    canvas.setFont(FONT, FONT_SIZE_PT)
    for line in simpleSplit(text, FONT, FONT_SIZE_PT, width_mm * mm):
        canvas.drawString(left_mm * mm, (top_mm - 2.2) * mm, line)
        top_mm -= LINE_MM
    return top_mm


def _draw_ruler(canvas: Canvas, *, left_mm: float, bottom_mm: float) -> None:
    canvas.setLineWidth(0.15 * mm)
    for tick_mm in range(RULER_MM + 1):
        length_mm = 3.0 if tick_mm % 10 == 0 else 2.2 if tick_mm % 5 == 0 else 1.5
        x = (left_mm + tick_mm) * mm
        canvas.line(x, bottom_mm * mm, x, (bottom_mm + length_mm) * mm)
    canvas.line(left_mm * mm, bottom_mm * mm, (left_mm + RULER_MM) * mm, bottom_mm * mm)
    canvas.setFont(FONT, FONT_SIZE_PT - 1)
    for tick_mm in range(0, RULER_MM + 1, 10):
        canvas.drawCentredString((left_mm + tick_mm) * mm, (bottom_mm + 3.4) * mm, str(tick_mm))
    canvas.setFont(BOLD_FONT, FONT_SIZE_PT)
    canvas.drawString(left_mm * mm, (bottom_mm + 6.2) * mm, RULER_CHECK)

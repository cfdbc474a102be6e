"""Labels to be cut out and hung on molds and pours: a code that a phone reads, beside words that people read."""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from xml.sax.saxutils import escape

from reportlab.graphics.barcode.qrencoder import QRCode, QRErrorCorrectLevel
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph

from inspector.workshop.paper import register_fonts

__all__ = ["Label", "labels_pdf"]

_COLUMNS, _ROWS = 2, 7
_WIDTH_PT, _HEIGHT_PT = 92 * mm, 38 * mm
# Read by a phone from an arm's length; the code keeps the margin that ISO/IEC 18004 asks for.
_CODE_PT = 36 * mm
_PAD_PT = 1 * mm
# A quarter of the code may be splashed or scratched and it is read still (level Q).
_LEVEL = QRErrorCorrectLevel.Q
_MARGIN_SQUARES = 4


@dataclass(frozen=True, slots=True)
class Label:
    """One label."""

    heading: str
    lines: tuple[str, ...]
    address: str
    """What its code says: where a browser goes on with this mold or pour."""


def labels_pdf(labels: Sequence[Label], *, title: str = "Labels", language: str = "en") -> bytes:
    """Typeset labels as a PDF on A4, fourteen a page, with lines to cut along; the same labels give the same bytes.

    Parameters
    ----------
    labels : sequence of Label
    title : str
        What a window calls the document.
    language : str
        What its words are in (RFC 5646), for programs that read them out.
    """
    register_fonts()
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=A4, invariant=1, lang=language)
    canvas.setTitle(title)
    canvas.setCreator("Inspector")
    left_pt = (A4[0] - _COLUMNS * _WIDTH_PT) / 2
    top_pt = A4[1] - (A4[1] - _ROWS * _HEIGHT_PT) / 2
    for index, label in enumerate(labels):
        place = index % (_COLUMNS * _ROWS)
        if index and not place:
            canvas.showPage()
        row, column = divmod(place, _COLUMNS)
        _draw(canvas, label, left_pt + column * _WIDTH_PT, top_pt - (row + 1) * _HEIGHT_PT)
    canvas.save()
    return out.getvalue()


def _draw(canvas: Canvas, label: Label, x_pt: float, y_pt: float) -> None:
    canvas.setLineWidth(0.3)
    canvas.setDash(2, 2)
    canvas.rect(x_pt, y_pt, _WIDTH_PT, _HEIGHT_PT)
    canvas.setDash()
    _draw_code(canvas, label.address, x_pt + _PAD_PT, y_pt + (_HEIGHT_PT - _CODE_PT) / 2)
    large = ParagraphStyle("heading", fontName="Sheet-Head", fontSize=13, leading=15)
    small = ParagraphStyle("line", fontName="Sheet", fontSize=9, leading=12)
    words = [Paragraph(escape(label.heading), large), *(Paragraph(escape(line), small) for line in label.lines)]
    width_pt = _WIDTH_PT - _CODE_PT - 4 * _PAD_PT
    y_top_pt = y_pt + _HEIGHT_PT - 4 * mm
    for paragraph in words:
        _, height_pt = paragraph.wrap(width_pt, _HEIGHT_PT)
        if y_top_pt - height_pt < y_pt + 2 * mm:  # a long name leaves less room for what follows
            break
        paragraph.drawOn(canvas, x_pt + _CODE_PT + 2 * _PAD_PT, y_top_pt - height_pt)
        y_top_pt -= height_pt + 1 * mm


def _draw_code(canvas: Canvas, address: str, x_pt: float, y_pt: float) -> None:
    """Draw a QR code as one shape: as a drawing of ReportLab, of a shape a square, it takes twice as long."""
    code = QRCode(None, _LEVEL)
    code.addData(address)
    code.make()
    rows: list[list[bool]] = code.modules
    side_pt = _CODE_PT / (len(rows) + 2 * _MARGIN_SQUARES)
    path = canvas.beginPath()
    for number, row in enumerate(rows, start=1):
        below_pt = y_pt + (_MARGIN_SQUARES + len(rows) - number) * side_pt
        for dark, run in groupby(range(len(row)), key=row.__getitem__):
            if dark:
                first, *others = run
                left_pt = x_pt + (_MARGIN_SQUARES + first) * side_pt
                path.rect(left_pt, below_pt, (1 + len(others)) * side_pt, side_pt)
    canvas.drawPath(path, stroke=0, fill=1)

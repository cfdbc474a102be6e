"""A sheet to hand out: what stands on it, and the same as a PDF.

Page and PDF are made from one `Paper`, so that they cannot tell two stories. It holds words as they are to be read, not
figures: whoever makes one says how a figure is written.
"""

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_LEFT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Table,
)

__all__ = ["Facts", "Grid", "Heading", "Outlined", "Paper", "PlaceMark", "Words", "paper_pdf", "register_fonts"]

_INK, _SOFT, _LINE = HexColor("#1c1915"), HexColor("#554d42"), HexColor("#b9ab93")
_MARGIN_MM, _FOOT_MM = 17.0, 22.0
_WIDTH_PT = A4[0] - 2 * _MARGIN_MM * mm
_LABEL_SHARE = 0.24
_LEAST_OF_TABLE = 35 * mm  # of its first rows with their heading
# Matplotlib carries these with it, so that names in most scripts of Europe are printed on any machine, offline.
_FONTS = {"Sheet": "DejaVuSans.ttf", "Sheet-Bold": "DejaVuSans-Bold.ttf", "Sheet-Head": "DejaVuSerif-Bold.ttf"}
# Lines by kind as on the pages: colour and dashes in mm, so that print without colour tells them apart as well.
_KIND_LINES = {
    "missing feature": ("#ff7a33", ()),
    "chip": ("#f0e442", (2.0, 1.0)),
    "hairline crack": ("#56b4e9", (0.6, 1.0)),
    "surface void": ("#e59fc6", (2.8, 0.8, 0.6, 0.8)),
    "excess": ("#2fd3a0", (4.0, 1.8)),
}


@dataclass(frozen=True, slots=True)
class Heading:
    """What follows, in a few words."""

    text: str


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known, each with its name."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table; the first cell of a row names it."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    """How wide the columns are beside each other."""


@dataclass(frozen=True, slots=True)
class PlaceMark:
    """A place outlined on a picture."""

    number: int
    kind: str
    polygon_xy: tuple[tuple[float, float], ...]
    """In pixels of the whole photo."""


@dataclass(frozen=True, slots=True, eq=False)
class Outlined:
    """A picture with outlines drawn on it."""

    address: str
    """Where a page finds it."""
    data: Callable[[], bytes]
    """Gives the same as a file, for the PDF."""
    width_px: int
    height_px: int
    """Of the whole photo, however large the picture of it is."""
    alt: str
    caption: str
    marks: tuple[PlaceMark, ...] = ()
    wide: bool = False
    """Whether it takes the whole width, as a chart does."""


@dataclass(frozen=True, slots=True, eq=False)
class Paper:
    """A sheet."""

    title: str
    subtitle: str
    blocks: tuple[Heading | Words | Facts | Grid | tuple[Outlined, ...], ...]
    """Pictures in a tuple stand beside each other."""
    caution: str
    """Once, at the foot."""
    language: str = "en"
    """What it is written in (RFC 5646)."""
    page_word: str = "page"
    """What stands before the number of a page."""


def paper_pdf(paper: Paper) -> bytes:
    """Typeset a sheet as a PDF on A4; the same sheet gives the same bytes."""
    register_fonts()
    out = io.BytesIO()
    document = BaseDocTemplate(
        out,
        pagesize=A4,
        title=paper.title,
        subject=paper.subtitle,
        creator="Inspector",
        invariant=1,
        lang=paper.language,
    )
    frame = Frame(
        _MARGIN_MM * mm, _FOOT_MM * mm, _WIDTH_PT, A4[1] - (_MARGIN_MM + _FOOT_MM) * mm,
        leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0,
    )  # fmt: skip

    def foot(canvas: Canvas, _: Any) -> None:
        words = _paragraph(paper.caution, _FOOT)
        _, height_pt = words.wrap(_WIDTH_PT - 22 * mm, _FOOT_MM * mm)
        words.drawOn(canvas, _MARGIN_MM * mm, (_FOOT_MM - 4) * mm - height_pt)
        canvas.setFont("Sheet", 7)
        canvas.setFillColor(_SOFT)
        canvas.drawRightString(
            A4[0] - _MARGIN_MM * mm, (_FOOT_MM - 6.5) * mm, f"{paper.page_word} {canvas.getPageNumber()}"
        )
        canvas.setStrokeColor(_INK)
        canvas.line(_MARGIN_MM * mm, (_FOOT_MM - 3) * mm, A4[0] - _MARGIN_MM * mm, (_FOOT_MM - 3) * mm)

    document.addPageTemplates(PageTemplate(frames=[frame], onPage=foot))
    flow: list[Flowable] = [_paragraph(paper.title, _TITLE), _paragraph(paper.subtitle, _QUIET)]
    pending: list[Flowable] = []
    for block in paper.blocks:
        if isinstance(block, Heading):
            pending = [_paragraph(block.text, _HEADING)]
            continue
        drawn = _flowable(block)
        # A heading never stands alone at the foot of a page; a table may run over from there.
        flow += (
            [CondPageBreak(_LEAST_OF_TABLE), *pending, drawn]
            if isinstance(block, Grid)
            else [KeepTogether([*pending, drawn])]
        )
        pending = []
    document.build(flow)
    return out.getvalue()


def _style(name: str, size_pt: float, **more: Any) -> ParagraphStyle:
    options = {"fontName": "Sheet", "leading": 1.32 * size_pt, "textColor": _INK, "alignment": TA_LEFT, **more}
    return ParagraphStyle(name, fontSize=size_pt, splitLongWords=1, **options)


_TITLE = _style("title", 19, fontName="Sheet-Head", spaceAfter=1 * mm)
_QUIET = _style("quiet", 9, textColor=_SOFT, spaceAfter=3 * mm)
_HEADING = _style("heading", 12.5, fontName="Sheet-Head", spaceBefore=3 * mm, spaceAfter=1 * mm)
_BODY = _style("body", 9, spaceAfter=1.5 * mm)
_CELL = _style("cell", 8.5)
_LABEL = _style("label", 8.5, fontName="Sheet-Bold")
_CAPTION = _style("caption", 7.5, textColor=_SOFT)
_FOOT = _style("foot", 7, textColor=_SOFT)


def register_fonts() -> None:
    """Make the fonts of sheets known to ReportLab, once."""
    if "Sheet" not in pdfmetrics.getRegisteredFontNames():
        import matplotlib as mpl

        folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
        for name, file in _FONTS.items():
            pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def _paragraph(text: str, style: ParagraphStyle) -> Paragraph:
    # What people wrote is no markup: unescaped, it could name files to be put into the PDF.
    return Paragraph(escape(text), style)


def _flowable(block: Words | Facts | Grid | tuple[Outlined, ...]) -> Flowable:
    match block:
        case Words():
            return _paragraph(block.text, _BODY)
        case Facts():
            rows = [[_paragraph(name, _LABEL), _paragraph(value, _CELL)] for name, value in block.rows]
            return _table(rows, [_LABEL_SHARE, 1 - _LABEL_SHARE])
        case Grid():
            rows = [[_paragraph(name, _LABEL) for name in block.head]]
            rows += [[_paragraph(cell, _CELL) for cell in row] for row in block.rows]
            return _table(rows, block.widths, repeat_head=True)
        case _:
            return _pictures(block)


def _table(rows: list[list[Paragraph]], widths: Sequence[float], *, repeat_head: bool = False) -> Table:
    total = sum(widths)
    lines: list[Any] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, _LINE),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 1.6),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.2),
    ]
    if repeat_head:
        lines.append(("LINEBELOW", (0, 0), (-1, 0), 1.0, _INK))
    table = Table(rows, [_WIDTH_PT * width / total for width in widths], repeatRows=int(repeat_head))
    table.setStyle(lines)
    table.spaceAfter = 2 * mm
    return table


def _pictures(pictures: Sequence[Outlined]) -> Table:
    room_pt = _WIDTH_PT / len(pictures)
    tallest_pt = (96 if len(pictures) == 1 else 78) * mm
    cells = [
        [_Drawn(picture, width_pt=room_pt - 6, tallest_pt=tallest_pt), _paragraph(picture.caption, _CAPTION)]
        for picture in pictures
    ]
    table = Table([cells], [room_pt] * len(pictures))
    table.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)])
    return table


class _Drawn(Flowable):
    """A picture with its outlines as lines, sharp at any size."""

    def __init__(self, picture: Outlined, *, width_pt: float, tallest_pt: float) -> None:
        super().__init__()
        self._picture = picture
        self._pt_per_px = min(width_pt / picture.width_px, tallest_pt / picture.height_px)
        self.width = picture.width_px * self._pt_per_px
        self.height = picture.height_px * self._pt_per_px

    def wrap(self, aW: float, aH: float) -> tuple[float, float]:  # noqa: ARG002, N803 - as reportlab calls it
        return self.width, self.height

    def draw(self) -> None:
        canvas: Canvas = self.canv
        image = ImageReader(io.BytesIO(self._picture.data()))
        canvas.drawImage(image, 0, 0, self.width, self.height)
        for mark in self._picture.marks:
            corners = [(x * self._pt_per_px, self.height - y * self._pt_per_px) for x, y in mark.polygon_xy]
            path = canvas.beginPath()
            path.moveTo(*corners[0])
            for corner in corners[1:]:
                path.lineTo(*corner)
            path.close()
            colour, dashes = _KIND_LINES[mark.kind]
            canvas.setLineJoin(1)
            for width_pt, line, pattern in ((2.6, "#161412", ()), (1.2, colour, dashes)):
                canvas.setLineWidth(width_pt)
                canvas.setStrokeColor(HexColor(line))
                canvas.setDash([part * mm for part in pattern] if pattern else [])
                canvas.drawPath(path, stroke=1, fill=0)
            self._write_number(canvas, mark.number, corners)

    def _write_number(self, canvas: Canvas, number: int, corners: Sequence[tuple[float, float]]) -> None:
        """Above the outline, where there is room, else below."""
        x = min(max(0.0, min(x for x, _ in corners)), self.width - 12)
        top = max(y for _, y in corners) + 3
        y = top if top + 9 <= self.height else min(y for _, y in corners) - 12
        canvas.setDash([])
        canvas.setFillColor(HexColor("#fffdf8"))
        canvas.rect(x, y - 1.5, 6 * len(str(number)) + 3, 10, stroke=0, fill=1)
        canvas.setFillColor(_INK)
        canvas.setFont("Sheet-Bold", 8.5)
        canvas.drawString(x + 1.5, y, str(number))

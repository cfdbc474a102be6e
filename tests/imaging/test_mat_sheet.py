"""The printed mat, measured on the page: an independent PDF reader (PDFium) renders it at 10 px/mm."""

import cv2
import numpy as np
import pypdfium2
import pytest
from pypdfium2.raw import FPDF_PAGEOBJ_IMAGE

from inspector.imaging.mat_sheet import mat_pdf
from inspector.imaging.speckle import speckle_dots

PX_PER_MM = 10
MM_PER_POINT = 25.4 / 72

# The layout as it is published to makers of other mats: page, ids clockwise from the top left, and the
# rectangle of marker centres around the middle of the page, in mm.
PUBLISHED = {
    "A4": ((297, 210), (10, 11, 12, 13), (260, 180)),
    "A3": ((420, 297), (20, 21, 22, 23), (380, 260)),
}
MARKER_MM, MARGIN_MM = 24, 3


@pytest.fixture(scope="module", params=["A4", "A3"])
def paper(request):
    return request.param


@pytest.fixture(scope="module")
def pdfs(paper):
    return {speckle: mat_pdf(paper, speckle=speckle) for speckle in (True, False)}


@pytest.fixture(scope="module")
def sheets(pdfs):
    return {speckle: rendered(pdf) for speckle, pdf in pdfs.items()}


def rendered(pdf):
    document = pypdfium2.PdfDocument(pdf)
    # A hair less than true scale: PDFium rounds the page up to whole pixels, then stretches the print over them.
    gray = document[0].render(scale=PX_PER_MM * MM_PER_POINT * (1 - 1e-7), grayscale=True).to_numpy()
    document.close()
    return np.ascontiguousarray(gray.reshape(gray.shape[:2]))


def published_corners(paper):
    """Corners of each marker from the top left of the page, clockwise. [mm]"""
    page, ids, centres = PUBLISHED[paper]
    signs = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    square = np.array(signs) * MARKER_MM / 2
    return {
        marker_id: np.array(page) / 2 + np.array(sign) * np.array(centres) / 2 + square
        for marker_id, sign in zip(ids, signs, strict=True)
    }


def test_the_page_has_the_size_of_the_paper(pdfs, paper):
    document = pypdfium2.PdfDocument(pdfs[True])
    assert len(document) == 1
    assert [side * MM_PER_POINT for side in document[0].get_size()] == pytest.approx(PUBLISHED[paper][0], abs=0.01)
    document.close()


@pytest.mark.parametrize("speckle", [True, False])
def test_markers_are_found_where_they_are_published(sheets, paper, speckle):
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), parameters)
    corners, ids, _ = detector.detectMarkers(sheets[speckle])
    found = {
        int(marker_id): (square[0] + 0.5) / PX_PER_MM for marker_id, square in zip(ids.ravel(), corners, strict=True)
    }
    expected = published_corners(paper)
    assert found.keys() == expected.keys()
    for marker_id, square in expected.items():
        assert np.abs(found[marker_id] - square).max() < 0.1


def test_markers_have_no_seams_and_keep_their_white_margin(sheets, paper):
    for square in published_corners(paper).values():
        left, top = np.round(square[0] * PX_PER_MM).astype(int)
        side, margin = MARKER_MM * PX_PER_MM, MARGIN_MM * PX_PER_MM
        cell = side // 6
        marker = sheets[True][top : top + side, left : left + side]
        border = np.ones((side, side), dtype=bool)
        border[cell:-cell, cell:-cell] = False
        border[:1] = border[-1:] = border[:, :1] = border[:, -1:] = False  # mixed with paper by the renderer
        assert marker[border].max() < 5
        inside = marker[cell + 2 : -cell - 2, cell + 2 : -cell - 2]
        # Pixels between black and white lie only where cells meet: at most two to each step along an edge.
        assert np.mean((inside > 5) & (inside < 250)) < 0.05
        around = sheets[True][top - margin + 1 : top + side + margin - 1, left - margin + 1 : left + side + margin - 1]
        ring = np.ones(around.shape, dtype=bool)
        ring[margin - 2 : -margin + 2, margin - 2 : -margin + 2] = False
        assert around[ring].min() > 250


def test_dots_are_printed_where_the_program_expects_them(sheets, paper):
    dots = speckle_dots(paper)
    page = np.array(PUBLISHED[paper][0])
    column, row = np.floor((dots.centres_xy_mm + page / 2) * PX_PER_MM).astype(int).T
    assert sheets[True][row, column].max() < 60
    assert np.mean(sheets[False][row, column] > 250) == 1.0
    # The ink of all dots together says that their diameters are right. PDFium draws them as polygons, which
    # takes 4 % at this scale (and 0.4 % at four times the scale).
    ink_mm2 = (sheets[False].astype(float) - sheets[True]).sum() / 255 / PX_PER_MM**2
    assert ink_mm2 == pytest.approx(np.pi / 4 * np.sum(dots.diameters_mm**2), rel=0.05)


def test_the_ruler_measures_100_mm(sheets):
    sheet = sheets[False]
    # The ruler's line is the longest dark run of the page: markers are 24 mm wide.
    dark = sheet < 200
    rows = np.flatnonzero(dark.sum(axis=1) > 900)
    line = np.flatnonzero(dark[rows[-1]])
    line = line[(line > 35 * PX_PER_MM) & (line < sheet.shape[1] - 35 * PX_PER_MM)]
    assert (line[-1] - line[0]) / PX_PER_MM == pytest.approx(100, abs=0.25)  # and its line width
    # A tick each millimetre, seen just over the line.
    ticks = (255 - sheet[rows[-1] - 10, line[0] - 2 : line[-1] + 3].astype(float)).reshape(1, -1)
    starts = np.flatnonzero(np.diff((ticks[0] > 60).astype(int)) == 1)
    assert len(starts) == 101
    assert np.abs(np.diff(starts) - PX_PER_MM).max() <= 1


def test_the_sheet_says_how_to_print_it_and_what_hurts(pdfs):
    document = pypdfium2.PdfDocument(pdfs[False])
    words = " ".join(document[0].get_textpage().get_text_bounded().split())
    assert "must measure 100 mm; print at 100 %, no fit to page" in words
    assert "Wet cement burns skin and eyes: wear waterproof gloves and eye protection" in words
    assert "silica dust" in words
    assert "Heavy pieces crush" in words
    assert "For ornamental pieces only. Local codes decide" in words
    document.close()


def test_nothing_but_the_markers_and_dots_lies_in_the_area_for_the_piece(sheets, paper):
    # Between the lower edges of the upper markers and the upper edges of the lower ones.
    (_, height), _, (_, centres_height) = PUBLISHED[paper]
    top = round((height / 2 - centres_height / 2 + MARKER_MM / 2 + 1) * PX_PER_MM)
    bottom = round((height / 2 + centres_height / 2 - MARKER_MM / 2 - 1) * PX_PER_MM)
    assert sheets[False][top:bottom].min() > 250


def test_the_page_holds_shapes_and_no_pictures(pdfs):
    document = pypdfium2.PdfDocument(pdfs[True])
    assert all(thing.type != FPDF_PAGEOBJ_IMAGE for thing in document[0].get_objects())
    document.close()


def test_the_same_mat_is_the_same_file(pdfs, paper):
    assert mat_pdf(paper, speckle=False) == pdfs[False]

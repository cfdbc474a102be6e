import cv2
import numpy as np
import pytest
from scipy.spatial import cKDTree
from shapely.geometry import MultiPoint, box

from inspector.imaging.mat import MAT_LAYOUTS
from inspector.imaging.speckle import dots_in_photo, mat_raster, speckle_area_mm, speckle_dots

PAPERS = ("A4", "A3")


@pytest.fixture(scope="module", params=PAPERS)
def paper(request):
    return request.param


def finaliser(value):
    """The 32-bit finaliser of MurmurHash3 with its last round left out, in plain integers (constants from memory)."""
    for shift, factor in ((16, 0x85EBCA6B), (13, 0xC2B2AE35)):
        value = ((value ^ (value >> shift)) * factor) % 2**32
    return (value ^ (value >> 16)) / 2**32


def test_the_print_is_the_same_on_every_machine():
    # Mats that were printed once must fit every later version: the rule for a dot, worked out here in whole numbers.
    left, top, *_ = speckle_area_mm("A4")
    dots = speckle_dots("A4")
    for column, row in ((40, 3), (80, 50), (150, 30)):
        x, y, size = (
            finaliser((column * 73856093 ^ row * 19349663 ^ salt * 83492791) & 0xFFFFFFFF) for salt in (1, 2, 3)
        )
        diameter = 0.5 + 0.4 * size
        expected = (
            left + column * 1.6 + diameter / 2 + (1.6 - diameter) * x,
            top + row * 1.6 + diameter / 2 + (1.6 - diameter) * y,
        )
        nearest = np.argmin(np.hypot(*(dots.centres_xy_mm - expected).T))
        assert dots.centres_xy_mm[nearest] == pytest.approx(expected, abs=1e-9)
        assert dots.diameters_mm[nearest] == pytest.approx(diameter, abs=1e-9)


def test_no_two_dots_touch(paper):
    dots = speckle_dots(paper)
    pairs = cKDTree(dots.centres_xy_mm).query_pairs(0.9, output_type="ndarray")
    apart = np.linalg.norm(dots.centres_xy_mm[pairs[:, 0]] - dots.centres_xy_mm[pairs[:, 1]], axis=1)
    assert np.all(apart >= (dots.diameters_mm[pairs[:, 0]] + dots.diameters_mm[pairs[:, 1]]) / 2 - 1e-9)


def test_dots_keep_off_markers_and_the_ruler(paper):
    dots = speckle_dots(paper)
    points = MultiPoint(dots.centres_xy_mm)
    area = box(*speckle_area_mm(paper))
    assert points.within(area)
    page = MAT_LAYOUTS[paper].page_mm
    assert area.within(box(-page[0] / 2, -page[1] / 2, page[0] / 2, page[1] / 2))
    for x, y in MAT_LAYOUTS[paper].marker_centres_xy_mm:
        # 12 mm of black and 3 mm of white margin on each side; the dot's own radius is at most 0.45 mm.
        assert points.distance(box(x - 15, y - 15, x + 15, y + 15)) > 0.45


def test_the_print_nowhere_repeats():
    raster = mat_raster("A4", px_per_mm=2.5).astype(np.float32)[80:430, 100:640]
    patch = raster[100:180, 200:280]
    match = cv2.matchTemplate(raster, patch, cv2.TM_CCOEFF_NORMED)
    match[95:106, 195:206] = 0
    assert match.max() < 0.5


def test_the_raster_shows_every_dot_and_opencv_reads_its_markers(paper):
    px_per_mm = 8.0
    raster = mat_raster(paper, px_per_mm=px_per_mm)
    layout, dots = MAT_LAYOUTS[paper], speckle_dots(paper)
    assert raster.shape == (round(layout.page_mm[1] * px_per_mm), round(layout.page_mm[0] * px_per_mm))
    middle = (np.array(raster.shape[::-1]) - 1) / 2
    at = np.round(dots.centres_xy_mm * px_per_mm + middle).astype(int)
    assert np.all(raster[at[:, 1], at[:, 0]] < 40)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, ids, _ = detector.detectMarkers(raster)
    assert sorted(ids.ravel().tolist()) == sorted(layout.marker_ids)
    for marker, quad in zip(ids.ravel().tolist(), corners, strict=True):
        expected = layout.marker_corners_xy_mm(marker) * px_per_mm + middle
        assert np.abs(quad.reshape(4, 2) - expected).max() < 1.5


def test_the_raster_has_as_much_ink_as_the_dots():
    px_per_mm = 10.0
    dots = speckle_dots("A4")
    speckled = mat_raster("A4", px_per_mm=px_per_mm).astype(float)
    plain = mat_raster("A4", px_per_mm=px_per_mm, speckle=False).astype(float)
    ink_mm2 = (plain - speckled).sum() / 255 / px_per_mm**2
    # The area of a disc, pi d^2 / 4.
    assert ink_mm2 == pytest.approx(np.pi / 4 * (dots.diameters_mm**2).sum(), rel=0.03)


def test_a_plain_mat_has_markers_only():
    plain = mat_raster("A4", px_per_mm=3, speckle=False)
    assert np.all(plain[100:-100, 110:-110] == 255)
    assert plain.min() == 0


def test_dots_in_a_photo_are_those_of_the_sheet(paper):
    """A photo straight from above is the sheet itself; a nearer one holds as much ink, counted in mm2."""
    sheet = mat_raster(paper, px_per_mm=6.0)
    height, width = sheet.shape
    from_above = np.array([[6.0, 0, (width - 1) / 2], [0, 6.0, (height - 1) / 2], [0, 0, 1]])
    dots = dots_in_photo(paper, from_above, size_px=(width, height))
    middle = np.s_[height // 3 : 2 * height // 3, width // 3 : 2 * width // 3]  # away from markers
    assert np.abs(dots[middle] - (1 - sheet[middle] / 255)).max() < 0.02
    nearer = np.diag([3.0, 3.0, 1]) @ from_above
    ink_px = dots_in_photo(paper, nearer, size_px=(3 * width, 3 * height)).sum()
    assert ink_px / 18**2 == pytest.approx(np.pi / 4 * np.sum(speckle_dots(paper).diameters_mm ** 2), rel=0.05)


def test_dots_of_a_tilted_mat_lie_where_the_homography_puts_them():
    photo_from_mat = np.array([[7.0, 0.6, 500], [-0.4, 6.0, 400], [2e-4, 1e-3, 1]])
    dots = dots_in_photo("A4", photo_from_mat, size_px=(1000, 800))
    centres = cv2.perspectiveTransform(speckle_dots("A4").centres_xy_mm[None], photo_from_mat)[0]
    seen = centres[np.all((centres > 2) & (centres < (997, 797)), axis=1)]
    columns, rows = np.round(seen).astype(int).T
    assert len(seen) > 500
    assert np.mean(dots[rows, columns] > 0.9) > 0.95

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from inspector.imaging.mat import MAT_LAYOUTS, find_mat
from inspector.imaging.speckle import mat_raster

SIZE_PX = (1600, 1200)
FOCAL_PX = 1250.0
SHEET_PX_PER_MM = 6.0


def camera_over_mat(*, tilt_deg=0.0, roll_deg=0.0, height_mm=300.0, aside_mm=(0.0, 0.0), focal_px=FOCAL_PX):
    """Homography and centre of a pinhole camera over the mat, from first principles: heights are minus z."""
    tilt, roll = np.radians(tilt_deg), np.radians(roll_deg)
    about_x = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    about_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    rotation = about_x @ about_z
    shift = np.array([*aside_mm, height_mm])
    camera = np.array([[focal_px, 0, (SIZE_PX[0] - 1) / 2], [0, focal_px, (SIZE_PX[1] - 1) / 2], [0, 0, 1]])
    centre = -rotation.T @ shift
    return camera @ np.column_stack([rotation[:, :2], shift]), np.array([centre[0], centre[1], -centre[2]])


def photo_of_mat(photo_from_mat, paper="A4", *, hidden=(), noise=2.0, seed=1):
    """A blurred, noisy photo of a printed mat; drawn at twice the size and reduced, so that edges are soft."""
    sheet = mat_raster(paper, px_per_mm=SHEET_PX_PER_MM, speckle=True)
    for marker in hidden:
        x, y = MAT_LAYOUTS[paper].marker_corners_xy_mm(marker).mean(axis=0)
        at = np.array([x, y]) * SHEET_PX_PER_MM + (np.array(sheet.shape[::-1]) - 1) / 2
        cv2.circle(sheet, np.round(at).astype(int).tolist(), round(12 * SHEET_PX_PER_MM), 128, -1)
    half = (np.array(sheet.shape[::-1]) - 1) / 2
    mat_from_sheet = np.array([[1, 0, -half[0]], [0, 1, -half[1]], [0, 0, SHEET_PX_PER_MM]])
    twice = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1]])
    large = cv2.warpPerspective(
        sheet, twice @ photo_from_mat @ mat_from_sheet, (2 * SIZE_PX[0], 2 * SIZE_PX[1]), borderValue=70
    )
    # Lenses and sensors add light, not display values: soften in linear light.
    light = cv2.GaussianBlur((large.astype(np.float32) / 255) ** 2.2 * 0.8 + 0.02, (0, 0), 1.6)
    photo = 255 * cv2.resize(light, SIZE_PX, interpolation=cv2.INTER_AREA) ** (1 / 2.2)
    photo += np.random.default_rng(seed).normal(0, noise, photo.shape)
    return np.clip(np.round(photo), 0, 255).astype(np.uint8)


def largest_error_px(sighting, photo_from_mat):
    """Over the part of the mat between the markers' outer edges."""
    width, height = (side + 24.0 for side in sighting.layout.centres_mm)
    x, y = np.meshgrid(np.linspace(-width / 2, width / 2, 9), np.linspace(-height / 2, height / 2, 7))
    points = np.stack([x.ravel(), y.ravel()], axis=-1)[None]
    found = cv2.perspectiveTransform(points, sighting.photo_from_mat)
    return float(np.linalg.norm(found - cv2.perspectiveTransform(points, photo_from_mat), axis=-1).max())


def markers_in_view(photo_from_mat):
    """Those that lie in the photo with the white around them."""
    seen = set()
    for marker in MAT_LAYOUTS["A4"].marker_ids:
        corners = MAT_LAYOUTS["A4"].marker_corners_xy_mm(marker)
        outer = corners + 3 * np.sign(corners - corners.mean(axis=0))
        x, y = cv2.perspectiveTransform(outer[None], photo_from_mat)[0].T
        if x.min() > 0 and y.min() > 0 and x.max() < SIZE_PX[0] - 1 and y.max() < SIZE_PX[1] - 1:
            seen.add(marker)
    return seen


@pytest.mark.parametrize(
    ("paper", "page", "ids", "centres"),
    [("A4", (297, 210), (10, 11, 12, 13), (260, 180)), ("A3", (420, 297), (20, 21, 22, 23), (380, 260))],
)
def test_markers_lie_where_the_printed_mat_has_them(paper, page, ids, centres):
    # Page sizes: ISO 216. Ids, centres and the side of 24 mm: the mat format that users have printed.
    layout = MAT_LAYOUTS[paper]
    assert layout.page_mm == page
    assert layout.marker_ids == ids
    w, h = centres[0] / 2, centres[1] / 2
    assert np.allclose(layout.marker_centres_xy_mm, [[-w, -h], [w, -h], [w, h], [-w, h]])
    corners = [[w - 12, h - 12], [w + 12, h - 12], [w + 12, h + 12], [w - 12, h + 12]]
    assert np.allclose(layout.marker_corners_xy_mm(ids[2]), corners)


@pytest.mark.parametrize(
    ("paper", "view"),
    [
        ("A4", {}),
        ("A4", {"tilt_deg": 12, "roll_deg": 30, "aside_mm": (12.0, -8.0), "height_mm": 400}),
        ("A4", {"tilt_deg": -25, "roll_deg": 184, "height_mm": 380}),
        ("A3", {"tilt_deg": 8, "roll_deg": -7, "height_mm": 420}),
    ],
)
def test_the_mat_is_found_to_a_third_of_a_pixel(paper, view):
    photo_from_mat, centre = camera_over_mat(**view)
    sighting = find_mat(photo_of_mat(photo_from_mat, paper), focal_px=FOCAL_PX)
    assert sighting is not None
    assert sighting.layout.paper == paper
    assert sighting.marker_ids == MAT_LAYOUTS[paper].marker_ids
    assert largest_error_px(sighting, photo_from_mat) < 0.34
    assert sighting.residual_px < 0.3  # noise of the corners
    assert np.linalg.norm(sighting.camera.centre_mm - centre) < 0.02 * centre[2]
    assert sighting.camera.tilt_deg == pytest.approx(abs(view.get("tilt_deg", 0)), abs=1.0)
    assert sighting.camera.focal_px == pytest.approx(FOCAL_PX, rel=0.03)


def test_the_scale_is_that_of_the_area_at_the_middle():
    photo_from_mat, _ = camera_over_mat(tilt_deg=15, height_mm=330)
    sighting = find_mat(photo_of_mat(photo_from_mat), focal_px=FOCAL_PX)
    # Area ratio of a plane homography H at the origin: det H / w^3 (Hartley and Zisserman, Multiple View Geometry).
    expected = np.sqrt(np.linalg.det(photo_from_mat) / photo_from_mat[2, 2] ** 3)
    assert sighting.px_per_mm == pytest.approx(expected, rel=1e-3)


def test_the_focal_length_is_estimated_from_a_tilted_view_without_exif():
    photo_from_mat, centre = camera_over_mat(tilt_deg=24, roll_deg=20, height_mm=330)
    sighting = find_mat(photo_of_mat(photo_from_mat))
    assert sighting.camera.focal_px == pytest.approx(FOCAL_PX, rel=0.06)
    assert sighting.camera.tilt_deg == pytest.approx(24, abs=1.5)
    assert np.linalg.norm(sighting.camera.centre_mm - centre) < 0.08 * centre[2]


@pytest.mark.parametrize(("hidden", "error_px"), [((11,), 1.0), ((10, 12), 4.0), ((12, 13), 4.0)])
def test_hidden_markers_cost_little(hidden, error_px):
    photo_from_mat, _ = camera_over_mat(tilt_deg=6, roll_deg=10)
    sighting = find_mat(photo_of_mat(photo_from_mat, hidden=hidden), focal_px=FOCAL_PX)
    assert set(sighting.marker_ids) == {10, 11, 12, 13} - set(hidden)
    assert largest_error_px(sighting, photo_from_mat) < error_px


def test_one_marker_alone_is_no_mat():
    photo_from_mat, _ = camera_over_mat()
    assert find_mat(photo_of_mat(photo_from_mat, hidden=(10, 11, 12))) is None


def test_markers_of_other_sheets_are_no_mat():
    picture = np.full(SIZE_PX[::-1], 200, dtype=np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for k, marker in enumerate((1, 2, 30, 31)):
        picture[300:500, 100 + 300 * k : 300 + 300 * k] = cv2.aruco.generateImageMarker(dictionary, marker, 200)
    assert find_mat(picture) is None


@pytest.mark.parametrize(("shape", "value"), [((480, 640), 0), ((480, 640), 255), ((1, 1), 0)])
def test_black_white_and_one_pixel_photos_show_no_mat(shape, value):
    assert find_mat(np.full(shape, value, dtype=np.uint8)) is None


@settings(max_examples=8, deadline=None, derandomize=True)
@given(
    tilt=st.floats(0, 20),
    roll=st.floats(0, 360),
    x=st.floats(-10, 10),
    y=st.floats(-10, 10),
    height=st.floats(320, 420),
)
def test_the_mat_is_found_wherever_the_camera_is(tilt, roll, x, y, height):
    photo_from_mat, _ = camera_over_mat(tilt_deg=tilt, roll_deg=roll, aside_mm=(x, y), height_mm=height)
    in_view = markers_in_view(photo_from_mat)
    assume(len(in_view) >= 3)  # turned far and from near by, corners stick out of the photo
    sighting = find_mat(photo_of_mat(photo_from_mat), focal_px=FOCAL_PX)
    assert set(sighting.marker_ids) >= in_view
    assert largest_error_px(sighting, photo_from_mat) < 1.0  # a quarter of a millimetre
    assert sighting.camera.tilt_deg == pytest.approx(tilt, abs=1.5)


def test_the_photo_is_not_written_to():
    photo = photo_of_mat(camera_over_mat()[0])
    before = photo.copy()
    find_mat(photo)
    assert np.array_equal(photo, before)

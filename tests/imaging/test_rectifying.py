import cv2
import numpy as np
import pytest
from skimage import data
from skimage.transform import ProjectiveTransform, warp

from inspector.imaging.mat import MAT_LAYOUTS, Camera, MatSighting
from inspector.imaging.rectifying import Frame, frame_on_mat, frame_without_mat, rectify


def sighting(photo_from_mat, paper="A4"):
    layout = MAT_LAYOUTS[paper]
    camera = Camera(1000.0, np.array([0, 0, 300.0]), 0.0)
    return MatSighting(layout, layout.marker_ids, photo_from_mat, 0.1, 5.0, camera)


HOMOGRAPHY = np.array([[4.8, 0.4, 800.0], [-0.3, 5.1, 600.0], [1e-4, -2e-4, 1.0]])


@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (284.0, 204.0)), ("A3", (404.0, 284.0))])
def test_the_frame_reaches_from_marker_to_marker(paper, size_mm):
    frame = frame_on_mat(sighting(HOMOGRAPHY, paper), px_per_mm=4.0)
    assert frame.size_px == (size_mm[0] * 4, size_mm[1] * 4)
    # Pixel centres lie at whole numbers: the frame's corner is half a pixel before its first pixel.
    corner = frame.mat_from_frame @ [-0.5, -0.5, 1.0]
    assert corner[:2] / corner[2] == pytest.approx([-size_mm[0] / 2, -size_mm[1] / 2])
    points = np.array([[[0.0, 0.0], [100.0, 37.0], [frame.size_px[0] - 1.0, 5.0]]])
    over_mat = cv2.perspectiveTransform(cv2.perspectiveTransform(points, frame.mat_from_frame), HOMOGRAPHY)
    assert np.allclose(cv2.perspectiveTransform(points, frame.photo_from_frame), over_mat)


@pytest.mark.parametrize("size", [(4000, 3000), (1512, 2016), (1, 1)])
def test_without_a_mat_the_frame_is_the_whole_photo(size):
    frame = frame_without_mat(size, px_per_mm=4.0)
    assert frame.mat_from_frame is None
    edges = np.array([[[-0.5, -0.5], [frame.size_px[0] - 0.5, frame.size_px[1] - 0.5]]])
    over_photo = cv2.perspectiveTransform(edges, frame.photo_from_frame)[0]
    assert over_photo[0] == pytest.approx([-0.5, -0.5])
    assert over_photo[1] == pytest.approx([size[0] - 0.5, size[1] - 0.5], abs=0.6 * size[0] / frame.size_px[0])


def test_rectifying_agrees_with_scikit_image():
    # Reference implementation: skimage.transform.warp, bilinear, on its own photo of a brick wall.
    photo = data.brick()
    photo_from_frame = np.array([[0.9, 0.2, 60.0], [-0.15, 0.95, 90.0], [1e-4, -2e-4, 1.0]])
    frame = Frame((300, 260), 4.0, photo_from_frame, None)
    expected = 255 * warp(photo, ProjectiveTransform(photo_from_frame), output_shape=(260, 300), order=1, mode="edge")
    difference = np.abs(rectify(photo, frame).astype(float) - expected)
    assert np.median(difference) < 1
    assert np.percentile(difference, 99) < 4


def test_a_large_photo_is_reduced_without_aliasing():
    # Stripes finer than the frame can show come out grey, not as false coarse stripes.
    stripes = np.tile(np.array([0, 255], np.uint8), (900, 600))
    frame = frame_without_mat((1200, 900), px_per_mm=1.1)
    flat = rectify(stripes, frame)[20:-20, 20:-20]
    assert flat.std() < 12  # of 127 in the photo
    assert flat.mean() == pytest.approx(127.5, abs=3)


def test_a_reduced_photo_stays_in_place():
    y, x = np.mgrid[0:1200, 0:1600]
    blob = np.exp(-((x - 1030.0) ** 2 + (y - 410.0) ** 2) / (2 * 40.0**2))
    frame = frame_without_mat((1600, 1200), px_per_mm=1.0)
    small = rectify((255 * blob).astype(np.uint8), frame).astype(float)
    rows, columns = np.mgrid[0 : small.shape[0], 0 : small.shape[1]]
    centroid = np.array([[[(small * columns).sum() / small.sum(), (small * rows).sum() / small.sum()]]])
    assert cv2.perspectiveTransform(centroid, frame.photo_from_frame)[0, 0] == pytest.approx([1030, 410], abs=0.5)


def test_colour_and_grey_photos_keep_their_shape():
    frame = frame_without_mat((40, 30), px_per_mm=0.1)
    assert rectify(np.zeros((30, 40), np.uint8), frame).shape == frame.size_px[::-1]
    assert rectify(np.zeros((30, 40, 3), np.uint8), frame).shape == (*frame.size_px[::-1], 3)

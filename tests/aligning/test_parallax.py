import cv2
import numpy as np
import pytest

from inspector.aligning.parallax import Eye, shift_by_height

HERE_MM, THERE_MM = np.array([12.0, -30.0, 410.0]), np.array([-45.0, 20.0, 520.0])
POINTS_MM = np.array([[0.0, 0.0], [60.0, -20.0], [-35.0, 45.0]])


def seen_on_the_mat(camera_mm, points_mm):
    """Where a camera that looks straight down shows points, as places on the mat: by OpenCV's own projection."""
    downwards = np.diag([1.0, -1.0, -1.0])
    turn, _ = cv2.Rodrigues(downwards)
    matrix = np.array([[900.0, 0, 500], [0, 900.0, 400], [0, 0, 1]])

    def pixels(points):
        return cv2.projectPoints(points, turn, -downwards @ camera_mm, matrix, None)[0][:, 0]

    corners = np.array([[-100.0, -100, 0], [100, -100, 0], [100, 100, 0], [-100, 100, 0]])
    mat_from_photo = cv2.getPerspectiveTransform(pixels(corners).astype(np.float32), corners[:, :2].astype(np.float32))
    return cv2.perspectiveTransform(pixels(points_mm)[None], mat_from_photo)[0]


@pytest.mark.parametrize("height_mm", [0.5, 2.0])
def test_points_shift_by_their_height_as_opencv_projects_them(height_mm):
    points = np.column_stack([POINTS_MM, np.full(3, height_mm)])
    here, there = (seen_on_the_mat(camera, points) for camera in (HERE_MM, THERE_MM))
    shift = shift_by_height(Eye(*HERE_MM), Eye(*THERE_MM), here)
    assert there - here == pytest.approx(height_mm * shift, rel=0.02, abs=1e-4 * height_mm)


def test_one_camera_shifts_nothing():
    assert not shift_by_height(Eye(*HERE_MM), Eye(*HERE_MM), POINTS_MM).any()

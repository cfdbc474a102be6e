import cv2
import numpy as np
import pytest

from inspector.imaging.sharpness import ENOUGH_PX_PER_MM, edge_width_mm

# A part of a photo of which the step takes more than a tenth.
PART_MM = 14.0


def step(sigma_px, size):
    """A step of 120 of 255, slanted a little, blurred by a Gaussian."""
    y, x = np.mgrid[0:size, 0:size]
    sharp = np.where(x + 0.1 * y > 0.55 * size, 180.0, 60.0)
    return np.round(cv2.GaussianBlur(sharp, (0, 0), sigma_px)).astype(np.uint8)


@pytest.mark.parametrize("px_per_mm", [5.0, 12.0])
@pytest.mark.parametrize("sigma_mm", [0.2, 0.3, 0.4])
def test_the_width_of_a_blurred_step_is_its_height_over_its_steepest_slope(px_per_mm, sigma_mm):
    part = step(sigma_mm * px_per_mm, size=round(PART_MM * px_per_mm))
    # A step blurred by a Gaussian is its integral, whose steepest slope is height / (sqrt(2 pi) sigma). Looking at it
    # blurs it some more: by 0.8 px, and by a slope that is taken over two pixels (variance 1/3).
    looking_mm = np.sqrt(0.8**2 + 1 / 3) / min(px_per_mm, ENOUGH_PX_PER_MM)
    expected = np.sqrt(2 * np.pi) * np.hypot(sigma_mm, looking_mm)
    assert edge_width_mm(part, px_per_mm=px_per_mm) == pytest.approx(expected, rel=0.1)


@pytest.mark.parametrize("shape", [(0, 40), (0, 0), (1, 1), (300, 300)])
def test_what_has_no_edges_has_no_width(shape):
    assert edge_width_mm(np.full(shape, 128, np.uint8), px_per_mm=5.0) == 0.0

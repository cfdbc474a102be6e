import numpy as np
import pytest

from inspector.imaging.reducing import reduce_whole


@pytest.mark.parametrize("shape", [(12, 18), (13, 20, 3)])
def test_each_pixel_is_the_mean_of_its_square(shape):
    image = np.random.default_rng(0).integers(0, 256, shape, dtype=np.uint8)
    small, _ = reduce_whole(image, 3)
    assert small.shape[:2] == (4, 6)
    assert small[1, 2] == pytest.approx(image[3:6, 6:9].mean(axis=(0, 1)), abs=0.51)


def test_a_point_keeps_its_place():
    image = np.zeros((40, 60), dtype=np.uint8)
    image[20:22, 30:32] = 200  # the middle lies at 30.5, 20.5
    small, small_from_image = reduce_whole(image, 2)
    x, y, _ = small_from_image @ [30.5, 20.5, 1]
    assert (x, y) == (15, 10)
    assert small[10, 15] == 200


def test_once_is_the_image_itself():
    image = np.ones((3, 4), dtype=np.uint8)
    same, small_from_image = reduce_whole(image, 1)
    assert same is image
    assert np.array_equal(small_from_image, np.eye(3))

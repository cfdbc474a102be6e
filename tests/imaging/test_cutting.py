import numpy as np
import pytest

from inspector.imaging.cutting import cut_box

PICTURE = np.random.default_rng(2).integers(0, 255, (9, 12)).astype(np.uint8)


@pytest.mark.parametrize("channels", [1, 4])
@pytest.mark.parametrize("dtype", [np.uint8, np.float32])
@pytest.mark.parametrize("box", [(2, 1, 5, 6), (-3, -2, 8, 7), (7, 5, 9, 8), (-2, -2, 16, 13)])
def test_a_box_is_the_picture_where_there_is_one(channels, dtype, box):
    picture = np.squeeze(np.dstack([PICTURE] * channels)).astype(dtype)
    left, top, width, height = box
    sides = ((20, 20), (20, 20)) + ((0, 0),) * (picture.ndim - 2)
    where = np.s_[top + 20 : top + 20 + height, left + 20 : left + 20 + width]
    np.testing.assert_array_equal(cut_box(picture, box), np.pad(picture, sides, mode="edge")[where])
    np.testing.assert_array_equal(cut_box(picture, box, fill=0), np.pad(picture, sides)[where])
    np.testing.assert_array_equal(cut_box(picture, box, fill=7), np.pad(picture, sides, constant_values=7)[where])
    assert cut_box(picture, box).dtype == dtype

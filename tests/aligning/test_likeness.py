import numpy as np
import pytest
from skimage import data

from inspector.aligning.likeness import CHANNELS, likeness_features
from inspector.inspection.networks import SURFACE_MATCHER


def features_of(gray):
    return likeness_features(gray.astype(np.uint8), SURFACE_MATCHER, px_per_mm=4.0)


def alike(first, second):
    return float((first * second).sum() / np.sqrt((first**2).sum() * (second**2).sum()))


@pytest.mark.parametrize("shape", [(1, 1), (7, 10), (160, 203)])
def test_features_lie_on_half_the_raster(shape):
    features = features_of(np.full(shape, 90))
    assert features.shape == ((shape[0] + 1) // 2, (shape[1] + 1) // 2, CHANNELS)
    assert features.dtype == np.float32
    assert np.isfinite(features).all()


def test_a_brighter_lamp_and_a_slope_of_light_change_little():
    wall = data.brick()[:240, :240].astype(float)
    lamp = np.linspace(0.55, 1.0, 240)[None, :]
    assert alike(features_of(wall), features_of(np.round(wall * lamp))) > 0.97


def test_another_surface_is_told_apart():
    wall, grass = (features_of(one[:240, :240]) for one in (data.brick(), data.grass()))
    assert alike(wall, grass) < 0.5 * alike(wall, wall)

import numpy as np
import pytest
from skimage.exposure import adjust_gamma

from inspector.imaging.light import log_light

VALUES = np.arange(256, dtype=np.uint8).reshape(16, 16)


def test_light_is_that_of_scikit_images_gamma():
    light = adjust_gamma(VALUES / 255.0, 2.2)
    assert np.exp(log_light(VALUES, darkest=0.01)) - 0.01 == pytest.approx(light, abs=1e-5)


def test_twice_the_light_adds_the_same_everywhere():
    light = np.linspace(0.2, 0.5, 50)
    once, twice = (np.round(255 * (k * light) ** (1 / 2.2)).astype(np.uint8)[None] for k in (1, 2))
    assert log_light(twice, darkest=1e-6) - log_light(once, darkest=1e-6) == pytest.approx(np.log(2), abs=0.03)


def test_colour_is_taken_channel_by_channel():
    colour = np.dstack([VALUES, VALUES[::-1], VALUES.T])
    assert np.array_equal(log_light(colour)[..., 2], log_light(np.ascontiguousarray(VALUES.T)))

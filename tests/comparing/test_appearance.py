import numpy as np
import pytest

from inspector.comparing.appearance import FARTHEST, GAIN, appearance

SHAPE = (160, 200)
WHOLE = np.full(SHAPE, 255, dtype=np.uint8)
PX_PER_MM = 4.0


def surface(seed=0, *, light=0.5):
    """A mottled surface, as 8-bit brightness of linear light."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    relief = 0.2 * np.sin(x / 9) * np.sin(y / 11)
    return brightness(light * np.exp(relief + rng.normal(0, 0.01, SHAPE)))


def brightness(linear):
    return np.clip(255 * np.clip(linear, 0, 1) ** (1 / 2.2) + 0.5, 0, 255).astype(np.uint8)


def test_a_brighter_lamp_changes_nothing():
    dim, bright = (appearance(surface(light=light), WHOLE, px_per_mm=PX_PER_MM) for light in (0.3, 0.6))
    assert np.median(np.abs(dim - bright), axis=(1, 2)) == pytest.approx([0, 0, 0], abs=0.05)


def test_what_lies_beside_the_piece_is_no_surrounding():
    mask = WHOLE.copy()
    mask[:, 100:] = 0
    gray = surface()
    dark = gray.copy()
    dark[:, 100:] = 10
    own, other = (appearance(image, mask, px_per_mm=PX_PER_MM) for image in (gray, dark))
    # The raster of the surroundings is four pixels wide.
    assert np.abs(own - other)[:, :, :92].max() < 0.02


def test_a_slow_change_of_light_is_no_contrast_but_a_change_of_brightness():
    x = np.arange(SHAPE[1])
    gray = brightness(np.broadcast_to(0.4 * np.exp(0.8 * (x / SHAPE[1] - 0.5)), SHAPE))
    contrast, detail, level = appearance(gray, WHOLE, px_per_mm=PX_PER_MM)
    assert np.abs(contrast[:, 40:-40]).mean() < 0.1
    assert np.abs(detail).mean() < 0.05
    assert level[:, -20:].mean() - level[:, :20].mean() == pytest.approx(0.72, abs=0.05)


def test_a_dark_patch_is_as_much_darker_as_it_reflects_less():
    gray = brightness(np.full(SHAPE, 0.4))
    gray[78:82, 98:102] = brightness(np.full((4, 4), 0.2))
    contrast, _, level = appearance(gray, WHOLE, px_per_mm=PX_PER_MM)
    # Half the light is ln 2 less; 0.01 is added to both before the log is taken.
    darker = np.log(0.41 / 0.21)
    assert level[80, 100] == pytest.approx(-GAIN[2] * darker, abs=0.03)
    assert contrast[80, 100] == pytest.approx(-GAIN[0] * darker, abs=0.1)


def test_nothing_lies_beyond_the_farthest():
    gray = np.full(SHAPE, 255, dtype=np.uint8)
    gray[::7, ::7] = 0
    assert np.abs(appearance(gray, WHOLE, px_per_mm=PX_PER_MM)).max() == FARTHEST

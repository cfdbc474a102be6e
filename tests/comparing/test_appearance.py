import numpy as np
import pytest

from inspector.comparing.appearance import appearance, normal_appearance, unlike_normal

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


def with_dark_patch(gray):
    marked = gray.copy()
    marked[70:90, 90:110] = (marked[70:90, 90:110] * 0.6).astype(np.uint8)
    return marked


@pytest.fixture(scope="module")
def normal():
    return normal_appearance([appearance(surface(k), WHOLE, px_per_mm=PX_PER_MM) for k in (1, 2)], px_per_mm=PX_PER_MM)


def test_brighter_light_changes_no_contrast():
    dim, bright = (appearance(surface(light=light), WHOLE, px_per_mm=PX_PER_MM) for light in (0.3, 0.6))
    assert np.median(np.abs(dim.contrast - bright.contrast)) < 0.02


def test_what_lies_beside_the_piece_is_no_surrounding():
    mask = WHOLE.copy()
    mask[:, 100:] = 0
    gray = surface()
    dark = gray.copy()
    dark[:, 100:] = 10
    own, other = (appearance(image, mask, px_per_mm=PX_PER_MM) for image in (gray, dark))
    # The raster of the surroundings is four pixels wide.
    assert np.abs(own.contrast - other.contrast)[:, :92].max() < 0.01


def test_another_good_piece_lies_within_the_range(normal):
    own = unlike_normal(appearance(surface(3), WHOLE, px_per_mm=PX_PER_MM), normal)
    assert own[2].mean() < 0.01
    assert own[3].mean() < 0.01


def test_a_dark_patch_lies_below_it_and_there_only(normal):
    own = unlike_normal(appearance(with_dark_patch(surface(3)), WHOLE, px_per_mm=PX_PER_MM), normal)
    below = own[3]
    assert below[75:85, 95:105].mean() > 0.3
    assert below[:40].max() < 0.05
    assert own[2][75:85, 95:105].max() < 0.05


def test_rough_detail_stands_out_where_references_are_smooth(normal):
    gray = surface(3)
    rough = gray.astype(float)
    rough[70:90, 90:110] *= np.exp(np.random.default_rng(5).normal(0, 0.25, (20, 20)))
    own = unlike_normal(appearance(np.clip(rough, 0, 255).astype(np.uint8), WHOLE, px_per_mm=PX_PER_MM), normal)
    assert own[5][72:88, 92:108].mean() > 10 * max(own[5][:50].mean(), 1e-4)


def test_a_shift_within_reach_of_the_alignment_is_normal(normal):
    shifted = np.roll(surface(3), 2, axis=1)
    own = unlike_normal(appearance(shifted, WHOLE, px_per_mm=PX_PER_MM), normal)
    assert own[2][:, 5:-5].mean() < 0.01
    assert own[3][:, 5:-5].mean() < 0.01

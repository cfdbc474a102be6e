import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inspector.inspection.crack_size import crack_size_px
from tests.benchmarks.crack_widths import CONCRETE, width_errors
from tests.drawn_lines import as_photo, concrete, with_line

SHAPE = (220, 300)
DARKNESS = 0.95  # next to nothing comes back out of a crack


def straight(angle_deg, length_px=170):
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    return np.array([150.0, 110.0]) + np.linspace(-length_px / 2, length_px / 2, 80)[:, None] * along


def measured_px(width_px, *, angle_deg=20.0, px_per_mm=5.0, grain=0.02, **photo):
    drawn = with_line(concrete(SHAPE, grain=grain), straight(angle_deg), width_px, darkness=DARKNESS)
    return crack_size_px(as_photo(drawn, **photo), straight(angle_deg, 150), px_per_mm=px_per_mm)[1]


@pytest.mark.parametrize("width_px", [1.0, 1.5, 2.0, 3.0, 4.0])
def test_a_drawn_line_is_as_wide_as_it_was_drawn(width_px):
    assert measured_px(width_px) == pytest.approx(width_px, rel=0.15)


@pytest.mark.parametrize("width_px", [0.5, 0.75])
def test_a_line_narrower_than_a_pixel_is_measured_too(width_px):
    assert measured_px(width_px, noise=1.0) == pytest.approx(width_px, abs=0.15)


@pytest.mark.parametrize("blur_px", [0.0, 0.8, 1.3])
def test_blur_does_not_widen_a_crack(blur_px):
    assert measured_px(2.0, blur_px=blur_px) == pytest.approx(2.0, rel=0.2)


@pytest.mark.parametrize("light", [0.4, 1.0, 1.8])
def test_light_does_not_widen_a_crack(light):
    assert measured_px(2.0, light=light) == pytest.approx(2.0, rel=0.2)


@pytest.mark.parametrize("noise", [0.0, 3.0, 6.0])
def test_noise_does_not_widen_a_crack(noise):
    assert measured_px(2.0, noise=noise) == pytest.approx(2.0, rel=0.2)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(angle=st.floats(0, 180))
def test_a_crack_is_as_wide_whichever_way_it_runs(angle):
    assert measured_px(2.0, angle_deg=angle) == pytest.approx(2.0, rel=0.2)


def test_the_width_in_millimetres_holds_at_another_scale():
    fine = measured_px(5.2, px_per_mm=13.0) / 13.0
    coarse = measured_px(2.0, px_per_mm=5.0) / 5.0
    assert fine == pytest.approx(coarse, rel=0.2)


@pytest.mark.parametrize("beyond_px", [0, 8, 14])
def test_a_path_that_runs_past_the_ends_of_a_crack_is_not_counted_there(beyond_px):
    drawn = with_line(concrete(SHAPE), straight(20, 100), 2.0, darkness=DARKNESS)
    length, width = crack_size_px(as_photo(drawn), straight(20, 100 + 2 * beyond_px), px_per_mm=5.0)
    assert length == pytest.approx(100, abs=6)
    assert width == pytest.approx(2.0, rel=0.2)


def test_plain_concrete_has_no_width():
    assert crack_size_px(as_photo(concrete(SHAPE)), straight(20), px_per_mm=5.0)[1] < 0.3


def test_a_path_of_one_point_has_no_width():
    assert crack_size_px(as_photo(concrete(SHAPE)), np.array([[5.0, 5.0]]), px_per_mm=5.0) == (0.0, 0.0)


def test_a_path_at_the_photos_edge_is_measured_without_error():
    edge = np.column_stack([np.linspace(-5, 60, 30), np.full(30, 0.0)])
    assert np.all(np.isfinite(crack_size_px(as_photo(concrete(SHAPE)), edge, px_per_mm=5.0)))


# Cover of an ideal crack under a Gaussian blur is known in closed form: a difference of normal distributions.
@pytest.mark.parametrize(
    ("surface", "width_px", "most_px"),
    [(CONCRETE, 1.0, 0.1), (CONCRETE, 3.0, 0.15), ("brick", 1.0, 0.15), ("brick", 3.0, 0.2), ("gravel", 3.0, 0.3)],
)
def test_analytically_drawn_cracks_are_as_wide_as_they_are(surface, width_px, most_px):
    for errors in width_errors(surface, widths_px=[width_px], blurs_px=[0.5, 1.0]):
        assert len(errors.errors_px) == errors.tried
        assert errors.median_px < most_px

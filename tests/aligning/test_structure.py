import numpy as np
import pytest

from inspector.aligning.structure import orientation_field


def edge_strength(gray):
    return np.linalg.norm(orientation_field(gray, px_per_mm=4.0, scale_mm=0.5), axis=-1)


def stripes(angle_deg, *, px=200, period=40.0, low=70, high=170, phase=0.0):
    """Sine stripes whose brightness changes along a direction."""
    y, x = np.mgrid[0:px, 0:px]
    along = x * np.cos(np.radians(angle_deg)) + y * np.sin(np.radians(angle_deg))
    wave = 0.5 + 0.5 * np.sin(2 * np.pi * along / period + phase)
    return np.round(low + (high - low) * wave).astype(np.uint8)


@pytest.mark.parametrize("angle_deg", [0, 25, 45, 90, 140])
def test_edges_point_along_twice_their_angle(angle_deg):
    # Double-angle form of orientation (Granlund and Knutsson 1995): (cos 2a, sin 2a).
    field = orientation_field(stripes(angle_deg), px_per_mm=4.0, scale_mm=0.5)[40:-40, 40:-40]
    strong = np.hypot(field[..., 0], field[..., 1]) > 0.3
    expected = np.array([np.cos(2 * np.radians(angle_deg)), np.sin(2 * np.radians(angle_deg))])
    unit = field[strong] / np.linalg.norm(field[strong], axis=-1, keepdims=True)
    assert np.degrees(np.arccos(np.clip(unit @ expected, -1, 1))).max() < 6


def test_a_ridge_lit_from_the_other_side_looks_the_same():
    lit, turned = stripes(30), stripes(30, phase=np.pi)
    first, second = (orientation_field(image, px_per_mm=4.0, scale_mm=0.5) for image in (lit, turned))
    inner = (slice(40, -40), slice(40, -40))
    cosine = (first * second).sum(axis=-1)[inner] / np.maximum(
        np.linalg.norm(first, axis=-1) * np.linalg.norm(second, axis=-1), 1e-9
    )[inner]
    assert np.median(cosine) > 0.99


def test_half_the_light_leaves_the_edges_as_they_were():
    # Linear light is the display value to the power of 2.2 (IEC 61966-2-1, its approximation).
    bright = stripes(60, low=120, high=220)
    dim = np.round(255 * ((bright / 255.0) ** 2.2 / 2) ** (1 / 2.2)).astype(np.uint8)
    first, second = (edge_strength(image)[20:-20, 20:-20] for image in (bright, dim))
    assert np.abs(first - second).mean() < 0.05 * first.mean()


def test_strength_lies_between_0_and_1():
    image = np.random.default_rng(3).integers(0, 256, (90, 120), dtype=np.uint8)
    strength = edge_strength(image)
    assert strength.max() < 1
    assert strength.max() > 0.5


@pytest.mark.parametrize("value", [0, 127, 255])
def test_a_flat_picture_has_no_edges(value):
    assert edge_strength(np.full((40, 50), value, np.uint8)).max() < 1e-3  # rounding


def test_one_pixel_has_no_edges():
    assert orientation_field(np.full((1, 1), 90, np.uint8), px_per_mm=4.0, scale_mm=0.5).tolist() == [[[0.0, 0.0]]]

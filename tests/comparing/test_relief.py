import cv2
import numpy as np
import pytest

from inspector.aligning.structure import orientation_field
from inspector.comparing.relief import mismatch, normal_mismatch

PX_PER_MM = 3.0
SHAPE = (160, 220)


def height(*, chip=False):
    """A field of ribs; with a chip, a bowl of 5 mm taken out of its middle."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]] / PX_PER_MM
    ribs = 1.5 * np.sin(2 * np.pi * (x + 0.3 * y) / 7)
    if chip:
        bowl = np.clip(1 - np.hypot(x - 36, y - 27) ** 2 / 5.0**2, 0, 1)
        ribs = np.where(bowl > 0, -4 * bowl + 0.4 * np.sin(3 * y), ribs)
    return ribs


def lit(relief, lamp=(-0.5, -0.4, 0.75), *, seed=0, shift_px=(0, 0)):
    """Edges of a matt surface under one lamp, from a noisy photo of it."""
    gy, gx = np.gradient(relief * PX_PER_MM)
    light = np.clip((-gx * lamp[0] - gy * lamp[1] + lamp[2]) / np.sqrt(gx**2 + gy**2 + 1), 0.03, None)
    light = np.roll(light, shift_px, axis=(0, 1))
    photo = 220 * (0.5 * light + 0.15) ** (1 / 2.2) + np.random.default_rng(seed).normal(0, 1.5, SHAPE)
    return orientation_field(np.clip(photo, 0, 255).astype(np.uint8), px_per_mm=PX_PER_MM, scale_mm=0.5)


INNER = (slice(20, -20), slice(20, -20))
Y, X = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]] / PX_PER_MM
CHIPPED = np.hypot(X - 36, Y - 27) < 4
SOUND = np.hypot(X - 36, Y - 27) > 9


def test_the_same_photo_has_nothing_different():
    field = lit(height())
    assert mismatch(field, field, px_per_mm=PX_PER_MM).max() < 1e-3


def test_a_chip_differs_and_the_rest_does_not():
    found = mismatch(lit(height(chip=True), seed=1), lit(height()), px_per_mm=PX_PER_MM)
    assert found[CHIPPED].mean() > found[INNER][SOUND[INNER]].mean() + 0.3
    assert np.percentile(found[INNER][SOUND[INNER]], 95) < 0.2


def test_a_lamp_on_the_other_side_of_the_ribs_changes_little():
    found = mismatch(lit(height(), (0.5, 0.4, 0.75), seed=1), lit(height()), px_per_mm=PX_PER_MM)
    chip = mismatch(lit(height(chip=True), seed=1), lit(height()), px_per_mm=PX_PER_MM)
    assert found[INNER].mean() < 0.5 * chip[CHIPPED].mean()


@pytest.mark.parametrize("shift_px", [(2, 0), (0, -2), (1, 1)])
def test_being_off_by_half_a_millimetre_is_forgiven(shift_px):
    found = mismatch(lit(height(), shift_px=shift_px), lit(height()), px_per_mm=PX_PER_MM)
    assert np.percentile(found[INNER], 95) < 0.15


def test_flat_places_do_not_differ():
    nothing = np.zeros((*SHAPE, 2), np.float32)
    assert mismatch(nothing, nothing, px_per_mm=PX_PER_MM).max() == 0


def test_relief_where_there_was_none_differs_and_the_other_way_round():
    ribs, nothing = lit(height()), np.zeros((*SHAPE, 2), np.float32)
    assert mismatch(ribs, nothing, px_per_mm=PX_PER_MM)[INNER].mean() > 0.5
    assert mismatch(nothing, ribs, px_per_mm=PX_PER_MM)[INNER].mean() > 0.5


def test_mismatch_lies_between_0_and_1():
    rng = np.random.default_rng(5)
    fields = rng.normal(0, 0.5, (2, 40, 50, 2)).astype(np.float32)
    found = mismatch(fields[0], fields[1], px_per_mm=PX_PER_MM)
    assert found.min() >= 0
    assert found.max() <= 1


def test_one_reference_alone_allows_what_it_is_told():
    assert np.all(normal_mismatch([lit(height())], px_per_mm=PX_PER_MM, alone=0.35) == np.float32(0.35))


def test_references_that_agree_allow_little():
    fields = [lit(height(), seed=seed) for seed in range(3)]
    assert np.percentile(normal_mismatch(fields, px_per_mm=PX_PER_MM, alone=0.35)[INNER], 95) < 0.15


def test_what_good_pieces_differ_in_is_allowed():
    # Three references, one without the ribs in a corner: there anything goes, elsewhere nothing.
    smooth = height()
    smooth[:60, :80] = 0
    fields = [lit(height()), lit(height(), seed=1), lit(cv2.GaussianBlur(smooth, (0, 0), 1), seed=2)]
    allowed = normal_mismatch(fields, px_per_mm=PX_PER_MM, alone=0.35)
    assert allowed[15:45, 15:65].mean() > 0.3
    assert allowed[100:140, 120:200].mean() < 0.2

"""Recognising drawn leaves: lobes differ in number and place from one to the next."""

from dataclasses import replace

import numpy as np
import pytest

from inspector.imaging.reading import Photo
from inspector.inspection import prepare_reference
from inspector.inspection.recognising import KnownSide, make_signature, recognise_photo, sign_reference
from tests.drawn_scenes import Shot, break_off, leaf, photograph

SHOT = Shot(px_per_mm=3.0, speckle=True, ambient=0.55, camera_mm=(4.0, -6.0, 460.0))
ANOTHER = replace(
    SHOT, camera_mm=(8.0, 4.0, 470.0), lamp=(-0.5, -0.5, 0.8), piece_turn_deg=-70, piece_xy_mm=(5.0, 3.0), seed=4
)
LEAVES = (0, 1, 2)


def photo(piece, shot=ANOTHER):
    return Photo("p.jpg", photograph(piece, shot).image_bgr, None, None)


def known_as(mold, seed, *, view="front"):
    reference = prepare_reference(photo(leaf(seed=seed, grain_seed=10 + seed), SHOT))
    return KnownSide(mold, view, (sign_reference(reference),))


@pytest.fixture(scope="module")
def known():
    return [known_as(f"leaf-{seed}", seed) for seed in LEAVES]


@pytest.fixture(scope="module")
def leaf_1():
    return photo(leaf(seed=1, grain_seed=50))


@pytest.fixture(scope="module")
def leaf_2():
    return photo(leaf(seed=2, grain_seed=50))


@pytest.mark.parametrize("seed", [1, 2])
def test_a_turned_leaf_in_another_light_is_recognised(known, leaf_1, leaf_2, seed):
    found = recognise_photo({1: leaf_1, 2: leaf_2}[seed], known)
    assert (found.mold, found.view) == (f"leaf-{seed}", "front")
    assert found.unusable is None
    assert found.contenders[0].mold == found.mold
    assert len(found.contenders) == len(LEAVES)


def test_without_a_mat_it_is_recognised_as_well(known):
    found = recognise_photo(photo(leaf(seed=1, grain_seed=50), replace(ANOTHER, mat=False)), known)
    assert found.mold == "leaf-1"


def test_a_leaf_with_a_lobe_broken_off_is_still_that_leaf(known):
    found = recognise_photo(photo(break_off(leaf(seed=2, grain_seed=50), (60.0, -8.0), 12.0)), known)
    assert found.mold == "leaf-2"


def test_an_unknown_leaf_is_not_named(known, leaf_2):
    found = recognise_photo(leaf_2, known[:2])
    assert found.mold is None
    assert {contender.mold for contender in found.contenders} == {"leaf-0", "leaf-1"}


def test_two_molds_of_the_same_shape_are_not_guessed_between(known, leaf_1):
    twin = KnownSide("twin", "front", known[1].signatures)
    found = recognise_photo(leaf_1, [*known, twin])
    assert found.mold is None
    assert {contender.mold for contender in found.contenders[:2]} == {"leaf-1", "twin"}


def test_two_like_sides_of_one_mold_leave_the_side_open(known, leaf_1):
    other_side = KnownSide("leaf-1", "back", known[1].signatures)
    found = recognise_photo(leaf_1, [*known, other_side])
    assert (found.mold, found.view) == ("leaf-1", None)


def test_a_photo_without_a_piece_is_not_named_and_says_why(known):
    found = recognise_photo(Photo("p.jpg", np.full((480, 640, 3), 5, np.uint8), None, None), known)
    assert (found.mold, found.contenders) == (None, ())
    assert "too dark" in found.unusable


def test_where_no_mold_is_known_none_is_named(leaf_1):
    assert recognise_photo(leaf_1, []).mold is None


def test_a_signature_is_its_two_pictures(known):
    kept = known[0].signatures[0]
    again = make_signature(kept.gray, kept.mask, on_mat=kept.on_mat)
    assert again.edges == pytest.approx(kept.edges, abs=1e-3)
    assert again.area_px == kept.area_px

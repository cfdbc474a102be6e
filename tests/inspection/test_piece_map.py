"""What was learned of piece and mat, on photos that are drawn here in a way it never saw."""

import json

import cv2
import numpy as np
import pytest

from inspector.imaging.reading import read_photo
from inspector.imaging.rectifying import frame_without_mat
from inspector.imaging.segmenting import segment_piece, surface_cues
from inspector.inspection import view
from inspector.inspection.networks import PIECE_FINDER
from inspector.inspection.piece_map import find_piece
from inspector.inspection.view import look_at
from tests.benchmarks.framed_pieces import true_piece
from tests.drawn_scenes import Shot, leaf, photograph
from tests.framed_scenes import PX_PER_MM, framed
from tests.inspection.test_inspecting import photo
from tests.inspection.test_sample_photos import ROOT

SAMPLES = ROOT / "sample_images"

SHOTS = {
    "plain mat": Shot(px_per_mm=3.0),
    "speckled mat": Shot(px_per_mm=3.0, speckle=True),
    "grey mat, light from the side": Shot(px_per_mm=3.0, mat_albedo=0.55, lamp=(0.7, -0.5, 0.7)),
    "dim light": Shot(px_per_mm=3.0, exposure=0.35, noise=2.5),
    "no mat": Shot(px_per_mm=3.0, mat=False),
}


def overlap(found, truth):
    return np.count_nonzero((found > 127) & (truth > 127)) / np.count_nonzero((found > 127) | (truth > 127))


@pytest.mark.parametrize("shot", SHOTS)
def test_on_drawn_photos_the_piece_is_told_as_well_as_by_the_cues(shot):
    cues, truth = framed(photograph(leaf(seed=1), SHOTS[shot]))
    learned = overlap(find_piece(cues, PIECE_FINDER, px_per_mm=PX_PER_MM), truth)
    # Without any light in it, a shadow cannot be told from dark concrete by either.
    assert learned > (0.95 if shot == "speckled mat" else 0.7)
    assert learned > overlap(segment_piece(cues, px_per_mm=PX_PER_MM), truth) - 0.02


@pytest.mark.parametrize("name", ["wading-bird-09", "petal-finial-12", "oak-leaf-04"])
def test_in_hard_light_the_shadow_is_left_out(name):
    """Against the generator's own silhouettes."""
    (truth,) = [row for row in json.loads((SAMPLES / "truth.json").read_text()) if row["photo"] == f"{name}.jpg"]
    shown = look_at(read_photo((SAMPLES / f"{name}.jpg").read_bytes(), name=name))
    piece = true_piece(truth, shown.frame, shown.mask.shape)
    by_cues = segment_piece(shown.cues, px_per_mm=PX_PER_MM)
    assert overlap(by_cues, piece) < 0.87
    assert overlap(shown.mask, piece) > 0.91  # a silhouette without its openings, as between the legs of the bird


def test_a_narrow_photo_is_answered_too():
    frame = frame_without_mat((1600, 120), px_per_mm=PX_PER_MM)
    cues = surface_cues(np.full((*frame.size_px[::-1], 3), 150, np.uint8), frame)
    assert find_piece(cues, PIECE_FINDER, px_per_mm=PX_PER_MM) is None


@pytest.mark.parametrize("speckle", [False, True])
def test_on_an_empty_mat_there_is_none(speckle):
    beside = Shot(px_per_mm=3.0, speckle=speckle, piece_xy_mm=(900.0, 0.0))
    cues, truth = framed(photograph(leaf(seed=1), beside))
    assert not truth.any()
    assert find_piece(cues, PIECE_FINDER, px_per_mm=PX_PER_MM) is None


def test_references_and_photos_without_a_mat_are_looked_at_so(monkeypatch):
    monkeypatch.setattr(view, "find_piece", lambda cues, *_, **__: np.full(cues.tone.shape, 7, dtype=np.uint8))

    def learned(shot, **how):
        return bool((look_at(photo(photograph(leaf(seed=1), shot).image_bgr), **how).mask == 7).all())

    assert learned(SHOTS["plain mat"])
    assert not learned(SHOTS["plain mat"], thorough=False)
    assert learned(SHOTS["no mat"], thorough=False)
    monkeypatch.setattr(view, "PIECE_FINDER", None)
    assert not learned(SHOTS["no mat"], thorough=False)


def test_where_nothing_is_learned_of_a_photo_its_cues_tell(monkeypatch):
    scene = photograph(leaf(seed=1), SHOTS["speckled mat"])
    monkeypatch.setattr(view, "find_piece", lambda *_, **__: None)
    seen = look_at(photo(scene.image_bgr))
    assert cv2.countNonZero(seen.mask) > 0
    assert np.array_equal(seen.mask, segment_piece(seen.cues, px_per_mm=PX_PER_MM))

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation
from skimage.transform import EuclideanTransform, SimilarityTransform

from inspector.aligning.plane_move import find_plane_moves

PX_PER_MM = 2.0
SHAPE = (260, 320)


def drawn_piece():
    """A lopsided piece (silhouette) with ribs on it (edges), 2 px a mm."""
    mask = np.zeros(SHAPE, np.uint8)
    cv2.ellipse(mask, (150, 130), (75, 40), 20, 0, 360, 255, -1, cv2.LINE_AA)
    cv2.circle(mask, (215, 120), 26, 255, -1, cv2.LINE_AA)
    cv2.line(mask, (100, 120), (70, 70), 255, 14, cv2.LINE_AA)
    edges = np.zeros(SHAPE, np.float32)
    for start, end in (((100, 130), (190, 140)), ((150, 105), (140, 160)), ((205, 100), (225, 135))):
        cv2.line(edges, start, end, 1.0, 2, cv2.LINE_AA)
    outline = cv2.morphologyEx(mask, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)).astype(np.float32) / 255
    return mask, np.maximum(edges, outline)


def moved(image, move, size=SHAPE[::-1]):
    return cv2.warpAffine(image, move.params[:2], size, flags=cv2.INTER_LINEAR)


def error_mm(found, truth, mask):
    """Largest distance between two moves over the piece."""
    rows, columns = np.nonzero(mask > 127)
    points = np.stack([columns, rows], axis=-1)[::37].astype(float)
    there = cv2.perspectiveTransform(points[None], found)[0]
    return float(np.linalg.norm(there - truth(points), axis=-1).max()) / PX_PER_MM


def about_the_middle(angle_deg, shift_px, scale=1.0):
    """scikit-image's transform of a turn about the piece's middle, then a shift."""
    middle = np.array([150.0, 130.0])
    turn = SimilarityTransform(rotation=np.radians(angle_deg), scale=scale)
    return (
        SimilarityTransform(translation=-middle) + turn + SimilarityTransform(translation=middle + np.array(shift_px))
    )


@settings(max_examples=12, deadline=None, derandomize=True)
@given(angle=st.floats(0, 360), x=st.floats(-40, 40), y=st.floats(-30, 30))
def test_aligning_undoes_any_move(angle, x, y):
    mask, edges = drawn_piece()
    truth = about_the_middle(angle, (x, y))
    found = find_plane_moves(mask, edges, moved(mask, truth), moved(edges, truth), px_per_mm=PX_PER_MM)[0]
    # One degree is the step of the search: over a piece of 90 mm that is 0.4 mm at the tip; the warp does the rest.
    assert error_mm(found.photo_from_reference, truth, mask) < 1.2
    assert abs((found.angle_deg - angle + 180) % 360 - 180) <= 1.5
    assert found.overlap > 0.9


def test_a_shift_agrees_with_scikit_images_phase_correlation():
    mask, edges = drawn_piece()
    there = moved(mask, EuclideanTransform(translation=(23, -17)))
    shift_rc, *_ = phase_cross_correlation(there.astype(float), mask.astype(float))
    found = find_plane_moves(
        mask, edges, there, moved(edges, EuclideanTransform(translation=(23, -17))), px_per_mm=PX_PER_MM
    )
    assert found[0].photo_from_reference[:2, 2] == pytest.approx(shift_rc[::-1], abs=1.0)
    assert found[0].angle_deg == 0


def test_a_missing_tip_does_not_turn_the_piece():
    mask, edges = drawn_piece()
    broken, torn = mask.copy(), edges.copy()
    broken[:112, :112] = torn[:112, :112] = 0  # the arm is gone
    truth = about_the_middle(40, (10, 5))
    found = find_plane_moves(mask, edges, moved(broken, truth), moved(torn, truth), px_per_mm=PX_PER_MM)[0]
    assert error_mm(found.photo_from_reference, truth, mask) < 1.2


def test_ribs_tell_how_a_round_piece_is_turned():
    mask, edges = np.zeros(SHAPE, np.uint8), np.zeros(SHAPE, np.float32)
    cv2.circle(mask, (150, 130), 60, 255, -1)
    for tip in ((205, 130), (150, 80), (115, 165)):
        cv2.line(edges, (150, 130), tip, 1.0, 3, cv2.LINE_AA)
    truth = about_the_middle(100, (0, 0))
    found = find_plane_moves(mask, edges, moved(mask, truth), moved(edges, truth), px_per_mm=PX_PER_MM)[0]
    assert found.angle_deg == pytest.approx(100, abs=1)
    assert found.overlap > 0.95


def test_the_size_may_differ_where_there_is_no_mat():
    mask, edges = drawn_piece()
    truth = about_the_middle(70, (4, -6), scale=0.8)
    there = moved(mask, truth), moved(edges, truth)
    found = find_plane_moves(mask, edges, *there, px_per_mm=PX_PER_MM, scale=0.8)[0]
    assert error_mm(found.photo_from_reference, truth, mask) < 1.2


def test_moves_come_best_first_and_no_more_than_asked_for():
    mask, edges = drawn_piece()
    moves = find_plane_moves(mask, edges, mask, edges, px_per_mm=PX_PER_MM, count=2)
    assert len(moves) == 2
    assert moves[0].score >= moves[1].score
    assert moves[0].angle_deg == pytest.approx(0, abs=1)


@pytest.mark.parametrize("empty", ["reference", "photo"])
def test_no_piece_no_move(empty):
    mask, edges = drawn_piece()
    nothing = np.zeros_like(mask)
    pair = (nothing, edges, mask, edges) if empty == "reference" else (mask, edges, nothing, edges)
    assert find_plane_moves(*pair, px_per_mm=PX_PER_MM) == ()


def test_one_pixel_is_a_piece_too():
    one = np.full((1, 1), 255, np.uint8)
    edges = np.zeros((1, 1), np.float32)
    assert find_plane_moves(one, edges, one, edges, px_per_mm=PX_PER_MM)

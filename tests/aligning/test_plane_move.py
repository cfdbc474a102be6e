import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation
from skimage.transform import EuclideanTransform, SimilarityTransform

from inspector.aligning.plane_move import find_plane_moves
from inspector.aligning.structure import orientation_field

PX_PER_MM = 2.0
SHAPE = (260, 320)


def drawn_piece():
    """A lopsided piece (silhouette) with ribs on it (gray picture), 2 px a mm."""
    mask = np.zeros(SHAPE, np.uint8)
    cv2.ellipse(mask, (150, 130), (75, 40), 20, 0, 360, 255, -1, cv2.LINE_AA)
    cv2.circle(mask, (215, 120), 26, 255, -1, cv2.LINE_AA)
    cv2.line(mask, (100, 120), (70, 70), 255, 14, cv2.LINE_AA)
    picture = np.where(mask > 127, 120, 210).astype(np.uint8)
    for start, end in (((100, 130), (190, 140)), ((150, 105), (140, 160)), ((205, 100), (225, 135))):
        cv2.line(picture, start, end, 70, 3, cv2.LINE_AA)
    return mask, picture


def edges_of(picture):
    return orientation_field(picture, px_per_mm=PX_PER_MM, scale_mm=0.5)


def moves_between(reference, photo, **options):
    """Moves from a silhouette and picture to others."""
    return find_plane_moves(
        reference[0], edges_of(reference[1]), photo[0], edges_of(photo[1]), px_per_mm=PX_PER_MM, **options
    )


def moved(piece, move):
    """Silhouette and picture elsewhere, by scikit-image's transform."""
    place = move.params[:2]
    return tuple(
        cv2.warpAffine(image, place, SHAPE[::-1], flags=cv2.INTER_LINEAR, borderValue=beyond)
        for image, beyond in zip(piece, (0, 210), strict=True)
    )


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
    piece = drawn_piece()
    truth = about_the_middle(angle, (x, y))
    found = moves_between(piece, moved(piece, truth))[0]
    # The search turns in steps of a degree or two: over a piece of 90 mm that is 1 mm at the tip; the warp goes on.
    assert error_mm(found.photo_from_reference, truth, piece[0]) < 1.6
    assert abs((found.angle_deg - angle + 180) % 360 - 180) <= 2
    assert found.overlap > 0.85


def test_a_shift_agrees_with_scikit_images_phase_correlation():
    piece = drawn_piece()
    there = moved(piece, EuclideanTransform(translation=(23, -17)))
    shift_rc, *_ = phase_cross_correlation(there[0].astype(float), piece[0].astype(float))
    found = moves_between(piece, there)[0]
    assert found.photo_from_reference[:2, 2] == pytest.approx(shift_rc[::-1], abs=1.5)
    assert found.angle_deg == 0


def test_a_missing_tip_does_not_turn_the_piece():
    piece = drawn_piece()
    torn = [image.copy() for image in piece]
    torn[0][:112, :112] = 0  # the arm is gone
    torn[1][:112, :112] = 210
    truth = about_the_middle(40, (10, 5))
    found = moves_between(piece, moved(torn, truth))[0]
    assert error_mm(found.photo_from_reference, truth, piece[0]) < 1.6


def test_ribs_tell_how_a_round_piece_is_turned():
    mask, picture = np.zeros(SHAPE, np.uint8), np.full(SHAPE, 210, np.uint8)
    cv2.circle(mask, (150, 130), 60, 255, -1)
    cv2.circle(picture, (150, 130), 60, 120, -1)
    for tip in ((205, 130), (150, 80), (115, 165)):
        cv2.line(picture, (150, 130), tip, 60, 3, cv2.LINE_AA)
    found = moves_between((mask, picture), moved((mask, picture), about_the_middle(100, (0, 0))))[0]
    assert found.angle_deg == pytest.approx(100, abs=2)
    assert found.overlap > 0.95


def test_the_size_may_differ_where_there_is_no_mat():
    piece = drawn_piece()
    truth = about_the_middle(70, (4, -6), scale=0.8)
    found = moves_between(piece, moved(piece, truth), scale=0.8)[0]
    assert error_mm(found.photo_from_reference, truth, piece[0]) < 1.6


def test_a_piece_that_looks_alike_upside_down_may_lie_either_way():
    mask, picture = np.zeros(SHAPE, np.uint8), np.full(SHAPE, 210, np.uint8)
    cv2.rectangle(mask, (90, 100), (210, 160), 255, -1)
    picture[mask > 0] = 120
    moves = moves_between((mask, picture), (mask, picture), count=2)
    assert sorted(round(move.angle_deg / 10) * 10 % 360 for move in moves) == [0, 180]
    assert moves[0].score >= moves[1].score


def test_a_clear_move_stands_alone():
    piece = drawn_piece()
    (move,) = moves_between(piece, piece, count=2)
    assert move.angle_deg == pytest.approx(0, abs=1.5)


@pytest.mark.parametrize("empty", ["reference", "photo"])
def test_no_piece_no_move(empty):
    piece = drawn_piece()
    nothing = (np.zeros_like(piece[0]), piece[1])
    assert moves_between(*((nothing, piece) if empty == "reference" else (piece, nothing))) == ()


def test_one_pixel_is_a_piece_too():
    one = (np.full((1, 1), 255, np.uint8), np.full((1, 1), 90, np.uint8))
    assert moves_between(one, one)


def test_a_fan_of_ribs_is_also_tried_a_rib_further():
    # A shell looks nearly the same turned by a rib: which turn is right, its surface tells later, if it is asked.
    mask = np.zeros(SHAPE, np.uint8)
    cv2.ellipse(mask, (160, 200), (130, 130), 0, 200, 340, 255, -1, cv2.LINE_AA)
    picture = np.where(mask > 127, 120, 210).astype(np.uint8)
    for turn in np.radians(np.arange(203.0, 340.0, 6.5)):
        along = np.array([np.cos(turn), np.sin(turn)])
        ends = (np.array([160, 200]) + reach * along for reach in (20, 125))
        cv2.line(picture, *(tuple(int(v) for v in end) for end in ends), 70, 2, cv2.LINE_AA)
    shell = (mask, picture)
    there = moved(shell, about_the_middle(3.0, (4, -3)))
    found = [(move.angle_deg + 180) % 360 - 180 for move in moves_between(shell, there)]
    assert found[0] == pytest.approx(3.0, abs=2)
    assert any(abs(abs(angle - 3.0) - 6.5) < 2.5 for angle in found[1:])

import cv2
import numpy as np
import pytest
from skimage import data
from skimage.registration import optical_flow_tvl1
from skimage.transform import ProjectiveTransform, warp

from inspector.aligning.likeness import likeness_features
from inspector.aligning.parallax import Eye, shift_by_height
from inspector.aligning.warp import Sighted, estimate_heights, moved_rigidly, refine_warp
from inspector.inspection.networks import SURFACE_MATCHER
from tests.drawn_scenes import Shot, break_off, leaf, photograph

PX_PER_MM = 4.0
SHAPE = (360, 440)


@pytest.fixture(scope="module")
def wall():
    """A photo of a brick wall and a piece's outline on it."""
    picture = data.brick()[:360, :440]
    mask = np.zeros(SHAPE, np.uint8)
    cv2.ellipse(mask, (220, 180), (150, 110), 15, 0, 360, 255, -1)
    return picture, mask


def seen_through(picture, photo_from_reference):
    """The picture as another camera sees it, by scikit-image's warp."""
    there = warp(picture, ProjectiveTransform(np.linalg.inv(photo_from_reference)), order=1, mode="reflect")
    return np.round(255 * there).astype(np.uint8)


def places(photo_from_reference=None):
    height, width = SHAPE
    return moved_rigidly((0, 0, width, height), np.eye(3) if photo_from_reference is None else photo_from_reference)


def refined(gray, mask, photo_gray, start_xy, *, eyes=None, heights=None):
    likeness = likeness_features(gray, SURFACE_MATCHER, px_per_mm=PX_PER_MM)
    return refine_warp(
        likeness, mask, photo_gray, start_xy, SURFACE_MATCHER, px_per_mm=PX_PER_MM, eyes=eyes, heights=heights
    )


def heights_from(gray, mask, others):
    likeness = likeness_features(gray, SURFACE_MATCHER, px_per_mm=PX_PER_MM)
    return estimate_heights(likeness, mask, others, SURFACE_MATCHER, px_per_mm=PX_PER_MM)


def errors_mm(photo_xy, truth_xy, mask):
    return np.linalg.norm(photo_xy - truth_xy, axis=-1)[mask > 127] / PX_PER_MM


def test_a_plane_move_maps_every_pixel_of_the_box():
    move = np.array([[0.8, -0.6, 12.0], [0.6, 0.8, -3.0], [0, 0, 1.0]])
    there = moved_rigidly((5, -2, 4, 3), move)
    assert there.shape == (3, 4, 2)
    # Row 1, column 2 of the box is the point (7, -1).
    assert there[1, 2] == pytest.approx([0.8 * 7 + 0.6 + 12, 0.6 * 7 - 0.8 - 3], abs=1e-5)


@pytest.mark.parametrize(
    "photo_from_reference",
    [
        np.array([[1, 0, 7.0], [0, 1, -5.0], [0, 0, 1]]),
        np.array([[1.015, 0.01, -6.0], [-0.012, 0.99, 8.0], [0, 0, 1]]),
        np.array([[1.01, 0.012, -5.0], [-0.01, 1.0, 6.0], [2e-5, -3e-5, 1]]),
    ],
    ids=["shift", "affine", "projective"],
)
def test_a_small_move_is_undone(wall, photo_from_reference):
    picture, mask = wall
    found = refined(picture, mask, seen_through(picture, photo_from_reference), places())
    error = errors_mm(found.photo_xy, places(photo_from_reference), mask)
    assert np.median(error) < 0.2
    assert np.percentile(error, 95) < 0.4
    assert found.agreement > 0.8


def test_a_smooth_bend_agrees_with_scikit_images_optical_flow(wall):
    # Reference implementation: TV-L1 optical flow of scikit-image (Zach, Pock and Bischof 2007).
    picture, mask = wall
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(np.float32)
    bend_x, bend_y = 3 * np.sin(y / 90), 2.5 * np.cos(x / 110)
    bent = cv2.remap(picture, x - bend_x, y - bend_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    flow_rc = optical_flow_tvl1(picture / np.float32(255), bent / np.float32(255), num_warp=6)
    reference = np.dstack([x + flow_rc[1], y + flow_rc[0]])
    found = refined(picture, mask, bent, places()).photo_xy
    assert np.median(errors_mm(found, reference, mask)) < 0.25  # a pixel
    assert np.percentile(errors_mm(found, reference, mask), 90) < 0.5


@pytest.mark.parametrize("nearest_px", [10, 40])
def test_a_published_stereo_pair_is_brought_nearer(nearest_px):
    # Middlebury 2014 "Motorcycle", left and right photo with measured disparity (Scharstein et al. 2014), as carried
    # by scikit-image. Its steps in depth are sharper than the warp may follow; rows match, since it is rectified.
    left, right, disparity_px = data.stereo_motorcycle()
    known = np.isfinite(disparity_px) & (disparity_px > nearest_px) & (disparity_px < nearest_px + 20)
    mask = cv2.morphologyEx(known.astype(np.uint8) * 255, cv2.MORPH_OPEN, np.ones((9, 9)))
    typical_px = float(np.median(disparity_px[known]))
    height, width = mask.shape
    start = moved_rigidly((0, 0, width, height), np.array([[1, 0, -typical_px], [0, 1, 0], [0, 0, 1.0]]))
    gray = [cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) for image in (left, right)]
    found = refined(gray[0], mask, gray[1], start).photo_xy
    seen = (mask > 0) & known
    before_px = np.abs(typical_px - disparity_px)[seen]
    after_px = np.abs(np.arange(width)[None, :] - found[..., 0] - disparity_px)[seen]
    assert np.median(after_px) < 0.6 * np.median(before_px)
    assert np.percentile(np.abs(found[..., 1] - np.arange(height)[:, None])[seen], 90) < 0.75


def test_other_light_moves_nothing(wall):
    picture, mask = wall
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    lit = np.clip(picture * (0.5 + 0.6 * x / SHAPE[1]) + 10 * np.sin(y / 60), 0, 255).astype(np.uint8)
    found = refined(picture, mask, lit, places())
    assert np.percentile(errors_mm(found.photo_xy, places(), mask), 95) < 0.15


def test_a_photo_of_something_else_does_not_agree(wall):
    picture, mask = wall
    other = data.grass()[:360, :440]
    same = refined(picture, mask, picture, places())
    strange = refined(picture, mask, other, places())
    assert strange.agreement < 0.6 * same.agreement


@pytest.mark.parametrize("value", [0, 128])
def test_a_flat_photo_leaves_the_start_as_it_was(wall, value):
    picture, mask = wall
    found = refined(np.full_like(picture, value), mask, np.full_like(picture, value), places())
    assert np.all(np.isfinite(found.photo_xy))
    assert np.abs(found.photo_xy - places()).max() < 0.5


def test_an_empty_mask_and_one_pixel_leave_the_start_as_it_was(wall):
    picture, mask = wall
    found = refined(picture, np.zeros_like(mask), picture, places())
    assert np.abs(found.photo_xy - places()).max() < 0.5
    one = np.full((1, 1), 90, np.uint8)
    start = moved_rigidly((0, 0, 1, 1), np.eye(3))
    assert np.array_equal(refined(one, one, one, start).photo_xy, start)


@pytest.fixture(scope="module")
def scenes():
    """A leaf seen from straight above, and from a little to the side: whole, and with its right tip broken off.

    All as seen on the mat, at 4 px a mm: gray photo, silhouette, and where each place of the leaf is.
    """
    piece = leaf(seed=2)
    above = Shot(px_per_mm=PX_PER_MM, noise=1.0, camera_mm=ABOVE_MM)
    aside = Shot(px_per_mm=PX_PER_MM, noise=1.0, camera_mm=ASIDE_MM, lamp=(-0.3, -0.5, 0.8), seed=1)
    broken = break_off(piece, TIP_XY_MM, TIP_RADIUS_MM)
    return [on_the_mat(photograph(*pair)) for pair in ((piece, above), (piece, aside), (broken, aside))]


ABOVE_MM, ASIDE_MM = (0.0, 0.0, 460.0), (25.0, -10.0, 440.0)
# The rightmost lobe of the leaf, in its own mm.
TIP_XY_MM = (60.0, -8.0)
TIP_RADIUS_MM = 14.0


def on_the_mat(scene):
    mat_from_frame = np.array([[1, 0, -370.0], [0, 1, -250.0], [0, 0, PX_PER_MM]])
    photo_from_frame = scene.photo_from_mat @ mat_from_frame
    gray = cv2.cvtColor(scene.image_bgr, cv2.COLOR_BGR2GRAY)
    return [
        cv2.warpPerspective(image, photo_from_frame, (740, 500), flags=flags | cv2.WARP_INVERSE_MAP)
        for image, flags in (
            (gray, cv2.INTER_LINEAR),
            (scene.piece_mask, cv2.INTER_LINEAR),
            (scene.field_from_photo, cv2.INTER_NEAREST),
        )
    ]


def lost_tip(mask, places_on_leaf):
    """Where the whole leaf, seen from above, has what the broken one lacks."""
    tip = np.array(TIP_XY_MM) * 5.0 + (np.array([850, 600]) - 1) / 2  # the leaf is drawn at 5 px a mm, 170 x 120 mm
    return (mask > 127) & (np.linalg.norm(places_on_leaf - tip, axis=-1) < TIP_RADIUS_MM * 5.0)


EYES = tuple(Eye(370 + PX_PER_MM * x, 250 + PX_PER_MM * y, PX_PER_MM * z) for x, y, z in (ABOVE_MM, ASIDE_MM))


@pytest.mark.parametrize("known", ["nothing", "cameras", "cameras and heights"])
def test_the_warp_does_not_heal_a_broken_off_tip(scenes, known):
    (reference, mask, places_on_leaf), (whole, *_), (broken, broken_silhouette, _) = scenes
    start = moved_rigidly((0, 0, mask.shape[1], mask.shape[0]), np.eye(3))
    eyes = None if known == "nothing" else EYES
    heights = None
    if known == "cameras and heights":
        heights = heights_from(reference, mask, [Sighted(whole, start, EYES)])
        assert heights is not None
    intact, torn = (
        refined(reference, mask, gray, start, eyes=eyes, heights=heights).photo_xy for gray in (whole, broken)
    )
    lost = lost_tip(mask, places_on_leaf)
    assert lost.sum() > 150 * PX_PER_MM**2
    apart_mm = np.linalg.norm(intact - torn, axis=-1)[lost] / PX_PER_MM

    assert np.percentile(apart_mm, 95) < 1.0
    # Seen through the warp, the tip is mat.
    shown = cv2.remap(broken_silhouette, torn, None, cv2.INTER_LINEAR)
    assert np.mean(shown[lost] > 127) < 0.1


def off_mm(photo_xy, mask, here, there):
    """How far from its own place on the leaf each pixel of the reference is carried."""
    carried = cv2.remap(there, photo_xy, None, cv2.INTER_NEAREST, borderValue=(-1, -1))
    both = (mask > 127) & (carried[..., 0] >= 0) & (here[..., 0] >= 0)
    return np.linalg.norm(carried - here, axis=-1)[both] / 5.0


def test_the_warp_follows_the_parallax_of_the_whole_leaf(scenes):
    (reference, mask, here), (whole, _, there), _ = scenes
    start = moved_rigidly((0, 0, mask.shape[1], mask.shape[0]), np.eye(3))
    found = refined(reference, mask, whole, start).photo_xy
    before, after = (off_mm(carried_to, mask, here, there) for carried_to in (start, found))

    assert np.median(after) < 0.4
    assert np.percentile(after, 90) < np.percentile(before, 90)


def test_known_cameras_leave_only_the_heights_open(scenes):
    (reference, mask, here), (whole, _, there), _ = scenes
    start = moved_rigidly((0, 0, mask.shape[1], mask.shape[0]), np.eye(3))
    free, held = (
        off_mm(refined(reference, mask, whole, start, eyes=known).photo_xy, mask, here, there) for known in (None, EYES)
    )
    assert np.median(held) < 0.3
    assert np.percentile(held, 95) < np.percentile(free, 95)


OVER_THE_WALL = Eye(220.0, 180.0, 1800.0)
BESIDE_THE_WALL = (Eye(620.0, 80.0, 1700.0), Eye(60.0, 560.0, 1900.0))


def over_a_hill(picture, eye):
    """The wall bent over a hill of 14 mm as a camera elsewhere sees it, and the hill."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(np.float32)
    hill_mm = 14 * np.exp(-(((x - 240) / 70) ** 2 + ((y - 170) / 60) ** 2))
    shift_px = PX_PER_MM * hill_mm[..., None] * shift_by_height(OVER_THE_WALL, eye, np.dstack([x, y]))
    # Where a pixel of the other photo comes from: the shift is gentle, and a few rounds find its way back.
    back = np.zeros_like(shift_px)
    for _ in range(20):
        back = cv2.remap(shift_px, x - back[..., 0], y - back[..., 1], cv2.INTER_LINEAR)
    there = cv2.remap(picture, x - back[..., 0], y - back[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return there, hill_mm, np.dstack([x, y]) + shift_px


def heights_seen_from_both_sides(picture, mask):
    seen = [(over_a_hill(picture, eye)[0], eye) for eye in BESIDE_THE_WALL]
    return heights_from(picture, mask, [Sighted(gray, places(), (OVER_THE_WALL, eye)) for gray, eye in seen])


def test_photos_from_several_sides_tell_the_heights(wall):
    picture, mask = wall
    found = heights_seen_from_both_sides(picture, mask)
    on = mask[::2, ::2] > 127
    hill_mm = over_a_hill(picture, BESIDE_THE_WALL[0])[1][::2, ::2]
    # But for a constant and a slope, which the votes take.
    y, x = np.nonzero(on)
    plane = np.column_stack([x, y, np.ones(len(x))])
    apart = (found.mm - hill_mm)[on]
    apart = apart - plane @ np.linalg.lstsq(plane, apart, rcond=None)[0]
    assert np.std(apart) < 1.2
    assert np.std(hill_mm[on]) > 3.5


def test_heights_are_held_more_firmly_the_farther_apart_the_cameras_stood(wall):
    picture, mask = wall
    near = Eye(240.0, 180.0, 1800.0)
    firm, loose = (
        heights_from(picture, mask, [Sighted(over_a_hill(picture, eye)[0], places(), (OVER_THE_WALL, eye))]).cost
        for eye in (BESIDE_THE_WALL[0], near)
    )
    assert firm > 5 * loose


def test_known_heights_bring_a_poor_photo_nearer(wall):
    picture, mask = wall
    heights = heights_seen_from_both_sides(picture, mask)
    eye = Eye(-200.0, 60.0, 1800.0)
    sharp, _, truth = over_a_hill(picture, eye)
    rng = np.random.default_rng(0)
    poor = cv2.GaussianBlur(sharp, (0, 0), 5) + rng.normal(0, 14, SHAPE)
    poor = np.clip(poor, 0, 255).astype(np.uint8)
    without, held = (
        errors_mm(refined(picture, mask, poor, places(), eyes=(OVER_THE_WALL, eye), heights=h).photo_xy, truth, mask)
        for h in (None, heights)
    )
    assert np.percentile(held, 95) < 0.8 * np.percentile(without, 95)


def test_known_heights_lean_one_way_where_the_camera_is_not_known(wall):
    picture, mask = wall
    heights = heights_seen_from_both_sides(picture, mask)
    there, _, truth = over_a_hill(picture, Eye(-200.0, 60.0, 1800.0))
    without, held = (
        errors_mm(refined(picture, mask, there, places(), heights=h).photo_xy, truth, mask) for h in (None, heights)
    )
    assert np.median(held) < np.median(without)


def test_a_flat_photo_tells_no_heights(wall):
    picture, mask = wall
    flat = np.full_like(picture, 128)
    assert heights_from(flat, mask, [Sighted(flat, places(), (OVER_THE_WALL, BESIDE_THE_WALL[0]))]) is None

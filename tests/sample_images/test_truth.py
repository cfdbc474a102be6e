"""Whether the ground truth of the sample photos agrees with the photos, and with itself."""

import json
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from shapely import Polygon

REPOSITORY = Path(__file__).resolve().parents[2]
SAMPLES = REPOSITORY / "sample_images"
TRUTHS = json.loads((SAMPLES / "truth.json").read_text())
USABLE = [truth for truth in TRUTHS if "unusable" not in truth]
ON_MAT = [truth for truth in USABLE if truth["mat"] != "none"]

# The photo mat's layout: id by corner, clockwise from the top left, as its definition says.
MARKER_AT_MM = {10: (-130, -90), 11: (130, -90), 12: (130, 90), 13: (-130, 90)}


def test_the_samples_are_many_and_a_third_of_them_good():
    assert len(USABLE) >= 40
    good = sum(truth["good"] for truth in USABLE)
    assert good / len(USABLE) == pytest.approx(1 / 3, abs=0.03)
    assert len({truth["mold"] for truth in USABLE}) >= 4


def test_every_photo_has_its_truth():
    assert {truth["photo"] for truth in TRUTHS} == {path.name for path in SAMPLES.glob("*.jpg")}


def test_the_images_of_the_repository_stay_under_36_mb():
    folders = (SAMPLES, REPOSITORY / "reference_shapes")
    assert sum(path.stat().st_size for folder in folders for path in folder.rglob("*.jpg")) < 36e6


@pytest.mark.parametrize("truth", ON_MAT[::6], ids=lambda truth: truth["photo"])
def test_markers_are_seen_where_the_truth_puts_them(truth):
    # Found by OpenCV's own ArUco detector, independent of the renderer.
    gray = cv2.imread(str(SAMPLES / truth["photo"]), cv2.IMREAD_GRAYSCALE)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), parameters)
    corners, ids, _ = detector.detectMarkers(gray)
    assert ids is not None
    seen = {int(i): c[0] for i, c in zip(ids.ravel(), corners, strict=True)}
    assert set(seen) == set(MARKER_AT_MM)
    square = np.array([(-12, -12), (12, -12), (12, 12), (-12, 12)], float)
    for marker, centre in MARKER_AT_MM.items():
        expected = cv2.perspectiveTransform((square + centre)[None], np.array(truth["photo_from_mat"]))[0]
        # Blur moves all four corners of a marker inwards alike; their mean stays.
        off_px = np.linalg.norm(seen[marker].mean(axis=0) - expected.mean(axis=0))
        assert off_px < 0.25


@pytest.mark.parametrize("truth", TRUTHS, ids=lambda truth: truth["photo"])
def test_sizes_follow_from_the_outlines(truth):
    width, height = truth["camera"]["size_px"]
    outline = Polygon(truth["piece_outline"])
    for defect in truth["defects"]:
        polygon = np.array(defect["polygon"])
        assert (polygon >= -1).all()
        assert (polygon <= [width, height]).all()
        region = Polygon(polygon).buffer(0)
        assert region.distance(outline) < 0.5 * truth["px_per_mm"]
        # The piece stands up to 40 mm nearer to a camera that is 270 mm and more away.
        scale = np.sqrt(region.area / defect["area_mm2"])
        if defect["kind"] != "hairline crack":
            assert 0.97 < scale / truth["px_per_mm"] < 1.25
        hull = np.array(region.convex_hull.exterior.coords)
        longest_px = np.max(np.linalg.norm(hull[:, None] - hull[None], axis=2))
        if defect["kind"] == "hairline crack":
            assert 0.08 <= defect["width_mm"] <= 0.9
            assert defect["length_mm"] >= 0.99 * defect["extent_mm"]
            path = np.array(defect["path"])
            assert np.mean([region.buffer(1.0).contains(point) for point in _points(path)]) > 0.95
        else:
            assert longest_px / defect["extent_mm"] / truth["px_per_mm"] == pytest.approx(1.1, abs=0.15)


def test_good_pieces_have_no_defects_and_the_others_have():
    for truth in USABLE:
        assert truth["good"] == (not truth["defects"])


def test_orientation_and_size_are_those_of_the_photo_as_displayed():
    turned = 0
    for truth in TRUTHS:
        with Image.open(SAMPLES / truth["photo"]) as image:
            quarter = image.getexif().get(0x0112, 1) in (5, 6, 7, 8)
            turned += quarter
            stored = image.size[::-1] if quarter else image.size
        assert list(stored) == truth["camera"]["size_px"]
    assert turned > 0  # phones store turned photos: some samples must be so


@pytest.mark.parametrize("folder", sorted((REPOSITORY / "reference_shapes").iterdir()), ids=lambda folder: folder.name)
def test_a_mold_names_its_photos_and_features(folder):
    mold = tomllib.loads((folder / "mold.toml").read_text())
    assert mold["name"] == folder.name
    photos = [reference["photo"] for reference in mold["references"]]
    assert len(photos) >= 3
    sizes = {}
    for photo in photos:
        with Image.open(folder / photo) as image:
            sizes[photo] = image.size
    assert mold["features"]
    for feature in mold["features"]:
        region = Polygon(feature["polygon"])
        assert region.is_valid
        assert region.area > 200
        left, top, right, bottom = region.bounds
        assert left >= 0
        assert top >= 0
        assert right < sizes[feature["photo"]][0]
        assert bottom < sizes[feature["photo"]][1]


def _points(path):
    from shapely import points

    return points(path)

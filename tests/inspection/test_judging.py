import cv2
import numpy as np
import pytest

from inspector.errors import InputError, PhotoError
from inspector.imaging.reading import Photo
from inspector.inspection import Reference, combine, inspect_photo, prepare_reference
from inspector.inspection.judging import why_unusable
from inspector.inspection.view import look_at
from tests.drawn_scenes import Shot, leaf, photograph

SHOT = Shot(px_per_mm=3.5)


def photo(image_bgr, name="p.jpg"):
    return Photo(name, image_bgr, None, None)


@pytest.fixture(scope="module")
def good():
    return photograph(leaf(seed=1), SHOT).image_bgr


def reason(image_bgr):
    return why_unusable(look_at(photo(image_bgr)))


def test_a_good_photo_will_do(good):
    assert reason(good) is None


def test_a_slightly_soft_photo_will_do(good):
    assert reason(cv2.GaussianBlur(good, (0, 0), 1.2)) is None


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (np.zeros_like, "too dark"),
        (lambda image: np.full_like(image, 255), "burnt out"),
        (lambda image: (image * 0.06).astype(np.uint8), "too dark"),
        (lambda image: np.clip(image.astype(int) * 4, 0, 255).astype(np.uint8), "burnt out"),
        (lambda image: cv2.GaussianBlur(image, (0, 0), 9), "blurred|no piece"),
        (lambda image: image[:, : image.shape[1] // 2], "cut off|no piece"),
        (lambda image: cv2.resize(image, (160, 120)), "only 160 x 120 pixels"),
        (lambda image: image[:1, :1], "only 1 x 1 pixels"),
        (lambda image: np.full_like(image, 128), "no piece"),
    ],
    ids=["black", "white", "dim", "overexposed", "blurred", "cut off", "preview", "one pixel", "even grey"],
)
def test_a_poor_photo_is_refused_with_what_to_do(good, spoil, words):
    told = reason(spoil(good))
    assert told is not None
    assert any(word in told for word in words.split("|")), told
    assert told.endswith(".")
    assert ". " in told  # what is wrong, then what to do


def test_a_poor_reference_is_refused_by_name(good):
    with pytest.raises(PhotoError, match=r"Reference r1\.jpg cannot be used: it is too dark"):
        prepare_reference(photo(np.zeros_like(good), "r1.jpg"))


def test_a_reference_file_that_is_no_photo_is_refused_by_name(tmp_path):
    path = tmp_path / "list.jpg"
    path.write_bytes(b"cement, sand, water")
    with pytest.raises(PhotoError, match=r"list\.jpg"):
        Reference.open(path)


def test_without_a_reference_nothing_can_be_compared(good):
    with pytest.raises(InputError, match=r"no reference to compare with\. Give at least one"):
        combine([])
    with pytest.raises(InputError, match="no reference"):
        inspect_photo(photo(good), [])

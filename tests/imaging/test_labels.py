import cv2
import numpy as np
import pypdfium2
import pytest

from inspector.imaging.labels import find_labels, read_labels
from inspector.workshop.labels import Label, labels_pdf

ADDRESS = "http://192.168.178.23:8417/photograph?mold=wading-bird"


@pytest.fixture(scope="module")
def printed():
    """A printed label: the code is drawn by ReportLab and read by OpenCV, which know nothing of each other."""
    pdf = labels_pdf([Label("Wading bird, long bill", ("Mold", "wading-bird"), ADDRESS)])
    page = pypdfium2.PdfDocument(pdf)[0].render(scale=4).to_numpy()
    page_bgr = np.ascontiguousarray(page[:, :, :3])
    dark = np.argwhere(page_bgr.min(axis=2) < 200)
    (top, left), (bottom, right) = dark.min(axis=0), dark.max(axis=0)
    return page_bgr[top : bottom + 1, left : right + 1]


def photographed(printed, *, turn_deg=0.0, lean=0.0, size=0.5, blur_px=1.0):
    """A photo of 1600 x 1200 px with the label in it, grey around, darker to one side, with noise."""
    height_px, width_px = printed.shape[:2]
    scale = size * 1600 / width_px
    move = np.eye(3)
    move[:2] = cv2.getRotationMatrix2D((width_px / 2, height_px / 2), turn_deg, scale)
    move[:2, 2] += (800 - width_px / 2, 600 - height_px / 2)
    to_middle, leaning = np.eye(3), np.eye(3)
    to_middle[:2, 2] = (800, 600)
    leaning[2, 0] = lean
    photo_from_label = to_middle @ leaning @ np.linalg.inv(to_middle) @ move
    photo = np.full((1200, 1600, 3), 120, np.uint8)
    cv2.warpPerspective(printed, photo_from_label, (1600, 1200), photo, borderMode=cv2.BORDER_TRANSPARENT)
    light = np.linspace(1.0, 0.6, 1600)[None, :, None]
    noise = np.random.default_rng(3).normal(0, 6, photo.shape)
    return np.clip(cv2.GaussianBlur(photo, (0, 0), blur_px) * light + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    "seen",
    [
        {}, {"turn_deg": 90.0}, {"turn_deg": 200.0}, {"lean": 1.5e-4}, {"size": 0.35}, {"size": 0.9, "blur_px": 2.5},
    ],
    ids=str,
)  # fmt: skip
def test_a_printed_label_is_read_at_any_turn_and_somewhat_from_the_side(printed, seen):
    assert find_labels(photographed(printed, **seen)) == (ADDRESS,)


def test_a_splashed_label_is_read(printed):
    photo = photographed(printed)
    rows, columns = np.nonzero(photo.min(axis=2) > 150)
    cv2.circle(photo, (int(columns.min()) + 130, int(rows.mean()) + 20), 22, (70, 80, 90), -1)
    assert find_labels(photo) == (ADDRESS,)


def test_where_no_code_is_none_is_found():
    assert find_labels(np.full((20, 30, 3), 255, np.uint8)) == ()
    assert find_labels(np.random.default_rng(1).integers(0, 255, (300, 400, 3), np.uint8)) == ()


def test_what_is_no_photo_is_refused():
    from inspector.errors import PhotoError

    with pytest.raises(PhotoError):
        read_labels(b"label", name="label.jpg")

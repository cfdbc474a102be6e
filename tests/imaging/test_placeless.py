import io
import struct

import cv2
import numpy as np
import pytest
from PIL import Image, PngImagePlugin

from inspector.imaging.exif import read_exif
from inspector.imaging.placeless import without_place
from inspector.imaging.reading import read_photo

# A place in words that can be found again in the bytes, beside the one in numbers.
PLACE = "52.51627 N 13.37770 E"
XMP = f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><exif:GPSLatitude>{PLACE}</exif:GPSLatitude></x:xmpmeta>'.encode()


def exif_with_place(orientation=6):
    tags = Image.Exif()
    tags[0x0112] = orientation
    tags[0x010E] = PLACE  # ImageDescription
    tags.get_ifd(0x8769).update(
        {0x9003: "2026:05:05 18:30:00", 0x9011: "+02:00", 0xA405: 26, 0x927C: PLACE.encode()}  # MakerNote
    )
    # Exif 3.0, table 15: 1 to 4 are latitude and longitude with their references.
    tags.get_ifd(0x8825).update({1: "N", 2: (52.0, 30.0, 58.6), 3: "E", 4: (13.0, 22.0, 39.7)})
    return tags


def picture(seed=0):
    noise = np.random.default_rng(seed).integers(0, 256, (60, 80, 3), dtype=np.uint8)
    return Image.fromarray(cv2.GaussianBlur(noise, (0, 0), 2.0))


def jpeg(**options):
    file = io.BytesIO()
    picture().save(file, "JPEG", exif=exif_with_place(), xmp=XMP, comment=PLACE.encode(), quality=92, **options)
    return file.getvalue()


def png():
    texts = PngImagePlugin.PngInfo()
    texts.add_itxt("XML:com.adobe.xmp", XMP.decode())
    file = io.BytesIO()
    picture().save(file, "PNG", exif=exif_with_place(), pnginfo=texts)
    return file.getvalue()


@pytest.mark.parametrize(
    "data",
    [jpeg(), jpeg(progressive=True), jpeg(restart_marker_rows=1), jpeg(icc_profile=b"profile" * 30), png()],
    ids=["baseline", "progressive", "with restarts", "with a colour profile", "png"],
)
def test_the_place_is_gone_and_nothing_else(data):
    appended = data + jpeg()  # as phones append previews, with an Exif block of their own
    placeless = without_place(appended)
    assert placeless is not None
    assert PLACE.encode() in data
    assert PLACE.encode() not in placeless
    # Pillow reads tags by itself, independent of ours.
    with Image.open(io.BytesIO(placeless)) as image:
        assert dict(image.getexif().get_ifd(0x8825)) == {}
        assert image.getexif()[0x0112] == 6
        assert image.getexif().get_ifd(0x8769)[0x9011] == "+02:00"
        assert image.info.get("icc_profile") == (b"profile" * 30 if b"ICC_PROFILE" in data else None)
    before, after = read_photo(data, name="before"), read_photo(placeless, name="after")
    np.testing.assert_array_equal(after.image_bgr, before.image_bgr)
    assert after.taken_at == before.taken_at
    assert after.focal_px == before.focal_px


def test_a_photo_that_tells_nothing_stays_readable():
    file = io.BytesIO()
    picture().save(file, "JPEG")
    placeless = without_place(file.getvalue())
    assert read_photo(placeless, name="p").taken_at is None


@pytest.mark.parametrize(
    "data",
    [jpeg()[:-200], jpeg()[:300], b"\xff\xd8\xff\xe1\x00", b"\xff\xd8" + jpeg()[3:], png()[:-30], b"II*\0", b""],
    ids=["cut in the scan", "cut in a segment", "cut in a length", "shifted", "cut png", "tiff", "empty"],
)
def test_what_cannot_be_followed_to_its_end_is_not_handed_on(data):
    assert without_place(data) is None


def test_a_length_that_leads_nowhere_ends():
    assert without_place(b"\xff\xd8\xff\xe1" + struct.pack(">H", 0) + b"\0" * 20) is None


def test_the_samples_have_a_place_to_lose():
    with Image.open(io.BytesIO(jpeg())) as image:
        assert image.getexif().get_ifd(0x8825)[1] == "N"
        assert read_exif(image.info["exif"]).orientation == 6

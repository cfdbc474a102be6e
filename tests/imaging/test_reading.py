"""Photos of every kind a phone makes, and files that are none."""

import io
import struct
import zlib
from datetime import datetime, timedelta, timezone

import cv2
import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps
from PIL.TiffImagePlugin import IFDRational

from inspector.errors import PhotoError
from inspector.imaging.reading import MOST_MEGAPIXELS, Photo, read_photo

KINDS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")
ORIENTATION, MAKE, EXIF_IFD = 0x0112, 0x010F, 0x8769
DATE_TIME_ORIGINAL, OFFSET_TIME_ORIGINAL = 0x9003, 0x9011
FOCAL_LENGTH, FOCAL_LENGTH_35MM = 0x920A, 0xA405
FOCAL_PLANE_X_RESOLUTION, FOCAL_PLANE_UNIT, PIXEL_X_DIMENSION = 0xA20E, 0xA210, 0xA002
CENTIMETRE = 3


def drawn_picture(width_px=64, height_px=48):
    """Smooth, so that lossy files come close, and different in each corner and channel."""
    y, x = np.mgrid[0:height_px, 0:width_px]
    rgb = np.stack([x * 200 / width_px, y * 220 / height_px, (x + 2 * y) * 250 / (width_px + 2 * height_px)], axis=-1)
    return Image.fromarray(rgb.astype(np.uint8))


def written_exif(*, orientation=None, **tags):
    exif = Image.Exif()
    exif[MAKE] = "no maker"  # Pillow leaves out a block with nothing but an inner directory
    if orientation is not None:
        exif[ORIENTATION] = orientation
    inner = exif.get_ifd(EXIF_IFD)
    inner.update({globals()[name.upper()]: value for name, value in tags.items()})
    return exif


def file_of(image, kind, *, exif=None, **options):
    stream = io.BytesIO()
    if exif is not None:
        options["exif"] = exif.tobytes() if isinstance(exif, Image.Exif) else exif
    if kind == "HEIF":
        pillow_heif.from_pillow(image).save(stream, quality=95, **options)
        return stream.getvalue()
    if kind in ("JPEG", "WEBP"):
        options.setdefault("quality", 97)
    image.save(stream, kind, **options)
    return stream.getvalue()


def as_rgb(photo):
    return cv2.cvtColor(photo.image_bgr, cv2.COLOR_BGR2RGB).astype(int)


def assert_same_picture(photo, expected, *, mean_level=3.0):
    expected = np.asarray(expected.convert("RGB")).astype(int)
    assert photo.image_bgr.dtype == np.uint8
    assert photo.image_bgr.shape == expected.shape
    assert np.abs(as_rgb(photo) - expected).mean() < mean_level


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_photo_is_read_as_displayed(kind, orientation):
    # Outside reference: Pillow's ImageOps.exif_transpose on the same picture, kept without loss.
    picture = drawn_picture()
    exif = written_exif(orientation=orientation)
    with Image.open(io.BytesIO(file_of(picture, "PNG", exif=exif))) as lossless:
        expected = ImageOps.exif_transpose(lossless)
    assert_same_picture(read_photo(file_of(picture, kind, exif=exif), name="a"), expected)


@pytest.mark.parametrize("kind", KINDS)
def test_gray_becomes_colour(kind):
    gray = drawn_picture().convert("L")
    assert_same_picture(read_photo(file_of(gray, kind), name="a"), gray)


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF", "HEIF"])
def test_what_is_transparent_is_shown_over_white(kind):
    picture = drawn_picture().convert("RGBA")
    alpha = np.full((48, 64), 255, dtype=np.uint8)
    alpha[:, :32] = 0
    picture.putalpha(Image.fromarray(alpha))
    seen = as_rgb(read_photo(file_of(picture, kind), name="a"))
    assert seen[:, :28].min() > 245
    assert np.abs(seen[:, 36:] - np.asarray(drawn_picture())[:, 36:].astype(int)).mean() < 4


@pytest.mark.parametrize(("mode", "level"), [("LA", 0), ("P", 3), ("1", 0), ("CMYK", 1)])
def test_unusual_pixels_are_read_as_pillow_shows_them(mode, level):
    kind = "TIFF" if mode == "CMYK" else "PNG"
    picture = drawn_picture().convert("L").convert(mode) if mode == "LA" else drawn_picture().convert(mode)
    assert_same_picture(read_photo(file_of(picture, kind), name="a"), picture.convert("RGB"), mean_level=level + 0.5)


def test_a_palette_with_a_transparent_colour_is_shown_over_white():
    picture = Image.new("P", (8, 8), 0)
    picture.putpalette([10, 20, 30, 200, 100, 50])
    picture.paste(1, (0, 0, 4, 8))
    seen = as_rgb(read_photo(file_of(picture, "PNG", transparency=0), name="a"))
    assert seen[0, 0].tolist() == [200, 100, 50]
    assert seen[0, 7].tolist() == [255, 255, 255]


def test_a_jpeg_in_print_colours_is_not_inverted():
    picture = drawn_picture().convert("CMYK")  # Pillow writes these inverted, with Adobe's marker, as Photoshop does
    assert_same_picture(read_photo(file_of(picture, "JPEG"), name="a"), picture.convert("RGB"), mean_level=4)


@pytest.mark.parametrize("extension", [".png", ".tiff"])
@pytest.mark.parametrize("channels", [1, 3])
def test_sixteen_bits_are_scaled_not_clipped(extension, channels):
    ramp = np.linspace(0, 65535, 256).astype(np.uint16)
    picture = np.repeat(np.tile(ramp, (4, 1))[..., None], channels, axis=2)
    written, data = cv2.imencode(extension, picture)  # outside writer: OpenCV
    assert written
    seen = read_photo(data.tobytes(), name="a").image_bgr
    assert np.abs(seen[0, :, 0].astype(int) - np.arange(256)).max() <= 1
    assert (seen == seen[..., :1]).all()


def test_of_several_pages_the_first_is_read():
    first, second = drawn_picture(), Image.new("RGB", (30, 20), "red")
    data = file_of(first, "TIFF", save_all=True, append_images=[second])
    assert_same_picture(read_photo(data, name="a"), first, mean_level=0.01)


def test_what_a_phone_appends_to_a_jpeg_does_no_harm():
    data = file_of(drawn_picture(), "JPEG")
    assert_same_picture(read_photo(data + b"MotionPhoto" + bytes(5000) + data[:300], name="a"), drawn_picture())


def test_a_progressive_jpeg_is_read():
    assert_same_picture(read_photo(file_of(drawn_picture(), "JPEG", progressive=True), name="a"), drawn_picture())


@pytest.mark.parametrize("kind", KINDS)
def test_capture_time_keeps_its_offset(kind):
    exif = written_exif(date_time_original="2026:05:04 07:31:09", offset_time_original="-03:30")
    taken_at = read_photo(file_of(drawn_picture(), kind, exif=exif), name="a").taken_at
    expected = datetime(2026, 5, 4, 7, 31, 9, tzinfo=timezone(-timedelta(hours=3, minutes=30)))
    assert taken_at == expected
    assert taken_at.utcoffset() == expected.utcoffset()


def test_capture_time_without_offset_is_local():
    exif = written_exif(date_time_original="2026:05:04 07:31:09")
    photo = read_photo(file_of(drawn_picture(), "JPEG", exif=exif), name="a")
    assert photo.taken_at == datetime(2026, 5, 4, 7, 31, 9)  # noqa: DTZ001
    assert photo.taken_at.tzinfo is None


@pytest.mark.parametrize("written", ["    :  :     :  :  ", "0000:00:00 00:00:00", "2026:02:30 10:00:00", "dawn", ""])
def test_a_camera_without_a_clock_gives_no_time(written):
    exif = written_exif(date_time_original=written)
    assert read_photo(file_of(drawn_picture(), "JPEG", exif=exif), name="a").taken_at is None


def test_focal_length_from_the_35mm_equivalent():
    # CIPA DCG-001: equivalents compare diagonals, that of a 36 x 24 mm frame being 43.27 mm. The diagonal of
    # 64 x 48 px is 80 px, so that 26 mm are 26 / 43.27 * 80 px; turning the photo changes nothing.
    exif = written_exif(orientation=6, focal_length_35mm=26)
    photo = read_photo(file_of(drawn_picture(), "JPEG", exif=exif), name="a")
    assert photo.focal_px == pytest.approx(48.07, abs=0.01)


def test_focal_length_from_the_resolution_of_the_focal_plane():
    # 6 mm at 400 px/cm of a sensor read out as 256 px, shown as 64 px: 6 * 40 / 4 = 60 px.
    exif = written_exif(
        focal_length=IFDRational(12, 2),
        focal_plane_x_resolution=IFDRational(4000, 10),
        focal_plane_unit=CENTIMETRE,
        pixel_x_dimension=256,
    )
    assert read_photo(file_of(drawn_picture(), "JPEG", exif=exif), name="a").focal_px == pytest.approx(60.0)


@pytest.mark.parametrize(
    "tags", [{}, {"focal_length": IFDRational(6)}, {"focal_length_35mm": 0}, {"focal_length_35mm": 60000}]
)
def test_a_focal_length_that_is_not_known_is_none(tags):
    data = file_of(drawn_picture(), "JPEG", exif=written_exif(**tags))
    assert read_photo(data, name="a").focal_px is None


def test_folders_are_left_out_of_the_name():
    data = file_of(drawn_picture(), "PNG")
    assert read_photo(data, name="C:\\photos\\b.png").name == "b.png"
    assert read_photo(data, name="photos/b.png").name == "b.png"


# Files that are no photos


def assert_refused(data, *, name="b.jpg", match):
    with pytest.raises(PhotoError, match=match) as refused:
        read_photo(data, name=name)
    message = str(refused.value)
    assert name in message
    assert message.endswith(".")
    assert "\n" not in message


def test_an_empty_file_is_refused():
    assert_refused(b"", match=r"b\.jpg is empty \(0 bytes\): copy it again")


@pytest.mark.parametrize("data", [b"dear caster,", b"GIF89a" + bytes(100), b"\x00", b"%PDF-1.7\n", bytes(4096)])
def test_what_is_not_a_photo_is_refused(data):
    assert_refused(data, match=r"b\.jpg is not a photo that can be read: use a JPEG, PNG, WebP, TIFF or HEIC file")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("kept", [0.1, 0.5, 0.9, 0.99])
def test_a_photo_that_is_cut_off_is_refused(kind, kept):
    noise = np.random.default_rng(3).integers(0, 255, (120, 160, 3), dtype=np.uint8)
    data = file_of(Image.fromarray(noise), kind, exif=written_exif(orientation=6))
    assert_refused(data[: int(len(data) * kept)], match="is cut off, its end is missing: copy it again")


def test_a_progressive_jpeg_that_is_cut_off_is_refused():
    data = file_of(drawn_picture(400, 300), "JPEG", progressive=True)
    assert_refused(data[: len(data) * 3 // 4], match="is cut off")


def test_a_jpeg_that_is_cut_off_is_refused_whatever_its_preview_holds():
    # The preview inside Exif is a whole JPEG with an end of its own.
    exif = written_exif(orientation=1).tobytes() + file_of(drawn_picture(), "JPEG")
    data = file_of(drawn_picture(400, 300), "JPEG", exif=exif)
    assert data.count(b"\xff\xd9") == 2
    assert_refused(data[:-40], match="is cut off")


def png_of_size(width_px, height_px):
    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width_px, height_px, 8, 2, 0, 0, 0)
    rows = zlib.compress(bytes(10_000_000), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def jpeg_of_size(width_px, height_px):
    data = bytearray(file_of(drawn_picture(), "JPEG"))
    frame = data.index(b"\xff\xc0")
    data[frame + 5 : frame + 9] = struct.pack(">HH", height_px, width_px)
    return bytes(data)


def webp_of_size(width_px, height_px):
    body = bytes(4) + (width_px - 1).to_bytes(3, "little") + (height_px - 1).to_bytes(3, "little")
    chunk = b"VP8X" + struct.pack("<I", 10) + body
    return b"RIFF" + struct.pack("<I", len(chunk) + 4) + b"WEBP" + chunk


def tiff_of_size(width_px, height_px):
    entries = [(256, width_px), (257, height_px)]
    body = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in entries)
    return b"II*\0" + struct.pack("<IH", 8, len(entries)) + body + bytes(4)


@pytest.mark.parametrize("file_of_size", [png_of_size, jpeg_of_size, webp_of_size, tiff_of_size])
def test_a_decompression_bomb_is_refused_by_its_header(file_of_size):
    assert_refused(
        file_of_size(16000, 15000),
        match=r"has 16000 x 15000 pixels \(240 megapixels\), more than the 64 megapixels that are read",
    )


@pytest.mark.parametrize("file_of_size", [png_of_size, jpeg_of_size, tiff_of_size])
def test_a_photo_without_pixels_is_refused(file_of_size):
    assert_refused(file_of_size(0, 20), match=r"has no pixels \(0 x 20\)")


def test_sixty_megapixels_are_read():
    assert MOST_MEGAPIXELS >= 60
    picture = np.full((6000, 10000), 90, dtype=np.uint8)
    written, data = cv2.imencode(".jpg", picture)
    assert written
    assert read_photo(data.tobytes(), name="a").image_bgr.shape == (6000, 10000, 3)


def test_floating_point_values_are_refused():
    written, data = cv2.imencode(".tiff", np.ones((8, 8, 3), dtype=np.float32))
    assert written
    assert_refused(data.tobytes(), match="holds floating-point values: save it with 8 or 16 bits")


def test_a_raw_file_is_refused():
    body = struct.pack("<HHII", 50706, 1, 4, 0x0401)
    assert_refused(
        b"II*\0" + struct.pack("<IH", 8, 1) + body + bytes(4), match=r"is a raw file \(DNG\): save it as JPEG"
    )


def test_a_heic_without_a_picture_in_it_is_refused():
    data = file_of(drawn_picture(), "HEIF")
    assert_refused(data.replace(b"hvc1", b"xxxx"), match="is damaged and cannot be decoded")


def test_a_damaged_png_is_refused():
    data = bytearray(file_of(drawn_picture(), "PNG"))
    data[data.index(b"IDAT") + 20] ^= 0xFF
    assert_refused(bytes(data), match="is damaged and cannot be decoded")


# What always holds


EXIF = written_exif(orientation=6, date_time_original="2026:05:04 07:31:09")
WHOLE_FILES = (
    *(file_of(drawn_picture(), kind, exif=EXIF) for kind in KINDS),
    file_of(drawn_picture(), "JPEG", progressive=True),
    file_of(drawn_picture().convert("CMYK"), "JPEG"),
)


@settings(max_examples=300, deadline=None)
@given(
    data=st.sampled_from(WHOLE_FILES),
    changes=st.lists(st.tuples(st.integers(0, 5000), st.integers(0, 255)), max_size=6),
    kept=st.floats(0, 1),
    near_start=st.booleans(),
)
def test_a_damaged_file_gives_a_photo_or_one_sentence(data, changes, kept, near_start):
    damaged = bytearray(data)
    for at, value in changes:
        damaged[at % (min(600, len(data)) if near_start else len(data))] = value
    damaged = bytes(damaged[: int(len(damaged) * kept)] if kept < 0.5 else damaged)
    try:
        outcome = read_photo(damaged, name="b.jpg").image_bgr.shape
    except PhotoError as refused:
        outcome = str(refused)
    assert "b.jpg" in outcome or outcome[2] == 3


@given(exif=st.binary(max_size=300), order=st.sampled_from([b"II*\0\x08\0\0\0", b"MM\0*\0\0\0\x08", b""]))
@settings(max_examples=200, deadline=None)
def test_bad_exif_never_fails_a_good_photo(exif, order):
    photo = read_photo(jpeg_with_exif(order + exif), name="a")
    assert isinstance(photo, Photo)
    assert sorted(photo.image_bgr.shape) == [3, 48, 64]


def jpeg_with_exif(tiff):
    whole = file_of(drawn_picture(), "JPEG")
    body = b"Exif\0\0" + tiff
    return whole[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + whole[2:]

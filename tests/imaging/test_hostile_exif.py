"""Whatever bytes stand beside a picture, reading them gives plain values and never fails."""

import io
import math
from datetime import UTC

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from inspector.imaging.exif import focal_length_px, read_exif
from inspector.imaging.reading import read_photo

WRITTEN = Image.Exif()
WRITTEN[0x0112] = 6
WRITTEN.get_ifd(0x8769).update({0x9003: "2026:05:05 18:30:00", 0x9011: "+02:00", 0x920A: 4.2, 0xA405: 26, 0xA002: 4000})
BLOCK = WRITTEN.tobytes()


def assert_plain(exif):
    assert 1 <= exif.orientation <= 8
    if exif.taken_at is not None:
        assert exif.taken_at.astimezone(UTC)  # can be told in any time zone
    focal_px = focal_length_px(exif, width_px=4000, height_px=3000)
    assert focal_px is None or (math.isfinite(focal_px) and focal_px > 0)


def test_the_block_is_a_good_one():
    exif = read_exif(BLOCK)
    assert (exif.orientation, exif.focal_length_35mm_mm, exif.taken_at.year) == (6, 26.0, 2026)


@given(st.binary(max_size=300))
def test_any_bytes_are_read(data):
    assert_plain(read_exif(data))


@settings(max_examples=300)
@given(
    st.lists(st.tuples(st.integers(0, len(BLOCK) - 1), st.integers(0, 255)), max_size=12), st.integers(0, len(BLOCK))
)
def test_a_damaged_block_is_read(changes, length):
    block = bytearray(BLOCK)
    for at, value in changes:
        block[at] = value
    assert_plain(read_exif(bytes(block[:length])))


@pytest.mark.parametrize("written", ["0001:01:01 00:00:00", "9999:12:31 23:59:59", "1899:12:31 00:00:00"])
@pytest.mark.parametrize("offset", ["+14:00", "-12:00", "+99:99", ""])
def test_a_year_before_cameras_or_far_ahead_counts_as_not_written(written, offset):
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x9003: written, 0x9011: offset})
    file = io.BytesIO()
    Image.new("RGB", (8, 8)).save(file, "JPEG", exif=exif)
    assert read_photo(file.getvalue(), name="a.jpg").taken_at is None

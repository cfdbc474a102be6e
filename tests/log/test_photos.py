import hashlib
import pickle
from concurrent.futures import ThreadPoolExecutor

import pytest

from inspector.errors import InputError, InspectorError
from inspector.log import photo_rows
from inspector.log.photo_objects import PhotoObjects
from inspector.log.photos import MOST_PHOTO_BYTES, PhotoFolder, media_type_of
from inspector.settings import Settings

ONE = b"\xff\xd8\xff one"


@pytest.fixture(params=["folder", "objects"])
def keeper(request, tmp_path):
    """What keeps photos, none as yet."""
    if request.param == "folder":
        return PhotoFolder(tmp_path / "photos")
    return PhotoObjects(request.getfixturevalue("object_store").new_url())


def test_a_photo_comes_back_byte_for_byte(keeper):
    data = b"\xff\xd8\xff" + bytes(range(256)) * 40
    sha256 = keeper.keep(data)
    assert sha256 == hashlib.sha256(data).digest()
    assert keeper.read(sha256, "image/jpeg") == data
    assert keeper.wrong_with(sha256, "image/jpeg") is None


def test_a_photo_is_kept_under_its_content_hash_and_once(keeper):
    name = keeper.keep(ONE).hex()
    assert keeper.keep(ONE).hex() == name
    assert list(keeper.names()) == [f"{keeper}/{name[:2]}/{name}.jpg"]


def test_what_keeps_photos_can_be_sent_to_another_process(keeper):
    sha256 = keeper.keep(ONE)
    assert pickle.loads(pickle.dumps(keeper)).read(sha256, "image/jpeg") == ONE


def test_a_photo_that_is_not_there_is_named(keeper):
    sha256 = hashlib.sha256(ONE).digest()
    assert keeper.find(sha256, "image/jpeg") is None
    assert keeper.wrong_with(sha256, "image/jpeg") == "is gone"
    with pytest.raises(InspectorError, match=f"The log names the photo {keeper}/{sha256.hex()[:2]}/{sha256.hex()}.jpg"):
        keeper.read(sha256, "image/jpeg")


def test_many_that_put_the_same_photo_at_once_are_no_conflict(keeper):
    with ThreadPoolExecutor(8) as pool:
        assert set(pool.map(keeper.keep, [ONE] * 8)) == {hashlib.sha256(ONE).digest()}
    assert len(list(keeper.names())) == 1


def test_a_file_cut_off_by_a_power_cut_is_written_again(tmp_path):
    folder = PhotoFolder(tmp_path)
    sha256 = folder.keep(b"\xff\xd8\xff one")
    (path,) = tmp_path.rglob("*.jpg")
    path.write_bytes(b"\xff\xd8")
    folder.keep(b"\xff\xd8\xff one")
    assert folder.read(sha256, "image/jpeg") == b"\xff\xd8\xff one"


def test_a_photo_larger_than_any_that_is_kept_is_refused(stocked, make, monkeypatch):
    assert Settings(data_dir=stocked.place.folder).max_photo_bytes == MOST_PHOTO_BYTES  # what the pages take is kept
    monkeypatch.setattr(photo_rows, "MOST_PHOTO_BYTES", 1_000_000)
    with pytest.raises(InputError, match=r"Photo a\.jpg has 2 MB, and 1 MB are the most that are kept\. Save it"):
        make.photo(stocked, b"\xff\xd8\xff" + bytes(2_000_000), name="a.jpg")
    assert list(stocked.photos.names()) == []


def test_a_folder_that_cannot_be_written_to_is_named(tmp_path):
    (tmp_path / "photos").write_text("a file in the way")
    with pytest.raises(InspectorError, match="could not be kept"):
        PhotoFolder(tmp_path / "photos").keep(b"\xff\xd8\xff one")


@pytest.mark.parametrize(
    ("data", "media_type"),
    [
        # Signatures: JPEG ISO/IEC 10918-1 B.1; PNG ISO/IEC 15948 5.2; RIFF container of WebP; TIFF 6.0, section 2;
        # ISO/IEC 14496-12 4.3 with the brands of ISO/IEC 23008-12.
        (b"\xff\xd8\xff\xe1more", "image/jpeg"),
        (b"\x89PNG\r\n\x1a\nmore", "image/png"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "image/webp"),
        (b"II*\0\x08\0\0\0", "image/tiff"),
        (b"MM\0*\0\0\0\x08", "image/tiff"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", "image/heic"),
        (b"", "application/octet-stream"),
    ],
)
def test_the_media_type_is_told_by_the_first_bytes(data, media_type):
    assert media_type_of(data) == media_type

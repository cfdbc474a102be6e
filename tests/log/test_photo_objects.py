"""Photos in an object store that fails, lies or is not there. Against moto's server, which answers as S3 does."""

import hashlib

import pytest

from inspector.errors import InputError, OutOfReachError
from inspector.log.photo_objects import PhotoObjects

ONE = b"\xff\xd8\xff one"
SHA256 = hashlib.sha256(ONE).digest()


@pytest.fixture
def objects(object_store, monkeypatch):
    monkeypatch.setattr("inspector.log.photo_objects._TRIES", 1)
    return PhotoObjects(object_store.new_url())


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param(lambda data: data[:-1], id="cut off"),
        pytest.param(lambda data: data[:-1] + b"!", id="changed"),
        pytest.param(lambda _: b"", id="empty"),
    ],
)
def test_a_photo_that_the_store_keeps_otherwise_than_it_was_sent_is_not_acknowledged(objects, object_store, changes):
    object_store.changes = changes
    with pytest.raises(OutOfReachError, match="the store took it, and then had something else"):
        objects.keep(ONE)
    object_store.changes = None
    assert objects.keep(ONE) == SHA256  # and is put right the next time
    assert objects.read(SHA256, "image/jpeg") == ONE


def test_each_photo_is_looked_for_put_and_looked_at_again(objects, object_store):
    objects.keep(ONE)
    assert [asked.partition(" ")[0] for asked in object_store.asked] == ["HEAD", "PUT", "HEAD"]
    object_store.asked.clear()
    objects.keep(ONE)
    assert [asked.partition(" ")[0] for asked in object_store.asked] == ["HEAD"]  # nothing is sent again


def test_a_store_whose_tags_are_no_hashes_is_read_back(objects, monkeypatch):
    # As with objects that the store encrypts by a key of its own (AWS SSE-KMS).
    objects.keep(ONE)
    monkeypatch.setattr("inspector.log.photo_objects.hashlib.md5", lambda data, **_: hashlib.sha1(data))
    assert objects._holds(objects._key(SHA256, "image/jpeg"), ONE)
    assert not objects._holds(objects._key(SHA256, "image/jpeg"), ONE[:-1] + b"!")


def test_a_damaged_object_is_told(objects, object_store):
    object_store.changes = lambda data: data[:-1] + b"!"
    with pytest.raises(OutOfReachError):
        objects.keep(ONE)
    assert objects.wrong_with(SHA256, "image/jpeg") == "is not what was recorded"


def test_a_store_out_of_order_keeps_nothing_and_says_so(objects, object_store):
    object_store.refuses = True
    for ask in (objects.check_reach, lambda: objects.keep(ONE)):
        with pytest.raises(OutOfReachError, match=rf"kept in {objects}: .*See that the store runs"):
            ask()
    object_store.refuses = False
    assert objects.find(SHA256, "image/jpeg") is None
    assert list(objects.names()) == []


def test_a_bucket_that_is_gone_is_not_taken_for_a_photo_that_is_gone(object_store):
    with pytest.raises(OutOfReachError, match="s3://elsewhere: "):
        PhotoObjects("s3://elsewhere").find(SHA256, "image/jpeg")


@pytest.mark.parametrize("url", ["/srv/photos", "file:///srv/photos", "s3://", "memory://photos", "photos"])
def test_what_is_no_place_in_a_store_is_refused(url):
    with pytest.raises(InputError, match="as in s3://bucket/prefix"):
        PhotoObjects(url)


def test_without_what_speaks_to_a_store_it_is_told_how_to_install_it(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "s3fs", None)
    with pytest.raises(InputError, match="pip install s3fs"):
        PhotoObjects("s3://workshop").check_reach()

"""Photos in an object store that speaks S3: one object for each content, named after its SHA-256, never changed."""

import base64
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cached_property
from typing import Any

from inspector.errors import InputError, InspectorError, OutOfReachError
from inspector.log.photos import media_type_of, name_of, sha256_of

__all__ = ["PhotoObjects"]

# The one dialect whose way of writing was tested here. What else fsspec reads may show a file before it is whole.
_PROTOCOL = "s3://"
_TO_DO = (
    "See that the store runs and can be reached, and that address (AWS_ENDPOINT_URL_S3), keys and bucket are right "
    "and the keys may list, read and write there."
)
_CONNECT_TIMEOUT_S = 5
_READ_TIMEOUT_S = 60
_TRIES = 3


class PhotoObjects:
    """The photos under one prefix of a bucket.

    Parameters
    ----------
    url : str
        As in s3://bucket/prefix. Where the store is and who asks is said by the variables and files that all programs
        for such stores read: AWS_ENDPOINT_URL_S3, AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY, ~/.aws.

    Raises
    ------
    InputError
        If the URL names no place in an S3 store, or what speaks to one is not installed.
    """

    def __init__(self, url: str) -> None:
        bucket, _, prefix = url.removeprefix(_PROTOCOL).strip("/").partition("/")
        if not url.startswith(_PROTOCOL) or not bucket:
            raise InputError(
                f"Photos cannot be kept in {url!r}. Name a place in an object store, as in s3://bucket/prefix; for a "
                "folder leave --photos and INSPECTOR_PHOTOS out, and name it with --data."
            )
        self._bucket = bucket
        self._prefix = prefix

    def __str__(self) -> str:
        return f"{_PROTOCOL}{self._bucket}/{self._prefix}".rstrip("/")

    def __reduce__(self) -> tuple[type["PhotoObjects"], tuple[str]]:
        """Go to another process by name: each speaks to the store for itself."""
        return PhotoObjects, (str(self),)

    def keep(self, data: bytes) -> bytes:
        """Put a photo into the store, unless it is there already, whole.

        The store takes an object as a whole or not at all, and refuses one that is not of the hash that goes with it.
        Several that put the same photo put the same object.

        Returns
        -------
        sha256 : bytes, length 32
            Content hash; the store was asked for the object and has it when this returns.

        Raises
        ------
        OutOfReachError
            If the store cannot be reached, or does not take it; nothing is kept then.
        """
        sha256 = sha256_of(data)
        key = self._key(sha256, media_type_of(data))
        with self._explained("The photo could not be kept in"):
            if self._holds(key, data):
                return sha256
            self._store.call_s3(
                "put_object",
                Bucket=self._bucket,
                Key=key,
                Body=data,
                ContentType=media_type_of(data),
                ChecksumSHA256=base64.b64encode(sha256).decode(),
            )
            if not self._holds(key, data):
                raise OutOfReachError(
                    f"The photo could not be kept in {self}: the store took it, and then had something else. {_TO_DO}"
                )
        return sha256

    def find(self, sha256: bytes, media_type: str) -> bytes | None:
        """Read a kept photo's bytes; None where it is gone.

        Raises
        ------
        OutOfReachError
            If the store cannot be reached.
        """
        with self._explained("The photo could not be read from"):
            return self._read(self._key(sha256, media_type))

    def read(self, sha256: bytes, media_type: str) -> bytes:
        """Read a kept photo's bytes, as they came in.

        Raises
        ------
        OutOfReachError
            If the store cannot be reached.
        InspectorError
            If it has no such photo.
        """
        data = self.find(sha256, media_type)
        if data is None:
            raise InspectorError(
                f"The log names the photo {self.where(sha256, media_type)}, but the store has no such object. "
                "Add the same photo again, or put it back from a backup."
            )
        return data

    def where(self, sha256: bytes, media_type: str) -> str:
        """Where a photo of that content is, for people."""
        return f"{_PROTOCOL}{self._bucket}/{self._key(sha256, media_type)}"

    def wrong_with(self, sha256: bytes, media_type: str) -> str | None:
        """Tell what is wrong with a kept photo; None where every byte is as it came in."""
        data = self.find(sha256, media_type)
        if data is None:
            return "is gone"
        return None if sha256_of(data) == sha256 else "is not what was recorded"

    def names(self) -> Iterator[str]:
        """Find all photos that are kept, whether or not the log names them; as `where` has them."""
        from_here: dict[str, str] = {}
        while True:
            with self._explained("The photos could not be listed in"):
                page = self._store.call_s3("list_objects_v2", Bucket=self._bucket, Prefix=self._beside(""), **from_here)
            yield from (f"{_PROTOCOL}{self._bucket}/{listed['Key']}" for listed in page.get("Contents", ()))
            if not page["IsTruncated"]:
                return
            from_here = {"ContinuationToken": page["NextContinuationToken"]}

    def check_reach(self) -> None:
        """See that the bucket is there.

        Raises
        ------
        OutOfReachError
            If the store cannot be reached, or has no such bucket.
        """
        with self._explained("Photos cannot be kept in"):
            self._store.call_s3("head_bucket", Bucket=self._bucket)

    def clear_unfinished(self, *, now_s: float) -> None:
        """Remove nothing: an object is there whole or not at all."""

    def _key(self, sha256: bytes, media_type: str) -> str:
        return self._beside(name_of(sha256, media_type))

    def _beside(self, name: str) -> str:
        return f"{self._prefix}/{name}" if self._prefix else name

    def _holds(self, key: str, data: bytes) -> bool:
        """Whether the store has these bytes under a key, by the hash that it made of them, else byte for byte."""
        try:
            head = self._store.call_s3("head_object", Bucket=self._bucket, Key=key)
        except FileNotFoundError:
            return False
        if head["ContentLength"] != len(data):
            return False
        # The tag of an object that was put at once is its MD5, unless the store encrypts it: then it is read back.
        if head["ETag"].strip('"') == hashlib.md5(data, usedforsecurity=False).hexdigest():
            return True
        return self._read(key) == data

    def _read(self, key: str) -> bytes | None:
        try:
            return self._store.cat_file(f"{self._bucket}/{key}")
        except FileNotFoundError:
            self.check_reach()  # a bucket that is gone is not a photo that is gone
            return None

    @cached_property
    def _store(self) -> Any:
        """What speaks to the store; threads may share it."""
        filesystem, _ = self._library()
        return filesystem(
            skip_instance_cache=True,
            use_listings_cache=False,
            config_kwargs={
                "connect_timeout": _CONNECT_TIMEOUT_S,
                "read_timeout": _READ_TIMEOUT_S,
                "retries": {"mode": "standard", "max_attempts": _TRIES},
            },
        )

    @contextmanager
    def _explained(self, what: str) -> Iterator[None]:
        _, refusals = self._library()
        try:
            yield
        except refusals as error:
            said = str(error).strip().partition("\n")[0].rstrip(".") or type(error).__name__
            raise OutOfReachError(f"{what} {self}: {said}. {_TO_DO}") from error

    def _library(self) -> tuple[type[Any], tuple[type[Exception], ...]]:
        """Give what speaks to such stores by fsspec's interface, and what it raises where it cannot."""
        try:
            from aiohttp import ClientError
            from botocore.exceptions import BotoCoreError
            from s3fs import S3FileSystem
        except ModuleNotFoundError as error:
            raise InputError(
                f"The photos are kept in {self}, and what speaks to such a store is not installed. "
                "Install it with: pip install s3fs."
            ) from error
        return S3FileSystem, (OSError, BotoCoreError, ClientError)

"""The process in which photos are read: it is asked by `guarded_reading`, and has limits.

It is run as a file of its own and imports only what reading needs, so that it starts in a fraction of the time that
the workshop takes, and has nothing of the log in its memory when a decoder goes astray.
"""

import json
import os
import signal
import struct
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from inspector.errors import PhotoError
from inspector.imaging.labels import read_labels
from inspector.imaging.reading import Photo, read_photo

__all__ = ["LABELS", "LENGTH", "PHOTO", "exactly", "receive", "send"]

LENGTH = struct.Struct(">Q")
# What the process is asked for.
PHOTO, LABELS = b"photo", b"labels"


def send(pipe: BinaryIO, data: bytes | memoryview) -> None:
    """Send bytes, and how many there are before them."""
    pipe.write(LENGTH.pack(len(data)))
    pipe.write(data)
    pipe.flush()


def receive(pipe: BinaryIO, *, most_bytes: int | None = None) -> bytes:
    """Receive what was sent.

    Raises
    ------
    EOFError
        If the other end has gone.
    ValueError
        If more than `most_bytes` are to come.
    """
    (length,) = LENGTH.unpack(exactly(pipe, LENGTH.size))
    if most_bytes is not None and length > most_bytes:
        raise ValueError(f"{length} bytes where {most_bytes} were to come at most")
    return exactly(pipe, length)


def exactly(pipe: BinaryIO, length: int) -> bytes:
    """Receive so many bytes.

    Raises
    ------
    EOFError
        If the other end has gone before.
    """
    data = pipe.read(length)
    if len(data) < length:
        raise EOFError
    return data


def _answer_requests() -> None:
    """Be the process that reads: take limits, then photos from standard input until it is closed."""
    requests, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a decoder prints must not get between the answers
    _take_limits(int(receive(requests)))
    most_seconds = float(receive(requests))
    with suppress(EOFError):
        while True:
            wanted, name, data = receive(requests), receive(requests).decode(), receive(requests)
            _allow(most_seconds)
            try:
                if wanted == LABELS:
                    send(answers, json.dumps({"labels": read_labels(data, name=name)}).encode())
                    continue
                photo = read_photo(data, name=name)
            except PhotoError as error:
                send(answers, json.dumps({"refused": str(error)}).encode())
            else:
                send(answers, json.dumps(_described(photo)).encode())
                send(answers, np.ascontiguousarray(photo.image_bgr).data.cast("B"))


def _take_limits(most_bytes: int) -> None:
    if sys.platform == "win32":
        return
    import resource

    # No file is written, whatever a decoder is made to do; and no core is left of one that crashed.
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if sys.platform == "linux":
        taken = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (taken + most_bytes, taken + most_bytes))


def _allow(most_seconds: float) -> None:
    """End this process, also in the middle of a decoder, once it has taken so much more of the processor's time."""
    if sys.platform != "win32":
        signal.setitimer(signal.ITIMER_PROF, most_seconds)


def _described(photo: Photo) -> dict[str, Any]:
    height_px, width_px = photo.image_bgr.shape[:2]
    return {
        "name": photo.name,
        "width_px": width_px,
        "height_px": height_px,
        "taken_at": None if photo.taken_at is None else photo.taken_at.isoformat(),
        "focal_px": photo.focal_px,
    }


if __name__ == "__main__":
    _answer_requests()

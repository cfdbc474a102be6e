"""Reading photos that may come from anybody, in another process that may take so much memory and time and no more.

Decoders are large, written in C and fed with bytes from outside. A photo that crashes one, or that would fill the
memory or never end, costs that photo only: its process is ended, and the next photo gets a new one. Bytes go in; what
comes back is JSON and pixels, checked before it is used, since a process that has been taken over may answer anything.
"""

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from types import TracebackType
from typing import Any, BinaryIO, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from inspector.errors import PhotoError
from inspector.imaging.reading import MOST_MEGAPIXELS, Photo
from inspector.workshop import reading_process
from inspector.workshop.reading_process import LABELS, LENGTH, PHOTO, exactly, receive, send

__all__ = ["GuardedReader"]

# Of the processor. A photo of 64 megapixels is read in two seconds on a laptop; a small computer takes longer.
MOST_SECONDS = 30.0
# By the clock: a machine that is busy with other things may let a process wait for minutes before it gets to its work.
LONGEST_SECONDS = 300.0
# 64 megapixels with transparency over white, the most that a decoder has a use for, take 1.1 GB at their height.
MOST_BYTES = 2 * 2**30
# More would not be done sooner on few cores, and each holds a photo's pixels.
AT_ONCE = 2

_Answer = TypeVar("_Answer")

# As a file: to import it as a part of the workshop would bring all of the workshop with it.
_WORKER = f"import runpy; runpy.run_path({reading_process.__file__!r}, run_name='__main__')"


class GuardedReader:
    """Reads photos as `read_photo` does, in processes of its own; may be called by several threads.

    Parameters
    ----------
    most_seconds : float
        A photo that takes more of the processor's time is refused, where the system tells (Windows does not).
    longest_seconds : float
        A photo that takes longer by the clock is refused, wherever the time went.
    most_bytes : int
        Memory that a process may take beyond what it starts with, where the system keeps to that (Linux does).
    at_once : int
        So many photos at a time, each in a process; who comes later waits.
    """

    def __init__(
        self,
        *,
        most_seconds: float = MOST_SECONDS,
        longest_seconds: float = LONGEST_SECONDS,
        most_bytes: int = MOST_BYTES,
        at_once: int = AT_ONCE,
    ) -> None:
        self._most_seconds = most_seconds
        self._longest_seconds = longest_seconds
        self._most_bytes = most_bytes
        self._free = threading.BoundedSemaphore(at_once)
        self._idle: list[subprocess.Popen[bytes]] = []
        self._lock = threading.Lock()

    def __call__(self, data: bytes, *, name: str) -> Photo:
        """Read the bytes of a photo's file.

        Raises
        ------
        PhotoError
            As `read_photo` does; and if reading it takes too long or ends its process.
        """
        return self._let(lambda worker: _ask_photo(worker, data, name), name)

    def labels(self, data: bytes, *, name: str) -> tuple[str, ...]:
        """Read what the QR codes in the photo of a file say, as `read_labels` does.

        Raises
        ------
        PhotoError
            As for a photo.
        """
        return self._let(lambda worker: _ask_labels(worker, data, name), name)

    def _let(self, ask: Callable[["subprocess.Popen[bytes]"], _Answer], name: str) -> _Answer:
        with self._free:
            return self._ask(ask, name)

    def _ask(self, ask: Callable[["subprocess.Popen[bytes]"], _Answer], name: str) -> _Answer:
        with self._lock:
            worker = self._idle.pop() if self._idle else None
        if worker is not None and worker.poll() is not None:
            _end(worker)
            worker = None
        if worker is None:
            worker = _start(self._most_bytes, self._most_seconds)
        late = threading.Event()

        def stop(worker: subprocess.Popen[bytes]) -> None:
            late.set()
            worker.kill()

        timer = threading.Timer(self._longest_seconds, stop, [worker])
        timer.start()
        try:
            answer = ask(worker)
        except PhotoError:
            self._give_back(worker, timer)
            raise
        except (EOFError, OSError, ValueError) as error:
            _end(worker)
            why = "ends the program that reads it"
            if late.is_set():
                why = f"takes more than {self._longest_seconds:g} s"
            elif os.name != "nt" and worker.returncode == -signal.SIGPROF:
                why = f"takes more than {self._most_seconds:g} s"
            raise PhotoError(
                f"Photo {name} {why}, so it is left alone: send it as a JPEG, or take it again."
            ) from error
        else:
            self._give_back(worker, timer)
            return answer
        finally:
            timer.cancel()

    def close(self) -> None:
        """End the processes that wait for photos."""
        with self._lock:
            while self._idle:
                _end(self._idle.pop())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _give_back(self, worker: subprocess.Popen[bytes], timer: threading.Timer) -> None:
        timer.cancel()
        with self._lock:
            self._idle.append(worker)


def _start(most_bytes: int, most_seconds: float) -> subprocess.Popen[bytes]:
    # In a session of its own, so that Ctrl+C reaches the program and not it; it ends when its input is closed.
    worker = subprocess.Popen(  # noqa: S603 - this Python, and no word from outside
        [sys.executable, "-c", _WORKER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
    )
    try:
        for limit in (most_bytes, most_seconds):
            send(_pipe(worker.stdin), str(limit).encode())
    except OSError:
        _end(worker)
        raise
    return worker


def _end(worker: subprocess.Popen[bytes]) -> None:
    worker.kill()
    worker.wait()
    for pipe in (worker.stdin, worker.stdout):
        with suppress(OSError):  # what it had not read yet goes nowhere
            _pipe(pipe).close()


def _ask_photo(worker: subprocess.Popen[bytes], data: bytes, name: str) -> Photo:
    described = _Described.checked(_answer(worker, PHOTO, data, name))
    answers = _pipe(worker.stdout)
    shape = (described.height_px, described.width_px, 3)
    image_bgr = np.empty(shape, dtype=np.uint8)
    _fill(answers, image_bgr)
    return Photo(described.name, image_bgr, described.taken_at, described.focal_px)


def _ask_labels(worker: subprocess.Popen[bytes], data: bytes, name: str) -> tuple[str, ...]:
    labels = _answer(worker, LABELS, data, name).get("labels")
    if not (isinstance(labels, list) and all(isinstance(text, str) for text in labels)):
        raise ValueError("no answer")
    return tuple(labels)


def _answer(worker: subprocess.Popen[bytes], wanted: bytes, data: bytes, name: str) -> Mapping[str, Any]:
    """What a process answers first; a refusal is raised."""
    requests, answers = _pipe(worker.stdin), _pipe(worker.stdout)
    for part in (wanted, name.encode(errors="replace"), data):
        send(requests, part)
    answer = json.loads(receive(answers, most_bytes=1 << 20))
    if not isinstance(answer, dict):
        raise ValueError(f"no answer: {answer}")
    if "refused" in answer:
        raise PhotoError(str(answer["refused"]))
    return answer


@dataclass(frozen=True, slots=True)
class _Described:
    """A photo, but for its pixels."""

    name: str
    width_px: int
    height_px: int
    taken_at: datetime | None
    focal_px: float | None

    @classmethod
    def checked(cls, answer: Mapping[str, Any]) -> Self:
        """Take an answer only if it is one.

        Raises
        ------
        ValueError
            If the answer is none.
        """
        try:
            width_px, height_px = int(answer["width_px"]), int(answer["height_px"])
            taken_at, focal_px = answer["taken_at"], answer["focal_px"]
            if not (width_px > 0 and height_px > 0 and width_px * height_px <= MOST_MEGAPIXELS * 1_000_000):
                raise ValueError(f"{width_px} x {height_px} pixels")
            return cls(
                name=str(answer["name"]),
                width_px=width_px,
                height_px=height_px,
                taken_at=None if taken_at is None else datetime.fromisoformat(taken_at),
                focal_px=None if focal_px is None else float(focal_px),
            )
        except (KeyError, TypeError) as error:
            raise ValueError(f"no answer: {answer}") from error


def _pipe(pipe: Any) -> BinaryIO:
    if pipe is None:
        raise ValueError("the process was started without pipes")
    return pipe


def _fill(pipe: BinaryIO, pixels: NDArray[np.uint8]) -> None:
    """Receive pixels into their place, of which no second copy is made."""
    (length,) = LENGTH.unpack(exactly(pipe, LENGTH.size))
    if length != pixels.nbytes:
        raise ValueError(f"{length} bytes where {pixels.nbytes} were to come")
    left = pixels.reshape(-1).data
    while left:
        received = pipe.readinto(left)  # type: ignore[attr-defined]
        if not received:
            raise EOFError
        left = left[received:]

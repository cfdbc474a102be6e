"""Who works off the photos that wait: processes beside the pages, or a thread of the program itself.

A process costs memory and a second to start, but neither takes the pages' turn nor ends them when it ends. It opens the
log itself, so that it needs nothing but the folder. One that ends, for whatever reason, is followed by another; what it
had claimed is free again at once. Each ends by itself after so many photos, and gives back what it took.
"""

import importlib
import json
import logging
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self, TextIO
from uuid import uuid4

from inspector.errors import InspectorError
from inspector.inspection.engine import Engine
from inspector.log import LogPlace
from inspector.settings import DATABASE_VARIABLE, PHOTOS_VARIABLE
from inspector.workshop.guarded_reading import GuardedReader
from inspector.workshop.workshop import Workshop

__all__ = ["Inspecting", "InspectingProcesses", "InspectingThread", "work_off"]

# Each holds a full photo, its working copies and the references of a few molds; more at once would not end sooner on
# the two to four cores of a workshop's laptop.
WORKERS = 2
# Long enough that starting anew costs nothing, short enough that what leaks does not add up.
PHOTOS_A_PROCESS = 200
# Photos come in with a word; this finds those of other programs, and those whose claim ran out.
_LOOKS_EVERY_S = 2.0
# Of processes that do not even get to work, the next one is given more time.
_LONGEST_PAUSE_S = 60.0
# Pages are answered first where there are fewer cores than work; not so much first that a process which is writing to
# the log hardly gets a turn, and pages that want to write wait for it.
_NICENESS = 5
_WORKER = "from inspector.workshop.inspecting import work_off; work_off()"

_logger = logging.getLogger(__name__)


class Inspecting(Protocol):
    """Somebody who works off the photos that wait."""

    def wake(self) -> None:
        """Say that a photo was added."""

    def make_ready(self, mold: str, *, site_id: int) -> None:
        """Say that a photo of a mold of a site is likely to come next."""

    def finished(self, photo_id: int) -> "Future[None]":
        """Give what is done once a photo waits no longer; ask for it before looking whether it still waits."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


class InspectingProcesses:
    """Processes that work off the photos of a data folder, until it is left.

    Parameters
    ----------
    where : Path or LogPlace
        Where the log is.
    workers : int
        So many processes.
    photos_a_process : int
        After so many photos each is followed by another.
    engine : str
        Where they find the engine, `module:name`.
    """

    def __init__(
        self,
        where: Path | LogPlace,
        *,
        workers: int = WORKERS,
        photos_a_process: int = PHOTOS_A_PROCESS,
        engine: str = "inspector.inspection.engine:ENGINE",
    ) -> None:
        self._place = LogPlace.of(where)
        self._arguments = [str(self._place.folder), str(photos_a_process), engine]
        self._told = _Told()
        self._lock = threading.Lock()
        self._running: dict[str, subprocess.Popen[str]] = {}
        self._closing = threading.Event()
        self._threads = [
            threading.Thread(target=self._keep_running, name=f"inspecting-{number}") for number in range(workers)
        ]

    def wake(self) -> None:
        """Say that a photo was added."""
        self._say("look")

    def make_ready(self, mold: str, *, site_id: int) -> None:
        """Have the references of a mold prepared, which takes a second for each, the first time."""
        self._say(f"ready {site_id} {mold}")

    def finished(self, photo_id: int) -> "Future[None]":
        """Give what is done once a photo waits no longer, if one of these processes inspects it."""
        return self._told.finished(photo_id)

    def process_ids(self) -> list[int]:
        """Give those of the processes that run just now."""
        with self._lock:
            return [worker.pid for worker in self._running.values()]

    def __enter__(self) -> Self:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the processes; the photos that they were at wait for the next time."""
        self._closing.set()
        with self._lock:
            for worker in self._running.values():
                worker.kill()
        for thread in self._threads:
            thread.join()

    def _keep_running(self) -> None:
        failures = 0
        while not self._closing.is_set():
            got_to_work, code = self._run(uuid4().hex)
            if self._closing.is_set():
                break
            if code:
                _logger.warning("a process that inspects photos ended with code %s; another one is started", code)
            failures = 0 if got_to_work else failures + 1
            if failures > 1:  # the first is followed at once: it may have been killed
                self._closing.wait(min(2.0**failures, _LONGEST_PAUSE_S))

    def _run(self, name: str) -> tuple[bool, int]:
        """Run one process until it ends; give whether it got to work, and its code."""
        got_to_work = False
        # In a session of its own, so that Ctrl+C reaches the program and not it; it ends when its input is closed.
        with subprocess.Popen(  # noqa: S603 - this Python, and no word from outside
            [sys.executable, "-c", _WORKER, name, *self._arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            env={
                **os.environ,
                DATABASE_VARIABLE: self._place.database or "",  # it may hold a password
                PHOTOS_VARIABLE: self._place.photos or "",
            },
            start_new_session=True,
        ) as worker:
            with self._lock:
                self._running[name] = worker
                if self._closing.is_set():
                    worker.kill()
            for line in _pipe(worker.stdout):
                got_to_work = True
                self._hear(json.loads(line))
            worker.wait()
            with self._lock:
                del self._running[name]
            with suppress(OSError):  # what it had not read yet goes nowhere
                _pipe(worker.stdin).close()
        # A supervisor that stops the program may tell this process so before the program itself.
        was_stopped = self._closing.is_set() or worker.returncode == -signal.SIGTERM
        _release(self._place, name, was_stopped=was_stopped)
        self.wake()
        return got_to_work, worker.returncode

    def _hear(self, told: dict[str, Any]) -> None:
        if "finished" in told:
            self._told.tell(int(told["finished"]))
        elif "what" in told:
            logging.getLogger(told["where"]).log(told["level"], "%s", told["what"], extra={"said": told["said"]})

    def _say(self, words: str) -> None:
        with self._lock:
            for worker in self._running.values():
                with suppress(OSError):  # it has just ended
                    pipe = _pipe(worker.stdin)
                    pipe.write(f"{words}\n")
                    pipe.flush()


class InspectingThread:
    """A thread that works off the photos of an open workshop, until it is left.

    Parameters
    ----------
    shop : Workshop
        Whose engine may be one that no process could be given.
    """

    def __init__(self, shop: Workshop) -> None:
        self._shop = shop
        self._told = _Told()
        self._words: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="inspecting")

    def wake(self) -> None:
        """Say that a photo was added."""
        self._words.put("look")

    def make_ready(self, mold: str, *, site_id: int) -> None:
        """Have the references of a mold prepared."""
        self._words.put(f"ready {site_id} {mold}")

    def finished(self, photo_id: int) -> "Future[None]":
        """Give what is done once a photo waits no longer."""
        return self._told.finished(photo_id)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let it finish the photo that it is at."""
        self._words.put(None)
        self._thread.join()

    def _work(self) -> None:
        _work(self._shop, name=uuid4().hex, words=self._words, finished=self._told.tell, most_photos=None)


def work_off() -> None:
    """Be the process that inspects: answer words from standard input until it is closed, or after so many photos."""
    requests = os.fdopen(os.dup(0), encoding="utf-8")
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what a library prints must not get between the answers
    name, data_dir, most_photos, engine_at = sys.argv[1:]
    if hasattr(os, "nice"):
        os.nice(_NICENESS)
    tell = _teller(answers)
    logging.getLogger("inspector").addHandler(_TellLog(tell))
    logging.getLogger("inspector").setLevel(logging.INFO)
    words: queue.SimpleQueue[str | None] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(requests, words), daemon=True).start()
    module, attribute = engine_at.split(":")
    engine: Engine = getattr(importlib.import_module(module), attribute)
    place = LogPlace(Path(data_dir), os.environ[DATABASE_VARIABLE] or None, os.environ[PHOTOS_VARIABLE] or None)
    with (
        GuardedReader() as reader,
        Workshop.open(place, engine=replace(engine, read_photo=reader)) as shop,
    ):
        tell({"works": True})
        _work(
            shop,
            name=name,
            words=words,
            finished=lambda photo_id: tell({"finished": photo_id}),
            most_photos=int(most_photos),
        )


def _work(
    shop: Workshop,
    *,
    name: str,
    words: "queue.SimpleQueue[str | None]",
    finished: Callable[[int], None],
    most_photos: int | None,
) -> None:
    """Inspect what waits, and again at each word, until there is no more word to come."""
    inspected = 0
    while True:
        try:
            while (photo_id := shop.queue.inspect_next(worker=name)) is not None:
                finished(photo_id)
                inspected += 1
                if inspected == most_photos:
                    return
                if not _answered(shop, words):
                    return
        except InspectorError as error:  # the disk is full, the log is held by another program: it may pass
            _logger.warning("photos wait on: %s", error)
        with suppress(queue.Empty):
            if not _answer(shop, words.get(timeout=_LOOKS_EVERY_S)):
                return


def _answered(shop: Workshop, words: "queue.SimpleQueue[str | None]") -> bool:
    """Answer the words that have come; False where no more will."""
    with suppress(queue.Empty):
        while True:
            if not _answer(shop, words.get_nowait()):
                return False
    return True


def _answer(shop: Workshop, word: str | None) -> bool:
    if word is None:
        return False
    if word.startswith("ready "):
        with suppress(InspectorError):  # it has no reference yet: told when a photo comes
            _, site_id, mold = word.split(" ", 2)
            shop.at(int(site_id)).models(mold)
    return True


class _Told:
    """Those who want to know when a photo waits no longer."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._asked: dict[int, list[Future[None]]] = {}

    def finished(self, photo_id: int) -> "Future[None]":
        asked: Future[None] = Future()
        asked.add_done_callback(lambda future: self._forget(photo_id, future))
        with self._lock:
            self._asked.setdefault(photo_id, []).append(asked)
        return asked

    def tell(self, photo_id: int) -> None:
        with self._lock:
            asked = self._asked.pop(photo_id, [])
        for future in asked:
            if future.set_running_or_notify_cancel():
                future.set_result(None)

    def _forget(self, photo_id: int, future: "Future[None]") -> None:
        """Whoever asked has gone: the photo may be inspected by another program, which nobody hears of."""
        with self._lock:
            left = [one for one in self._asked.get(photo_id, []) if one is not future]
            if left:
                self._asked[photo_id] = left
            else:
                self._asked.pop(photo_id, None)


def _release(place: LogPlace, name: str, *, was_stopped: bool) -> None:
    """Free what a process that has ended had claimed."""
    try:
        with Workshop.open(place) as shop:
            shop.queue.release(worker=name, was_stopped=was_stopped)
    except InspectorError as error:  # the claim runs out by itself
        _logger.warning("%s", error)


class _TellLog(logging.Handler):
    """Passes what this process says to its log on to the program that started it."""

    def __init__(self, tell: Callable[[dict[str, Any]], None]) -> None:
        super().__init__()
        self._tell = tell

    def emit(self, record: logging.LogRecord) -> None:
        """Pass one thing on."""
        what = self.format(record)  # with the stack of a failure below
        self._tell({"where": record.name, "level": record.levelno, "what": what, "said": getattr(record, "said", {})})


def _teller(answers: TextIO) -> Callable[[dict[str, Any]], None]:
    lock = threading.Lock()

    def tell(said: dict[str, Any]) -> None:
        with lock, suppress(OSError):  # nobody listens any more: then the input is closed as well
            answers.write(f"{json.dumps(said)}\n")
            answers.flush()

    return tell


def _listen(requests: TextIO, words: "queue.SimpleQueue[str | None]") -> None:
    for line in requests:
        words.put(line.rstrip("\n"))
    words.put(None)


def _pipe(pipe: Any) -> TextIO:
    if pipe is None:
        raise ValueError("the process was started without pipes")
    return pipe

import io
import os
import signal
import sys
import threading
from contextlib import suppress

import cv2
import numpy as np
import pytest
from PIL import Image

from inspector.errors import PhotoError
from inspector.imaging.reading import read_photo
from inspector.workshop import guarded_reading, reading_process
from inspector.workshop.guarded_reading import GuardedReader

linux_only = pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps a process to its memory")


@pytest.fixture(scope="module")
def reader():
    with GuardedReader() as opened:
        yield opened


def white_png(width_px, height_px):
    file = io.BytesIO()
    Image.new("RGB", (width_px, height_px), "white").save(file, "PNG")
    return file.getvalue()


def test_a_photo_is_read_as_without_a_guard(reader, draw):
    data = draw((255, 0, 0), taken_at="2026:05:05 18:30:00 +02:00", orientation=6)
    here, there = read_photo(data, name="a.jpg"), reader(data, name="a.jpg")
    assert np.array_equal(here.image_bgr, there.image_bgr)
    assert (here.name, here.taken_at, here.focal_px) == (there.name, there.taken_at, there.focal_px)


def test_what_is_no_photo_is_refused_with_the_same_sentence(reader):
    with pytest.raises(PhotoError) as here:
        read_photo(b"list", name="list.txt")
    with pytest.raises(PhotoError) as there:
        reader(b"list", name="list.txt")
    assert str(here.value) == str(there.value)


def test_a_label_is_read_there_as_well(reader, draw):
    code = cv2.copyMakeBorder(cv2.QRCodeEncoder.create().encode("pour 3"), 4, 4, 4, 4, cv2.BORDER_CONSTANT, value=255)
    photo = cv2.imencode(".png", cv2.resize(code, None, fx=8, fy=8, interpolation=cv2.INTER_NEAREST))[1].tobytes()
    assert reader.labels(photo, name="label.png") == ("pour 3",)
    assert reader.labels(draw(), name="a.jpg") == ()
    with pytest.raises(PhotoError, match=r"list\.txt is not a photo"):
        reader.labels(b"list", name="list.txt")


def test_threads_read_at_the_same_time(reader, draw):
    found = {}

    def read(shade):
        found[shade] = reader(draw(shade=shade), name=f"{shade}.jpg").image_bgr[120, 160, 0]

    threads = [threading.Thread(target=read, args=(shade,)) for shade in (160, 190, 220)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert all(abs(int(value) - shade) < 3 for shade, value in found.items())
    assert len(found) == 3


@linux_only
def test_a_photo_that_would_fill_the_memory_costs_that_photo_only(draw):
    # 40 megapixels of white are 60 kB as a file and 120 MB as an array.
    with GuardedReader(most_bytes=100_000_000) as reader:
        with pytest.raises(PhotoError, match=r"white\.png"):
            reader(white_png(8000, 5000), name="white.png")
        assert reader(draw(), name="a.jpg").image_bgr.shape == (240, 320, 3)


def test_a_photo_that_takes_too_long_is_refused(draw):
    with (
        GuardedReader(longest_seconds=0.01) as reader,
        pytest.raises(PhotoError, match=r"a\.jpg takes more than 0.01 s"),
    ):
        reader(draw(), name="a.jpg")


@pytest.mark.skipif(os.name == "nt", reason="no such limit there")
def test_a_photo_that_takes_too_much_of_the_processor_is_refused(draw):
    with GuardedReader(most_seconds=0.02) as reader:
        with pytest.raises(PhotoError, match=r"white\.png takes more than 0.02 s"):
            reader(white_png(4000, 1500), name="white.png")
        assert reader(draw(), name="a.jpg").name == "a.jpg"


@pytest.mark.skipif(os.name == "nt", reason="no such signals there")
def test_a_photo_that_only_waits_for_its_turn_is_read(draw):
    # As on a machine that is busy with other things: the process stands still for longer than it may work.
    with GuardedReader(most_seconds=0.2) as reader:
        reader(draw(), name="a.jpg")
        waiting = reader._idle[0].pid
        os.kill(waiting, signal.SIGSTOP)
        go_on = threading.Timer(0.4, os.kill, [waiting, signal.SIGCONT])
        go_on.start()
        assert reader(draw(), name="b.jpg").name == "b.jpg"
        go_on.join()
        assert [each.pid for each in reader._idle] == [waiting]


@pytest.mark.skipif(os.name == "nt", reason="no such signal there")
def test_a_process_that_crashed_is_replaced(draw):
    with GuardedReader() as reader:
        reader(draw(), name="a.jpg")
        os.kill(reader._idle[0].pid, signal.SIGSEGV)
        reader._idle[0].wait()
        assert reader(draw(), name="b.jpg").name == "b.jpg"


ANSWER = (
    "import os, struct, sys; send = lambda b: os.write(1, struct.pack('>Q', len(b)) + b); sys.stdin.buffer.read(8);"
)


@pytest.mark.parametrize(
    "answers",
    [
        "os._exit(11)",
        "os.write(1, struct.pack('>Q', 1 << 60))",
        "send(b'no json')",
        "send(b'[]')",
        """send(b'{"name": "a", "width_px": 1000000, "height_px": 1000000, "taken_at": null, "focal_px": null}')""",
        """send(b'{"name": "a", "width_px": 2, "height_px": 2, "taken_at": null, "focal_px": null}'); send(b'short')""",
        """send(b'{"name": "a", "width_px": 2, "height_px": 2, "taken_at": "once", "focal_px": null}')""",
    ],
)
def test_a_process_that_was_taken_over_costs_its_photo_only(draw, monkeypatch, answers):
    with GuardedReader() as reader:
        with monkeypatch.context() as patched:
            patched.setattr(guarded_reading, "_WORKER", f"{ANSWER} {answers}")
            with pytest.raises(PhotoError, match=r"a\.jpg ends the program that reads it, so it is left alone"):
                reader(draw(), name="a.jpg")
        assert reader(draw(), name="b.jpg").name == "b.jpg"


@linux_only
def test_the_process_may_write_no_file(tmp_path):
    script = (
        "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        f"import runpy; runpy.run_path({reading_process.__file__!r})['_take_limits'](2**30)\n"
        f"from pathlib import Path; Path({str(tmp_path / 'evil')!r}).write_bytes(b'evil')"
    )
    import subprocess

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert "File too large" in done.stderr
    assert (tmp_path / "evil").stat().st_size == 0


def test_a_flood_of_damaged_files_leaves_the_reader_whole(reader, draw):
    reader(draw(), name="a.jpg")
    at_first = [each.pid for each in reader._idle]
    rng = np.random.default_rng(5)
    whole = np.frombuffer(draw((255, 0, 0)), np.uint8)
    for _ in range(60):
        damaged = whole.copy()
        damaged[rng.integers(0, len(damaged), 20)] = rng.integers(0, 256, 20)
        with suppress(PhotoError):
            reader(damaged[: rng.integers(1, len(damaged))].tobytes(), name="a.jpg")
    assert [each.pid for each in reader._idle] == at_first  # none of them ended it
    assert reader(draw(), name="b.jpg").name == "b.jpg"

"""Damage files and requests at random, from a seed, and see that each is taken or refused in a sentence.

Every target starts from the files of `corpus` that are meant for it, and from those that broke it before: what breaks
one is written there. The suite does it a few times; at length:

    python -m tests.fuzz.fuzzing --seconds 600 --seed 7
"""

import argparse
import hashlib
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from fastapi.testclient import TestClient

from inspector.curing import read_logger_csv
from inspector.errors import InputError, PhotoError
from inspector.imaging.exif import read_exif
from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import Workshop
from inspector.workshop.guarded_reading import GuardedReader
from inspector.workshop.mold_folder import read_mold_folder
from inspector.workshop.piece_table import read_piece_table
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.large_log import fill_log

CORPUS = Path(__file__).parent / "corpus"
NOW = datetime(2026, 11, 25, tzinfo=UTC)
MOST_CHANGES = 6
LONGEST_BYTES = 200_000
# What parsers trip over: limits of integers, ends of lines and strings, signs of formats, impossible times and numbers.
WORDS = (
    b"\x00",
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\x80\x00\x00\x00",
    b"\xff\xd9",
    b"\xff\xd8\xff",
    b"\r\n",
    b"\n\n",
    b"--x",
    b"--x--\r\n",
    b'"',
    b"'",
    b"[[",
    b"]]",
    b"= =",
    b"\xef\xbb\xbf",
    b"\xc3\x28",
    b"../",
    b"%00",
    b"%2e%2e%2f",
    b"nan",
    b"1e999",
    b"-0",
    b"99999999999999999999",
    b"0001-01-01T00:00+14:00",
    b"9999-12-31T23:59-12:00",
    b";",
    b",",
    b"Content-Type: image/png",
    b'filename="\xff"',
    b"<!--",
    b"{{",
    b"' OR 1=1 --",
    b"=cmd|' /C calc'!A0",
)

Target = Callable[[bytes], str]
"""Takes the bytes, or refuses them; tells which. Whatever it raises is a fault of the program."""


@dataclass(frozen=True, slots=True)
class Broken:
    """What the program did not bear."""

    target: str
    data: bytes
    why: str


def mutated(data: bytes, rng: random.Random, others: list[bytes]) -> bytes:
    """Change bytes in a few places: flip, overwrite, put in, take out, double, cut, or go on with another file."""
    changed = bytearray(data)
    for _ in range(rng.randint(1, MOST_CHANGES)):
        at = rng.randint(0, len(changed))
        length = min(rng.choice((1, 1, 2, 4, 16, 200)), len(changed) - at)
        match rng.randrange(8):
            case 0 if at < len(changed):
                changed[at] ^= 1 << rng.randrange(8)
            case 1:
                changed[at : at + length] = rng.randbytes(length)
            case 2:
                changed[at:at] = rng.choice(WORDS)
            case 3:
                word = rng.choice(WORDS)
                changed[at : at + len(word)] = word
            case 4:
                del changed[at : at + length]
            case 5:
                changed[at:at] = changed[at : at + length] * rng.randint(1, 20)
            case 6 if rng.random() < 0.2:
                del changed[at:]
            case 7 if rng.random() < 0.2:
                other = rng.choice(others)
                changed[at:] = other[rng.randint(0, len(other)) :]
    return bytes(changed[:LONGEST_BYTES])


def read_photo_with(reader: GuardedReader) -> Target:
    def read(data: bytes) -> str:
        try:
            photo = reader(data, name="a.jpg")
        except PhotoError as error:
            if "ends the program" in str(error):
                return "ended the process that reads"  # which is what it is for
            return "took too long" if "takes more than" in str(error) else "refused"
        assert photo.image_bgr.ndim == 3
        return "taken"

    return read


def read_exif_block(data: bytes) -> str:
    exif = read_exif(data)
    assert 1 <= exif.orientation <= 8
    return "taken"


def read_mold_toml(folder: Path) -> Target:
    for number in (1, 2, 3):
        (folder / f"r{number}.jpg").write_bytes(b"")

    def read(data: bytes) -> str:
        (folder / "mold.toml").write_bytes(data)
        with suppress(InputError):
            found = read_mold_folder(folder)
            assert all(path.parent == folder for path in found.photos)
            return "taken"
        return "refused"

    return read


def read_pieces(data: bytes) -> str:
    with suppress(InputError):
        return "refused lines" if read_piece_table(data, name="a.csv", molds=(), now=NOW).refused else "taken"
    return "refused"


def read_logger(data: bytes) -> str:
    with suppress(InputError):
        read_logger_csv(data.decode(errors="replace"), name="a.csv")
        return "taken"
    return "refused"


def ask(client: TestClient) -> Target:
    """Send a request that stands in a file as HTTP/1.1 has it: a line, headers, an empty line, a body."""

    def send(data: bytes) -> str:
        head, _, body = data.replace(b"\r\n", b"\n").partition(b"\n\n")
        first, *lines = head.decode("latin-1").split("\n")
        method, _, rest = first.partition(" ")
        path = rest.rsplit(" ", 1)[0]
        headers = {}
        for line in lines:
            name, _, value = line.partition(":")
            if name.strip().isidentifier() or name.replace("-", "").isalnum():
                headers[name.strip()] = value.strip().encode("latin-1")
        boundary_body = body.replace(b"\n", b"\r\n") if b"multipart" in head else body
        try:
            address = f"http://127.0.0.1:8417/{path.lstrip('/')}"
            request = client.build_request(
                method if method.isalpha() else "GET", address, headers=headers, content=boundary_body
            )
        except (ValueError, TypeError) as error:  # the client itself does not send such a thing
            return f"not sent: {type(error).__name__}"
        except Exception as error:
            if type(error).__module__.partition(".")[0] in ("httpx2", "httpcore2"):
                return f"not sent: {type(error).__name__}"
            raise
        answer = client.send(request, follow_redirects=False)
        assert answer.status_code < 500, f"{answer.status_code} {answer.text[:300]}"
        return f"answered {answer.status_code}"

    return send


def targets(stack: ExitStack, scratch: Path) -> Iterator[tuple[str, Target]]:
    """Each target with the name of its files in the corpus."""
    yield "photo", read_photo_with(stack.enter_context(GuardedReader()))
    yield "exif", read_exif_block
    (scratch / "mold").mkdir()
    yield "toml", read_mold_toml(scratch / "mold")
    yield "pieces", read_pieces
    yield "logger", read_logger
    fill_log(scratch / "data", pieces=12, molds=2)
    app = create_app(
        Settings(data_dir=scratch / "data"), open_workshop=lambda folder: Workshop.open(folder, engine=DRAWN_ENGINE)
    )
    client = TestClient(app, base_url="http://127.0.0.1:8417", cookies={"reviewer": "Ada"})
    yield "http", ask(stack.enter_context(client))


def corpus_of(target: str) -> list[bytes]:
    """The files that a target starts from."""
    return [path.read_bytes() for path in sorted(CORPUS.glob(f"{target}-*"))]


def fuzz(target: str, take: Target, *, seed: int, enough: Callable[[int], bool]) -> Iterator[Broken | str]:
    """Give what became of each damaged file, the files of the corpus as they are first, until it is enough."""
    rng = random.Random(f"{target} {seed}")
    files = corpus_of(target)
    number = 0
    while not enough(number):
        data = files[number] if number < len(files) else mutated(rng.choice(files), rng, files)
        number += 1
        try:
            yield take(data)
        except Exception:  # noqa: BLE001 - whatever it is, it is what is looked for
            yield Broken(target, data, traceback.format_exc())


def _is_late(until_s: float, _: int) -> bool:
    return time.monotonic() > until_s


def main() -> None:
    parser = argparse.ArgumentParser(description="Damage files and requests at random, and see that they are refused.")
    parser.add_argument("--seconds", type=float, default=600, help="for all targets together")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", help="only this one: photo, exif, toml, pieces, logger, http")
    asked = parser.parse_args()
    broken = 0
    with tempfile.TemporaryDirectory() as scratch, ExitStack() as stack:
        chosen = [item for item in targets(stack, Path(scratch)) if asked.target in (None, item[0])]
        for name, take in chosen:
            until_s = time.monotonic() + asked.seconds / len(chosen)
            counts: Counter[str] = Counter()
            for outcome in fuzz(
                name, take, seed=asked.seed, enough=lambda _, until_s=until_s: time.monotonic() > until_s
            ):
                if isinstance(outcome, Broken):
                    broken += 1
                    kept = CORPUS / f"{name}-broke-{hashlib.sha256(outcome.data).hexdigest()[:12]}"
                    kept.write_bytes(outcome.data)
                    print(f"{kept}:\n{outcome.why}")
                counts["broke the program" if isinstance(outcome, Broken) else outcome] += 1
            print(f"{name}: {sum(counts.values())} files, {dict(counts.most_common(12))}")
    print(f"{broken} broke the program")
    sys.exit(bool(broken))


if __name__ == "__main__":
    main()

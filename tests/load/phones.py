"""Twenty phones send photos of 12 megapixels at once while two people review: what is refused, how long reviews take.

`inspector serve` runs with its own engine over the demo's molds. Each phone sends its next photo as soon as the one
before is kept, as the page for photographing does, and asks for the verdicts. Half of the photos say their mold. Two
reviewers look at pieces and say what becomes of them, one page after the other. At length:

    python -m tests.load.phones --photos 5
"""

import argparse
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx2
import numpy as np

from inspector.log import check_log
from inspector.workshop import Workshop, add_demo_molds, find_demo_folders

ROOT = Path(__file__).parents[2]
# The demo's photos of 12 megapixels.
LARGE = ("oak-leaf-10", "petal-finial-12", "wading-bird-08")
FOR_A_PROGRAM = {"Accept": "application/json"}
MEASURED_EVERY_S = 0.2


@dataclass
class Seen:
    """What phones and reviewers saw."""

    answers: Counter[str] = field(default_factory=Counter)
    not_used: Counter[str] = field(default_factory=Counter)
    """Why photos could not be used; in a sentence without the photo's name."""
    keeping_s: list[float] = field(default_factory=list)
    verdict_s: list[float] = field(default_factory=list)
    reviews_s: list[float] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    longest_queue: int = 0
    most_bytes: int = 0


def photo_named(stem: str, number: str) -> bytes:
    """A photo of 12 megapixels, made one of its own: a phone may append anything to a JPEG."""
    return (ROOT / "sample_images" / f"{stem}.jpg").read_bytes() + number.encode()


def send_photos(address: str, phone: int, photos: int, seen: Seen) -> None:
    """Be a phone: send each photo once the one before is kept, then ask until each has its verdict."""
    kept: dict[str, float] = {}
    with httpx2.Client(base_url=address, headers=FOR_A_PROGRAM, timeout=120) as client:
        for number in range(photos):
            stem = LARGE[(phone + number) % len(LARGE)]
            began_s = time.monotonic()
            answer = client.post(
                "/photos",
                data={
                    "mold": stem.rsplit("-", 1)[0] if number % 2 == 0 else "",
                    "photo_key": f"{phone:08}-{number:08}",
                    "piece_key": f"{phone:08}-{number:08}",
                },
                files={"photos": (f"{phone}-{number}.jpg", photo_named(stem, f"{phone}.{number}"))},
            )
            seen.keeping_s.append(time.monotonic() - began_s)
            seen.answers[f"answered {answer.status_code}"] += 1
            if answer.status_code not in (200, 202):
                seen.wrong.append(f"phone {phone}, photo {number}: {answer.status_code} {answer.text[:200]}")
                continue
            (photo,) = answer.json()["photos"]
            if photo["outcome"] == "kept":
                kept[photo["verdict"]] = began_s
                before = re.search(r"\d+", photo["message"])
                seen.longest_queue = max(seen.longest_queue, int(before[0]) + 1 if before else 1)
            else:
                note_verdict(photo, began_s, seen)
        while kept:
            time.sleep(1)  # as the page does
            for verdict, began_s in list(kept.items()):
                try:
                    answer = client.get(verdict)
                except httpx2.TransportError as error:  # browsers ask such a question once more, and so is it here
                    seen.answers[f"asked again: {type(error).__name__}"] += 1
                    continue
                if answer.status_code != 200:
                    seen.wrong.append(f"phone {phone}: {verdict} {answer.status_code}")
                    del kept[verdict]
                elif answer.json()["outcome"] != "kept":
                    note_verdict(answer.json(), began_s, seen)
                    del kept[verdict]


def note_verdict(photo: dict[str, Any], began_s: float, seen: Seen) -> None:
    seen.verdict_s.append(time.monotonic() - began_s)
    seen.answers[photo["outcome"]] += 1
    if photo["outcome"] == "could not be used":
        seen.not_used[photo["message"].replace(photo["name"], "N")] += 1


def review(address: str, name: str, piece: int, stop: threading.Event, seen: Seen) -> None:
    """Be a reviewer: look at the list, at a piece, say what becomes of it, take it back."""
    with httpx2.Client(base_url=address, cookies={"reviewer": name}, timeout=120) as client:
        seen_version = "0.0.0"
        while not stop.is_set():
            for method, path, fields in (
                ("GET", "/", {}),
                ("GET", f"/pieces/{piece}", {}),
                ("POST", f"/pieces/{piece}/dispositions", {"outcome": "sell"}),
                ("POST", f"/pieces/{piece}/undo", {}),
            ):
                began_s = time.monotonic()
                if method == "GET":
                    answer = client.get(path)
                else:
                    answer = client.post(path, data={**fields, "seen": seen_version}, follow_redirects=False)
                seen.reviews_s.append(time.monotonic() - began_s)
                if answer.status_code not in (200, 303):
                    seen.wrong.append(f"{name}: {method} {path} {answer.status_code}")
                version = re.search(r'name="seen" value="([^"]+)"', client.get(f"/pieces/{piece}").text)
                seen_version = version[1] if version else ""


def process_tree(pid: int) -> set[int]:
    found, left = set(), [pid]
    while left:
        parent = left.pop()
        found.add(parent)
        for task in Path(f"/proc/{parent}/task").glob("*"):
            try:
                left += [int(child) for child in (task / "children").read_text().split()]
            except OSError:  # it has just ended
                continue
    return found


def memory_bytes(pid: int) -> int:
    """What a process and all below it hold, what they share counted once (proportional set size of Linux)."""
    total = 0
    for each in process_tree(pid):
        try:
            rollup = Path(f"/proc/{each}/smaps_rollup").read_text()
        except OSError:  # it has just ended
            continue
        total += 1024 * int(re.search(r"^Pss:\s+(\d+)", rollup, re.MULTILINE)[1])  # type: ignore[index]
    return total


def watch_memory(pid: int, stop: threading.Event, seen: Seen) -> None:
    while not stop.wait(MEASURED_EVERY_S):
        seen.most_bytes = max(seen.most_bytes, memory_bytes(pid))


def furnish(data_dir: Path) -> None:
    """The demo's molds, and two pieces for the reviewers."""
    demo = find_demo_folders()
    with Workshop.open(data_dir) as shop:
        for _ in add_demo_molds(shop, demo.molds):
            pass
        for number in (1, 2):
            path = ROOT / "sample_images" / f"oak-leaf-{number:02}.jpg"
            shop.record(path.read_bytes(), name=path.name, mold="oak-leaf")


def run(data_dir: Path, *, phones: int, photos: int) -> Seen:
    """Serve, send and review; everything that was seen."""
    seen = Seen()
    command = [sys.executable, "-c", "from inspector.cli import app; app()", "serve", "--port", "0", "--data"]
    with subprocess.Popen([*command, str(data_dir)], cwd=ROOT, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        address = re.search(r"http://\S+", server.stdout.readline())[0]  # type: ignore[index]
        stop = threading.Event()
        try:
            httpx2.get(f"{address}health", timeout=60)
            beside = [
                threading.Thread(target=watch_memory, args=(server.pid, stop, seen)),
                *(
                    threading.Thread(target=review, args=(address, name, piece, stop, seen))
                    for piece, name in enumerate(("Ada", "Ben"), start=1)
                ),
            ]
            senders = [
                threading.Thread(target=send_photos, args=(address, phone, photos, seen)) for phone in range(phones)
            ]
            for thread in beside + senders:
                thread.start()
            for thread in senders:
                thread.join()
            stop.set()
            for thread in beside:
                thread.join()
        finally:
            stop.set()
            server.terminate()
            server.wait(timeout=60)
    seen.wrong += [trouble.what for trouble in check_log(data_dir).troubles]
    with Workshop.open(data_dir) as shop:
        logged = sum(len(piece.photo_ids) for piece in shop.pieces()) - 2 + len(shop.queue.unrecognised())
        if logged != phones * photos:
            seen.wrong.append(f"{logged} photos are in the log, {phones * photos} were sent")
        if shop.queue.count():
            seen.wrong.append(f"{shop.queue.count()} photos still wait")
    return seen


def told(what: str, seconds: list[float]) -> str:
    median, p95, longest = np.percentile(seconds, [50, 95, 100])
    return f"{what}: median {median:.2f} s, p95 {p95:.2f} s, longest {longest:.2f} s ({len(seconds)})"


def main() -> None:
    parser = argparse.ArgumentParser(description="Send photos of 12 megapixels from many phones while people review.")
    parser.add_argument("--phones", type=int, default=20)
    parser.add_argument("--photos", type=int, default=5, help="of each phone")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        furnish(Path(scratch))
        began_s = time.monotonic()
        seen = run(Path(scratch), phones=asked.phones, photos=asked.photos)
        took_s = time.monotonic() - began_s
    print(
        f"{asked.phones} phones, {asked.photos} photos each, all inspected after {took_s:.0f} s: {dict(seen.answers)}"
    )
    print(told("until a photo was answered", seen.keeping_s))
    print(told("until its verdict was there", seen.verdict_s))
    print(told("a reviewer's request", seen.reviews_s))
    for why, count in seen.not_used.most_common():
        print(f"could not be used: {count}, {why}")
    print(f"longest queue {seen.longest_queue}, most memory {seen.most_bytes / 1e9:.2f} GB")
    print(f"{len(seen.wrong)} things went wrong", *seen.wrong, sep="\n")
    sys.exit(bool(seen.wrong))


if __name__ == "__main__":
    main()

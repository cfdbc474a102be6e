"""How often molds are recognised: photos of benches against the references of all molds given together.

    python -m tests.benchmarks.recognising FOLDER... --known FOLDER...

Each photo of FOLDER is recognised among the molds of all folders. Then once more without its own mold: whatever is
named there is wrong. Photos that are too poor to be inspected are left out, as `record` would tell them anyway.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2

from inspector.errors import PhotoError
from inspector.imaging.reading import read_photo
from inspector.inspection import prepare_reference
from inspector.inspection.judging import why_unusable
from inspector.inspection.recognising import KnownSide, Recognition, recognise, sign_photo, sign_reference
from inspector.inspection.view import look_at
from inspector.workshop.mold_folder import read_mold_folder
from tests.benchmarks.bench_folder import BenchMold, read_bench

MOST_REFERENCES = 3


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path, help="benches whose photos are recognised")
    parser.add_argument("--known", nargs="*", type=Path, default=[], help="benches that only lend their molds")
    parser.add_argument("--every", type=int, default=1, help="only every so many photos")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    benches = {folder: read_bench(folder) for folder in given.folders}
    molds = {mold.name: mold for folder in given.known for mold in read_bench(folder)}
    molds |= {mold.name: mold for bench in benches.values() for mold in bench}
    known = [_known_side(mold) for mold in molds.values()]
    print(f"{len(known)} molds, {sum(len(side.signatures) for side in known)} references")
    for folder, bench in benches.items():
        photos = [photo for mold in bench for photo in mold.photos]
        _report(folder, photos[:: given.every], known)


def _known_side(mold: BenchMold) -> KnownSide:
    signatures = []
    for path in read_mold_folder(mold.folder).photos[:MOST_REFERENCES]:
        try:
            signatures.append(sign_reference(prepare_reference(read_photo(path.read_bytes(), name=path.name))))
        except PhotoError as error:
            print(f"{mold.name}: {error}")
    return KnownSide(mold.name, "", tuple(signatures))


def _report(folder: Path, photos: Sequence[tuple[Path, dict[str, Any]]], known: Sequence[KnownSide]) -> None:
    counts: Counter[tuple[str, str]] = Counter()
    seconds: list[float] = []
    for path, truth in photos:
        view = look_at(read_photo(path.read_bytes(), name=path.name), thorough=False)
        if why_unusable(view) is not None:
            counts["", "too poor"] += 1
            continue
        own = truth.get("shows") or truth["mold"]
        began = time.process_time()  # of one thread: other work on the machine does not count
        signature = sign_photo(view)
        found = recognise(signature, known)
        seconds.append(time.process_time() - began)
        counts["all registered", _outcome(found, own, path)] += 1
        others = [side for side in known if side.mold != own]
        counts["its own mold not registered", _outcome(recognise(signature, others), None, path)] += 1
    print(f"{folder}: {len(photos)} photos, {counts['', 'too poor']} too poor")
    for case in ("all registered", "its own mold not registered"):
        print(f"  {case}: " + ", ".join(f"{name} {counts[case, name]}" for name in ("right", "unsure", "wrong")))
    if seconds:
        mean, most = sum(seconds) / len(seconds), max(seconds)
        print(f"  seconds of one core a photo, beyond looking at it: mean {mean:.2f}, most {most:.2f}")


def _outcome(found: Recognition, own: str | None, path: Path) -> str:
    if found.mold is None:
        return "unsure"
    if found.mold == own:
        return "right"
    print(f"  {path.name} taken for {found.mold}, is {own or 'not registered'}")
    return "wrong"


if __name__ == "__main__":
    main()

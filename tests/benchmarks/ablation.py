"""What of the data mattered that the damage map learns from: fits that go without some of it, beside the whole.

    python -m tests.benchmarks.ablation fit LAYERS --out DIR [--only NAME...] [--seeds 0 1 2]
    python -m tests.benchmarks.ablation look OTHER_LAYERS --out DIR

LAYERS is what `aligned_layers` kept of the set `learning`, OTHER_LAYERS of sets whose molds are others. All fits take
the same steps, each from several seeds, so that what chance does is seen beside what the data do. Looked at is the map
alone, without what else the engine weighs: places beyond the log odds that leave so many false ones on a good piece.
Needs PyTorch (extra `train`) and, to fit, a graphics card.
"""

from __future__ import annotations

import argparse
import pickle
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from torch import Tensor

from inspector.comparing.silhouette import depth_inside
from inspector.inspection import candidates
from inspector.inspection.damage_map import MAP_PX_PER_MM, map_damage, normal_surface
from inspector.inspection.networks import FOLDER, Networks
from tests.benchmarks.aligned_mold import LEAST_ODDS, ODDS_LEVELS, AlignedMold, decoded
from tests.benchmarks.fit_damage_map import (
    PAINTED_COPIES,
    PX_PER_MM,
    Change,
    as_another_photo,
    examples_of,
    fit_networks,
)

STEPS = 4500
# False places and lines on a good piece that the limits leave, and from which log odds on places are cut.
FALSE_PLACES, FALSE_LINES = 0.2, 0.1
CUT_AT = {"place": candidates.LEAST_ODDS, "line": candidates.LEAST_CRACK_ODDS}
SIZES = {
    "missing, 8 mm": ("missing feature", 8.0, np.inf),
    "chips, 4 mm": ("chip", 4.0, np.inf),
    "chips, 2 to 4 mm": ("chip", 2.0, 4.0),
    "cracks": ("hairline crack", 0.0, np.inf),
}


@dataclass(frozen=True, slots=True)
class Course:
    """What one fit goes without."""

    one_in: int = 1  # of the molds
    kinds: tuple[str, ...] = ()  # of molds; all where none is named
    painted: bool = True
    references: int = 3
    change: Change = as_another_photo


def as_it_is(surface: Tensor, references: Tensor, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
    """A photo and its references unchanged."""
    return surface, references


COURSES = {
    "whole": Course(),
    "nothing painted": Course(painted=False),
    "nothing changed at random": Course(change=as_it_is),
    "one reference": Course(references=1),
    "half of the molds": Course(one_in=2),
    "a quarter of the molds": Course(one_in=4),
    "two kinds of mold": Course(kinds=("panel", "sprig")),
}


def fit(layers: Path, out: Path, names: list[str], seeds: list[int], *, workers: int, minutes: float) -> None:
    """Fit some courses, one after the other, from each seed."""
    paths = sorted(layers.glob("*.pickle"))
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        by_mold = list(pool.map(partial(examples_of, copies=PAINTED_COPIES), paths))
    for name in names:
        course = COURSES[name]
        # Names begin with the kind of mold: in turn, each share has some of all.
        used = [
            (path.stem, examples)
            for path, examples in list(zip(paths, by_mold, strict=True))[:: course.one_in]
            if not course.kinds or path.stem.split("__")[1].startswith(course.kinds)
        ]
        some = [
            replace(one, references=one.references[: course.references])
            for _, examples in used
            for one in examples
            if course.painted or not one.painted
        ]
        print(f"{name}: {len(some)} examples", flush=True)
        molds = [mold for mold, _ in used]
        for seed in seeds:
            folder = out / name / str(seed)
            fit_networks(some, molds, folder, steps=STEPS, seed=seed, minutes=minutes, change=course.change)


def look(layers: Path, out: Path, *, workers: int) -> None:
    """Tell how the fitted networks do on other molds, and those that ship."""
    paths = sorted(layers.glob("*.pickle"))
    fits = {name: sorted(one.parent for one in (out / name).glob("*/damage_judge.onnx")) for name in COURSES}
    print(f"| {'learnt from':26} | fits | {' | '.join(SIZES)} |")
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for name, folders in (fits | {"ships": [FOLDER]}).items():
            found = [
                _found([photo for few in pool.map(partial(_seen, folder), paths) for photo in few])
                for folder in folders
            ]
            if found:
                cells = [_in_words([one[size] for one in found]) for size in SIZES]
                print(f"| {name:26} | {len(found)} | {' | '.join(cells)} |", flush=True)


@dataclass(frozen=True, slots=True)
class _Seen:
    """What a map shows of one photo: the peaks of places and lines, and which defects each lies on."""

    good: bool
    defects: tuple[tuple[int, str, float], ...]  # number, kind, extent
    peaks: dict[str, list[tuple[float, tuple[int, ...]]]]


def _seen(folder: Path, path: Path) -> list[_Seen]:
    cv2.setNumThreads(1)
    mold: AlignedMold = pickle.loads(path.read_bytes())
    mask = decoded(mold.mask)
    inside_mm = depth_inside(mask, px_per_mm=PX_PER_MM)
    normal = normal_surface(
        [decoded(one) for one in mold.references], mask, px_per_mm=PX_PER_MM, networks=Networks.read(folder)
    )
    found = []
    for photo in mold.photos:
        odds = decoded(photo.piece_odds).astype(np.float32) / np.float32(ODDS_LEVELS) + np.float32(LEAST_ODDS)
        damage = map_damage(
            decoded(photo.gray), decoded(photo.valid) > 0, odds, mask, inside_mm, normal,
            px_per_mm=PX_PER_MM,
        )  # fmt: skip
        numbers = decoded(photo.defects)
        defects = tuple((k, kind, _extent_mm(numbers == k)) for k, kind in enumerate(photo.kinds, start=1))
        near = cv2.dilate(numbers, np.ones((5, 5), dtype=np.uint8))[::2, ::2]
        maps = {"place": damage.odds, "line": damage.crack}
        peaks = {name: list(_peaks(one, CUT_AT[name], near)) for name, one in maps.items()}
        found.append(_Seen(not photo.kinds, defects, peaks))
    return found


def _extent_mm(where: NDArray[np.bool_]) -> float:
    points = cv2.findNonZero(where.astype(np.uint8))
    return 0.0 if points is None else (max(cv2.minAreaRect(points)[1]) + 1) / PX_PER_MM


def _peaks(
    odds: NDArray[np.float32], cut_at: float, near: NDArray[np.uint8]
) -> Iterator[tuple[float, tuple[int, ...]]]:
    """The highest log odds of each connected place, and the numbers of the defects within half a millimetre of it."""
    for peak, _, mask, left, top in candidates.by_peak(
        odds, odds > cut_at, candidates.SMALLEST_DAMAGE_MM2 * MAP_PX_PER_MM**2
    ):
        under = near[top : top + mask.shape[0], left : left + mask.shape[1]]
        numbers = np.unique(under[mask[: under.shape[0], : under.shape[1]] > 0])
        yield peak, tuple(int(n) for n in numbers if n)


def _found(photos: list[_Seen]) -> dict[str, tuple[int, int]]:
    """How many of each size are found, of how many, at limits that leave as many false ones as wanted."""
    good = [photo for photo in photos if photo.good]
    limits = {}
    for name, allowed in (("place", FALSE_PLACES), ("line", FALSE_LINES)):
        false = sorted((peak for photo in good for peak, _ in photo.peaks[name]), reverse=True)
        number = round(allowed * len(good))
        limits[name] = false[number] if len(false) > number else CUT_AT[name]
    found, of = Counter[str](), Counter[str]()
    for photo in photos:
        on = {
            name: {n for peak, numbers in peaks if peak > limits[name] for n in numbers}
            for name, peaks in photo.peaks.items()
        }
        for number, kind, extent_mm in photo.defects:
            for size, (of_kind, low, high) in SIZES.items():
                if kind == of_kind and low <= extent_mm < high:
                    of[size] += 1
                    found[size] += number in on["line" if kind == "hairline crack" else "place"]
    return {size: (found[size], of[size]) for size in SIZES}


def _in_words(found: list[tuple[int, int]]) -> str:
    """What the fits of a course find: the mean, and the fewest and most."""
    counts = [count for count, _ in found]
    least, most = min(counts), max(counts)
    spread = f" ({least} to {most})" if len(counts) > 1 else ""
    return f"{np.mean(counts):.3g} of {found[0][1]}{spread}"


def main() -> None:
    """Read the arguments, fit or look."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["fit", "look"])
    parser.add_argument("layers", type=Path, help="folder that aligned_layers wrote")
    parser.add_argument("--out", type=Path, required=True, help="folder of the fits")
    parser.add_argument("--only", nargs="*", default=list(COURSES), choices=COURSES, metavar="NAME", help="these fits")
    parser.add_argument("--seeds", type=int, nargs="+", default=[0, 1, 2], help="fits of each (default 0 1 2)")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=25.0)
    arguments = parser.parse_args()
    if arguments.what == "fit":
        courses, seeds = arguments.only, arguments.seeds
        fit(arguments.layers, arguments.out, courses, seeds, workers=arguments.workers, minutes=arguments.minutes)
    else:
        look(arguments.layers, arguments.out, workers=arguments.workers)


if __name__ == "__main__":
    main()

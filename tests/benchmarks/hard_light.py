"""Is hard light told from soft light by the shadow that a good piece casts on the mat?

    python -m tests.benchmarks.hard_light BENCH...

What a lamp by itself leaves of the light in its shadow is held against what a window and an overcast sky leave, on
photos of good pieces that show the mat, outlined as references are. Molds are taken in turns for two halves: a limit
is chosen on the first, where it takes fewest for the other kind, and told on the second.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from inspector.errors import PhotoError
from inspector.inspection import Reference
from inspector.inspection.photo_quality import HARD_SHADOW, shadow_light
from tests.benchmarks.bench_folder import read_bench

HARD, SOFT = ("hard lamp", "low raking"), ("overcast dome", "soft window")


@dataclass(frozen=True, slots=True)
class LitPhoto:
    """One photo of a good piece: the light that it was made with, and what was measured."""

    mold: str
    light: str
    shadow: float


def measure(folders: Sequence[Path]) -> list[LitPhoto]:
    """Measure the good photos of some benches; those that would be refused as references are left out."""
    found = []
    for folder in folders:
        for mold in read_bench(folder):
            for path, truth in mold.photos:
                if not truth["good"] or truth.get("unusable"):
                    continue
                try:
                    reference = Reference.open(path)
                except PhotoError:
                    continue
                if reference.view.sighting is not None:
                    shadow = shadow_light(reference.view.gray, reference.piece, reference.view.sighting)
                    found.append(LitPhoto(mold.name, truth["light"], shadow))
    return found


def mistaken(photos: Sequence[LitPhoto], limit: float) -> tuple[int, int]:
    """Photos in hard light that are taken for soft, and the other way round."""
    hard = [photo.shadow for photo in photos if photo.light in HARD]
    soft = [photo.shadow for photo in photos if photo.light in SOFT]
    return sum(shadow >= limit for shadow in hard), sum(shadow < limit for shadow in soft)


def main() -> None:
    """Choose on one half of the molds, report on the other."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("benches", nargs="+", type=Path)
    photos = measure(parser.parse_args().benches)
    molds = sorted({photo.mold for photo in photos})
    first = [photo for photo in photos if photo.mold in molds[::2]]
    second = [photo for photo in photos if photo.mold in molds[1::2]]
    limits = np.arange(0.05, 0.6, 0.01)
    errors = np.array([sum(mistaken(first, limit)) for limit in limits])
    best = limits[errors == errors.min()]
    print(f"first half: {', '.join(molds[::2])}")
    print(f"first half: fewest mistaken, {errors.min()}, at limits from {best[0]:.2f} to {best[-1]:.2f}")
    for name, half in (("first", first), ("second", second)):
        hard, soft = (sum(photo.light in kind for photo in half) for kind in (HARD, SOFT))
        missed, raised = mistaken(half, HARD_SHADOW)
        print(f"{name} half at {HARD_SHADOW:g}: {hard - missed} of {hard} hard ones told, {raised} of {soft} soft ones")
    for light in sorted({photo.light for photo in photos}):
        shadows = [photo.shadow for photo in second if photo.light == light]
        if shadows:
            told = sum(shadow < HARD_SHADOW for shadow in shadows)
            spread = ", ".join(f"{value:.2f}" for value in np.percentile(shadows, (10, 50, 90)))
            print(f"second half, {light}: {told} of {len(shadows)} told as hard; 10, 50, 90 %: {spread}")


if __name__ == "__main__":
    main()

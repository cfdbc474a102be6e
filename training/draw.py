"""Draw molds, photograph their castings, and keep the photos: what `training.fit` learns from besides the path-traced.

    python -m training.draw --out FOLDER [--minutes 4] [--molds N] [--seed 0] [--without NAME...]

Mold number k of a seed is the same on every run on the same kind of card. A large card draws some five molds a second;
several may draw beside each other, each with a seed of its own. --without leaves something out of the photos, to learn
what matters: stains, damp, misfit, parallax, developing.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import torch

from training.castings import Habits
from training.photos import MoldPhotos, Trial, photograph_mold, speckle_raster

__all__ = ["AT_ONCE", "draw_molds", "trial_without"]

AT_ONCE = 50  # molds of one file
SEEDS_APART = 1_000_000


def trial_without(names: list[str]) -> Trial:
    """What to draw when something is left out."""
    return Trial(
        habits=Habits(stained="stains" not in names, damp="damp" not in names),
        misaligned="misfit" not in names,
        parallax="parallax" not in names,
        developed="developing" not in names,
    )


def draw_molds(folder: Path, *, seed: int, molds: int, minutes: float, trial: Trial, device: torch.device) -> int:
    """Draw until there are enough or the time is up; gives how many molds were kept."""
    folder.mkdir(parents=True, exist_ok=True)
    speckle = speckle_raster(device)
    began, done = time.monotonic(), 0
    while done < molds and time.monotonic() - began < 60 * minutes:
        few: list[MoldPhotos] = []
        for k in range(done, min(done + AT_ONCE, molds)):
            few.append(photograph_mold(seed * SEEDS_APART + k, speckle, trial=trial))
        torch.save(few, folder / f"drawn-{seed}-{done:05d}.pt")
        done += len(few)
        print(f"{done} molds after {time.monotonic() - began:.0f} s", flush=True)
    return done


def main() -> None:
    """Read the arguments, draw."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=4.0)
    parser.add_argument("--molds", type=int, default=10**6)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument(
        "--without", nargs="*", default=[], choices=["stains", "damp", "misfit", "parallax", "developing"]
    )
    arguments = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    draw_molds(
        arguments.out,
        seed=arguments.seed,
        molds=arguments.molds,
        minutes=arguments.minutes,
        trial=trial_without(arguments.without),
        device=device,
    )


if __name__ == "__main__":
    main()

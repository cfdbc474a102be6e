"""Works something out for each mold of some folders, side by side, and keeps one file a mold."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.benchmarks.bench_folder import BenchMold, read_bench


def keep_molds(description: str | None, keep: Callable[[tuple[BenchMold, Path]], str]) -> None:
    """Read the arguments, and tell what ``keep`` says of each mold and the file that it wrote.

    Parameters
    ----------
    description : str, optional
        What the command is for.
    keep : callable
        Takes a mold and where to keep what comes of it; a function of a module, since processes call it.
    """
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    jobs = [
        (mold, arguments.out / f"{folder.resolve().name}__{mold.name}.pickle")
        for folder in arguments.folders
        for mold in read_bench(folder)
    ]
    with ProcessPoolExecutor(arguments.workers) as pool:
        for said in pool.map(keep, jobs):
            print(said, flush=True)

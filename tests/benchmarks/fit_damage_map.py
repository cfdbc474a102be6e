"""Fit the network of the damage map on the tuning photos, and write it into the package.

    python -m tests.benchmarks.fit_damage_map FOLDER [FOLDER...] --work DIR [--references 3 1]

Step one measures every photo (minutes; kept in DIR and not done twice): what is known of each place of its piece,
and whether the truth has damage there. Step two fits the network that ships, on all molds, and for each mold
one that has never seen it: those lie in DIR/folds for `fit_confidence`, which needs honest maps. Only folders of the
tuning split belong here.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.reading import read_photo
from inspector.inspection.damage_map import map_inside, map_size, measures
from inspector.inspection.inspecting import match_model
from inspector.inspection.network import Network, network_as_json
from inspector.inspection.view import look_at
from tests.benchmarks.bench_folder import BenchMold, model_of, read_bench

NETWORKS = Path(__file__).parents[2] / "inspector" / "inspection" / "damage_map.json"
LEARNT_KINDS = ("chip", "missing feature", "surface void")
HIDDEN = (24, 12)
SEEDS = (0, 1)
# Places taken of each defect and of the sound rest of each photo.
OF_A_DEFECT, OF_THE_REST = 150, 500
EPOCHS, BATCH, RATE, DECAY = 10, 1024, 3e-3, 3e-4


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One photo against the references of its mold."""

    mold: str
    values: NDArray[np.float32]  # (h, w, n)
    defect: NDArray[np.int16]  # (h, w) number of the defect from 1, 0 where sound
    near_defect: NDArray[np.uint8]  # not to be learnt as sound
    inside: NDArray[np.bool_]
    kinds: tuple[str, ...]


def measure_mold(job: tuple[BenchMold, int, Path]) -> int:
    """Measure the photos of one mold, and keep what was measured."""
    mold, references, work = job
    cv2.setNumThreads(1)
    model = None
    for path, truth in mold.photos:
        kept = work / f"{path.parent.name}__{mold.name}__{path.stem}__{references}.npz"
        if truth.get("unusable") or kept.exists():
            continue
        model = model or model_of(mold.folder, most_references=references)
        view = look_at(read_photo(path.read_bytes(), name=path.name), thorough=False)
        matched = match_model(view, model)
        if matched is None:
            continue
        warp, evidence = matched
        values = measures(model, evidence, photo_px_per_mm=truth["px_per_mm"])
        defect = np.zeros(values.shape[:2], dtype=np.int16)
        near = np.zeros(values.shape[:2], dtype=np.uint8)
        for number, real in enumerate(truth["defects"], start=1):
            polygon = np.array(real["polygon"], dtype=float)[None]
            drawn = np.round(cv2.perspectiveTransform(polygon, np.linalg.inv(view.frame.photo_from_frame))[0] * 16)
            canvas = np.zeros(view.mask.shape, dtype=np.uint8)
            cv2.fillPoly(canvas, [drawn.astype(np.int32)], 255, cv2.LINE_8, 4)
            cv2.polylines(canvas, [drawn.astype(np.int32)], True, 255, 1, cv2.LINE_8, 4)
            in_box = cv2.remap(canvas, warp.photo_xy, None, cv2.INTER_LINEAR)
            here = cv2.resize(in_box, map_size(model), interpolation=cv2.INTER_AREA) > 100
            defect[here] = number
            near |= cv2.dilate(here.astype(np.uint8), np.ones((5, 5), dtype=np.uint8))
        np.savez(
            kept,
            M=values.astype(np.float16),
            lab=defect,
            ign=near,
            inside=map_inside(model, evidence),
            kinds=np.array([real["kind"] for real in truth["defects"]]),
        )
    print(f"{mold.name}: measured against {references}", flush=True)
    return references


def read_measured(path: Path) -> Measured:
    """What ``measure_mold`` kept."""
    kept = np.load(path)
    return Measured(
        mold=path.name.split("__")[1],
        values=kept["M"].astype(np.float32),
        defect=kept["lab"],
        near_defect=kept["ign"],
        inside=kept["inside"],
        kinds=tuple(str(kind) for kind in kept["kinds"]),
    )


def places(photo: Measured, rng: np.random.Generator) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """A sample of places, as many of a small defect as of a large one, and whether each is damaged."""
    values, damaged = [], []
    for number, kind in enumerate(photo.kinds, start=1):
        there = np.argwhere((photo.defect == number) & photo.inside)
        if kind in LEARNT_KINDS and len(there):
            taken = there[rng.choice(len(there), OF_A_DEFECT, replace=len(there) < OF_A_DEFECT)]
            values.append(photo.values[taken[:, 0], taken[:, 1]])
            damaged.append(np.ones(len(taken), dtype=np.float32))
    sound = np.argwhere(photo.inside & (photo.near_defect == 0))
    taken = sound[rng.choice(len(sound), min(OF_THE_REST, len(sound)), replace=False)]
    values.append(photo.values[taken[:, 0], taken[:, 1]])
    damaged.append(np.zeros(len(taken), dtype=np.float32))
    return np.concatenate(values), np.concatenate(damaged)


def train(values: NDArray[np.float32], damaged: NDArray[np.float32], *, seed: int) -> Network:
    """Logistic loss, He's initial weights, Adam (Kingma and Ba 2015) with weight decay and a falling rate."""
    rng = np.random.default_rng(seed)
    centre, scale = values.mean(axis=0), values.std(axis=0) + 1e-3
    x = np.clip((values - centre) / scale, -6, 6).astype(np.float32)
    sizes = (x.shape[1], *HIDDEN, 1)
    weights = [rng.normal(0, np.sqrt(2 / a), (a, b)).astype(np.float32) for a, b in pairwise(sizes)]
    biases = [np.zeros(b, dtype=np.float32) for b in sizes[1:]]
    parameters = [*weights, *biases]
    first, second = [np.zeros_like(p) for p in parameters], [np.zeros_like(p) for p in parameters]
    steps, done = EPOCHS * int(np.ceil(len(x) / BATCH)), 0
    for _ in range(EPOCHS):
        order = rng.permutation(len(x))
        for start in range(0, len(x), BATCH):
            batch = order[start : start + BATCH]
            gradients = _gradients(x[batch], damaged[batch], weights, biases)
            done += 1
            rate = RATE * (1 - done / (steps + 1))
            for k, (p, g) in enumerate(zip(parameters, gradients, strict=True)):
                first[k] = 0.9 * first[k] + 0.1 * g
                second[k] = 0.999 * second[k] + 0.001 * g * g
                step = (first[k] / (1 - 0.9**done)) / (np.sqrt(second[k] / (1 - 0.999**done)) + 1e-8)
                p -= rate * (step + (DECAY * p if p.ndim > 1 else 0))
    return Network(centre, scale, tuple(weights), tuple(biases))


def _gradients(
    x: NDArray[np.float32],
    y: NDArray[np.float32],
    weights: list[NDArray[np.float32]],
    biases: list[NDArray[np.float32]],
) -> list[NDArray[np.float32]]:
    """Of the mean logistic loss, weights first, then biases."""
    outputs = [x]
    for k, (weight, bias) in enumerate(zip(weights, biases, strict=True)):
        z = outputs[-1] @ weight + bias
        outputs.append(np.maximum(z, 0) if k + 1 < len(weights) else z)
    error = (1 / (1 + np.exp(-outputs[-1][:, 0])) - y)[:, None] / len(x)
    of_weights, of_biases = [], []
    for k in range(len(weights) - 1, -1, -1):
        of_weights.append(outputs[k].T @ error)
        of_biases.append(error.sum(axis=0))
        if k:
            error = (error @ weights[k].T) * (outputs[k] > 0)
    return [*reversed(of_weights), *reversed(of_biases)]


def fit(photos: list[Measured]) -> list[Network]:
    """One network a seed."""
    networks = []
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        samples = [places(photo, rng) for photo in photos]
        values = np.concatenate([sample[0] for sample in samples])
        networks.append(train(values, np.concatenate([sample[1] for sample in samples]), seed=seed))
    return networks


def write(path: Path, networks: list[Network]) -> None:
    """Keep networks as JSON."""
    content: list[dict[str, Any]] = [network_as_json(network) for network in networks]
    path.write_text(json.dumps(content) + "\n", encoding="utf-8")


def main() -> None:
    """Read the arguments, measure, fit, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--references", nargs="+", type=int, default=[3, 1])
    parser.add_argument("--work", type=Path, required=True, help="folder for what was measured")
    arguments = parser.parse_args()
    folds = arguments.work / "folds"
    folds.mkdir(parents=True, exist_ok=True)
    jobs = [
        (mold, n, arguments.work)
        for folder in arguments.folders
        for mold in read_bench(folder)
        for n in arguments.references
    ]
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(measure_mold, jobs))
    photos = [read_measured(path) for path in sorted(arguments.work.glob("*.npz"))]
    molds = sorted({photo.mold for photo in photos})
    for mold in molds:
        write(folds / f"{mold}.json", fit([photo for photo in photos if photo.mold != mold]))
        print(f"{mold}: a network that has not seen it", flush=True)
    write(NETWORKS, fit(photos))
    print(f"{len(photos)} measured photos of {len(molds)} molds")


if __name__ == "__main__":
    main()

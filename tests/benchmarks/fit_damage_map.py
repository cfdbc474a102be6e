"""Fit the networks of the damage map on the tuning photos, and write them into the package.

    python -m tests.benchmarks.fit_damage_map FOLDER [FOLDER...] --work DIR [--references 3 1]

Step one measures every photo, as it is and with damage painted into it (minutes; kept in DIR and not done twice): what
is known of each place of its piece, and whether it is damaged there. Step two fits the networks that ship, on all
molds, and for each mold those that have never seen it: they lie in DIR/folds for `fit_confidence`, which needs honest
maps. Only folders of the tuning split belong here. Needs PyTorch: `pip install --group fit`.
"""

from __future__ import annotations

import argparse
import json
import zlib
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn.functional import binary_cross_entropy_with_logits

from inspector.imaging.reading import read_photo
from inspector.inspection import MoldModel
from inspector.inspection.damage_map import LOOK, MEASURES, map_inside, map_size, measures
from inspector.inspection.inspecting import match_model
from inspector.inspection.network import FARTHEST, Block, Layer, Network, network_as_json
from inspector.inspection.painted_damage import paint_damage
from inspector.inspection.view import View, look_at
from tests.benchmarks.bench_folder import BenchMold, model_of, read_bench

NETWORKS = Path(__file__).parents[2] / "inspector" / "inspection" / "damage_map.json"
LEARNT_KINDS = ("chip", "missing feature", "surface void")
# One network that looks at each place by itself, and one that looks around.
HIDDEN = (24, 12), (32, 16)
SPACINGS: tuple[tuple[int, ...], ...] = ((), (1, 2, 4))
STEPS = 1600, 1600
BATCH, CROP, RATE, DECAY = 8, 64, 4e-3, 1e-2
PAINTED_SHARE = 0.5
# What a sound place weighs, and a defect as a whole, each of its places at most 4.
SOUND, DEFECT, MOST = 0.03, 40.0, 4.0
PLAIN = len(MEASURES) - 4 * len(LOOK)


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One photo against the references of its mold."""

    mold: str
    painted: bool
    values: NDArray[np.float16]  # (h, w, n)
    damaged: NDArray[np.bool_]  # (h, w)
    weight: NDArray[np.float16]  # (h, w) 0 where nothing is to be learnt
    inside_at: NDArray[np.int64]  # (m, 2) a sample of the places on the piece
    defects_at: tuple[NDArray[np.int64], ...]  # the places of each defect


def measure_mold(job: tuple[BenchMold, tuple[int, ...], Path]) -> None:
    """Measure the photos of one mold, and keep what was measured."""
    mold, counts, work = job
    cv2.setNumThreads(1)
    models: dict[int, MoldModel] = {}
    for path, truth in mold.photos:
        for painted in (0, 1):
            home = "-".join(path.parts[-3:-1])
            keys = {n: work / f"{home}__{mold.name}__{path.stem}__{painted}__{n}.npz" for n in counts}
            if truth.get("unusable") or all(kept.exists() for kept in keys.values()):
                continue
            models = models or {n: model_of(mold.folder, most_references=n) for n in counts}
            photo = read_photo(path.read_bytes(), name=path.name)
            shape = photo.image_bgr.shape[:2]
            masks = [_filled(defect["polygon"], shape) for defect in truth["defects"]]
            kinds = [defect["kind"] for defect in truth["defects"]]
            if painted:
                piece = _filled(truth["piece_outline"], shape)
                for mask in masks:
                    piece &= ~(cv2.dilate(mask.astype(np.uint8), np.ones((9, 9), dtype=np.uint8)) > 0)
                rng = np.random.default_rng(zlib.crc32(f"{path.parent.name}/{path.name}".encode()))
                added = paint_damage(photo.image_bgr, piece, px_per_mm=truth["px_per_mm"], rng=rng, defects=5, stains=3)
                photo = replace(photo, image_bgr=added.image_bgr)
                masks, kinds = masks + list(added.masks), kinds + list(added.kinds)
            view = look_at(photo, thorough=False)
            for n, kept in keys.items():
                _measure(kept, view, models[n], truth["px_per_mm"], masks, kinds)
    print(f"{mold.name}: measured", flush=True)


def _filled(outline: list[list[float]], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    canvas = np.zeros(shape, dtype=np.uint8)
    cv2.fillPoly(canvas, [np.round(np.array(outline, dtype=float)).astype(np.int32)], 1)
    return np.asarray(canvas > 0)


def _measure(
    kept: Path, view: View, model: MoldModel, px_per_mm: float, masks: list[NDArray[np.bool_]], kinds: list[str]
) -> None:
    matched = match_model(view, model)
    if matched is None:
        return
    warp, evidence = matched
    values = measures(model, evidence, photo_px_per_mm=px_per_mm)
    defect = np.zeros(values.shape[:2], dtype=np.int16)
    near = np.zeros(values.shape[:2], dtype=np.uint8)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    for number, mask in enumerate(masks, start=1):
        in_frame = cv2.warpPerspective(
            mask.astype(np.uint8) * 255, view.frame.photo_from_frame, view.frame.size_px, flags=flags
        )
        in_box = cv2.remap(in_frame, warp.photo_xy, None, cv2.INTER_LINEAR)
        here = cv2.resize(in_box, map_size(model), interpolation=cv2.INTER_AREA) > 100
        defect[here] = number
        near |= cv2.dilate(here.astype(np.uint8), np.ones((5, 5), dtype=np.uint8))
    np.save(kept.with_suffix(".npy"), values.astype(np.float16))
    np.savez(kept, defect=defect, near=near, inside=map_inside(model, evidence), kinds=np.array(kinds))


def read_measured(path: Path) -> Measured:
    """What ``measure_mold`` kept; the values stay on disk until they are needed."""
    kept = np.load(path)
    _, mold, _, painted, _ = path.stem.split("__")
    inside, damaged = kept["inside"], np.zeros(kept["inside"].shape, dtype=bool)
    weight = np.where(inside & (kept["near"] == 0), SOUND, 0).astype(np.float16)
    at = []
    for number, kind in enumerate(kept["kinds"], start=1):
        here = (kept["defect"] == number) & inside
        if kind in LEARNT_KINDS and here.any():
            damaged |= here
            weight[here] = min(MOST, DEFECT / np.count_nonzero(here))
            at.append(np.argwhere(here))
    values = np.load(path.with_suffix(".npy"), mmap_mode="r")
    return Measured(mold, painted == "1", values, damaged, weight, np.argwhere(inside)[::7], tuple(at))


class Trained(nn.Module):
    """The network of ``inspection.network``, as PyTorch trains it."""

    def __init__(self, inputs: int, hidden: tuple[int, ...], spacings: tuple[int, ...]) -> None:
        super().__init__()
        sizes = [inputs, *hidden]
        self.layers = nn.ModuleList(nn.Conv2d(a, b, 1) for a, b in pairwise(sizes))
        self.blocks = nn.ModuleList(nn.Conv2d(sizes[-1], sizes[-1], 3, padding=d, dilation=d) for d in spacings)
        self.last = nn.Conv2d(sizes[-1], 1, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Log odds (n, h, w) of standardised inputs (n, channels, h, w)."""
        for layer in self.layers:
            x = layer(x).relu()
        for block in self.blocks:
            x = x + block(x).relu()
        return self.last(x)[:, 0]


def cut_crop(photo: Measured, rng: np.random.Generator) -> tuple[NDArray[np.float32], ...]:
    """A square of a photo, half of the time about a defect: turned, mirrored, its contrast changed."""
    height, width = photo.damaged.shape
    defects = photo.defects_at
    places = defects[rng.integers(len(defects))] if defects and rng.random() < 0.5 else photo.inside_at
    row, column = places[rng.integers(len(places))] + rng.integers(-CROP // 3, CROP // 3, 2) - CROP // 2
    top, left = int(np.clip(row, 0, max(0, height - CROP))), int(np.clip(column, 0, max(0, width - CROP)))
    part = slice(top, top + CROP), slice(left, left + CROP)
    short = [(0, max(0, CROP - height)), (0, max(0, CROP - width))]
    values = np.pad(photo.values[part].astype(np.float32), [*short, (0, 0)], mode="edge")
    damaged = np.pad(photo.damaged[part].astype(np.float32), short)
    weight = np.pad(photo.weight[part].astype(np.float32), short)
    looks = values[..., PLAIN:].reshape(CROP, CROP, len(LOOK), 2, 2).transpose(2, 0, 3, 1, 4)
    fine = looks.reshape(len(LOOK), 2 * CROP, 2 * CROP) * np.float32(np.exp(rng.normal(0, 0.15)))
    quarter_turns, mirrored = int(rng.integers(4)), rng.random() < 0.5
    plain, damaged, weight = (np.rot90(one, quarter_turns) for one in (values[..., :PLAIN], damaged, weight))
    fine = np.rot90(fine, quarter_turns, axes=(1, 2))
    if mirrored:
        plain, damaged, weight, fine = plain[:, ::-1], damaged[:, ::-1], weight[:, ::-1], fine[:, :, ::-1]
    apart = fine.reshape(len(LOOK), CROP, 2, CROP, 2).transpose(1, 3, 0, 2, 4).reshape(CROP, CROP, -1)
    return np.concatenate([plain, apart], axis=-1), np.ascontiguousarray(damaged), np.ascontiguousarray(weight)


def train(photos: list[Measured], *, hidden: tuple[int, ...], spacings: tuple[int, ...], steps: int) -> Network:
    """Logistic loss, AdamW (Loshchilov and Hutter 2019), one cycle of the rate (Smith 2018)."""
    rng = np.random.default_rng(0)
    torch.manual_seed(0)
    torch.set_num_threads(1)
    sample = np.concatenate(
        [one.values[tuple(one.inside_at[rng.integers(len(one.inside_at), size=200)].T)] for one in photos]
    ).astype(np.float32)
    centre, scale = sample.mean(axis=0), sample.std(axis=0) + np.float32(1e-3)
    network = Trained(len(centre), hidden, spacings)
    optimizer = torch.optim.AdamW(network.parameters(), lr=RATE, weight_decay=DECAY)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimizer, RATE, total_steps=steps, pct_start=0.1)
    kinds = [[one for one in photos if one.painted], [one for one in photos if not one.painted]]
    for _ in range(steps):
        chosen = [kinds[int(rng.random() >= PAINTED_SHARE)] for _ in range(BATCH)]
        crops = [cut_crop(few[rng.integers(len(few))], rng) for few in chosen]
        values, damaged, weight = (np.stack([crop[k] for crop in crops]) for k in range(3))
        x = torch.from_numpy(np.clip((values - centre) / scale, -FARTHEST, FARTHEST)).permute(0, 3, 1, 2)
        errors = binary_cross_entropy_with_logits(network(x), torch.from_numpy(damaged), reduction="none")
        weights = torch.from_numpy(weight)
        optimizer.zero_grad()
        ((weights * errors).sum() / weights.sum()).backward()
        optimizer.step()
        schedule.step()
    return _written_down(network, centre, scale)


def _written_down(trained: Trained, centre: NDArray[np.float32], scale: NDArray[np.float32]) -> Network:
    def weight_of(convolution: nn.Module) -> NDArray[np.float32]:
        """As (row, column, inputs, outputs)."""
        return np.asarray(convolution.weight.detach().numpy().transpose(2, 3, 1, 0))

    def bias_of(convolution: nn.Module) -> NDArray[np.float32]:
        return np.asarray(convolution.bias.detach().numpy())

    return Network(
        centre,
        scale,
        tuple(Layer(weight_of(one)[0, 0], bias_of(one)) for one in trained.layers),
        tuple(Block(weight_of(one), bias_of(one), int(one.dilation[0])) for one in trained.blocks),
        Layer(weight_of(trained.last)[0, 0], bias_of(trained.last)),
    )


def fit(job: tuple[list[Path], Path, str]) -> None:
    """The networks from some measured photos, written to a file."""
    paths, target, said = job
    photos = [read_measured(path) for path in paths]
    networks = [
        train(photos, hidden=hidden, spacings=spacings, steps=steps)
        for hidden, spacings, steps in zip(HIDDEN, SPACINGS, STEPS, strict=True)
    ]
    content: list[dict[str, Any]] = [network_as_json(network) for network in networks]
    target.write_text(json.dumps(content) + "\n", encoding="utf-8")
    print(said, flush=True)


def main() -> None:
    """Read the arguments, measure, fit, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--references", nargs="+", type=int, default=[3, 1])
    parser.add_argument("--work", type=Path, required=True, help="folder for what was measured")
    arguments = parser.parse_args()
    folds = arguments.work / "folds"
    folds.mkdir(parents=True, exist_ok=True)
    molds = [mold for folder in arguments.folders for mold in read_bench(folder)]
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(measure_mold, [(mold, tuple(arguments.references), arguments.work) for mold in molds]))
    paths = sorted(arguments.work.glob("*.npz"))
    jobs = [(paths, NETWORKS, f"the networks that ship, from {len(paths)} measured photos")]
    for name in sorted({mold.name for mold in molds}):
        others = [path for path in paths if path.stem.split("__")[1] != name]
        jobs.append((others, folds / f"{name}.json", f"{name}: networks that have not seen it"))
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(fit, jobs))


if __name__ == "__main__":
    main()

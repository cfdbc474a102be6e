"""Fit the networks of the closer look, and write them in ONNX form.

    python -m tests.benchmarks.fit_closer_look DIR --out FOLDER [--minutes 25] [--without WHAT...]

DIR is what `close_layers` kept. The network learns from tiles: around places that the engine thought might be damage,
around defects, and anywhere; against one to three references, with light, sharpness, noise, stains and the fit changed at
random. How unsure it is it learns with the log odds: it pays for each place by the mean probability of log odds drawn
around what it says, as widely as it says (Kendall and Gal 2017). Needs PyTorch (extra `train`) and, for more than a trial,
a graphics card: six minutes on a large one. What is cut short goes on where it was last kept when the same command is
given again; the curve, the seed and the molds stand in FOLDER/fitting.json.
"""

from __future__ import annotations

import argparse
import json
import pickle
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn.functional import conv2d, grid_sample, interpolate, logsigmoid, pad, relu

from inspector.comparing.silhouette import depth_inside
from inspector.inspection.closer_look import (
    DEEPEST_MM,
    DETAIL_GAIN,
    DETAIL_PX,
    DETAIL_REACH_PX,
    FARTHEST,
    FARTHEST_ODDS,
    FEATURES,
    GAIN,
    MOST_REFERENCES,
    TILE_MM,
)
from tests.benchmarks.aligned_mold import decoded
from tests.benchmarks.close_mold import LEAST_ODDS, ODDS_LEVELS
from tests.benchmarks.fit_damage_map import Residual, blurred, normal_range, targets

FINE, COARSE, SPACINGS = 24, 32, (1, 2)
BATCH, RATE, DECAY = 48, 2e-3, 2e-2
DRAWS = 8
KEPT_EVERY = 500
PICTURE, ANSWER = 6 * TILE_MM, 3 * TILE_MM
ABLATIONS = ("map", "changes", "references", "places")


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """One photo beside its references, padded by a tile all around, at 6, 4, 2 and 3 px/mm."""

    gray: Tensor  # (h, w) uint8
    references: Tensor  # (r, h, w) uint8
    on_piece: Tensor  # (h, w) bool
    told: Tensor  # (2, h, w) at 4 px/mm: piece odds, depth, as the network takes them
    damage: Tensor  # (3, h, w) at 2 px/mm, as the network takes them
    wanted: Tensor  # (3, h, w) at 3 px/mm
    weight: Tensor  # (3, h, w)
    places_mm: NDArray[np.float64]  # (n, 2) what may be damage
    defects_mm: NDArray[np.float64]  # (n, 2)
    piece_mm: NDArray[np.float64]  # (n, 2) some places of the piece


class Closer(nn.Module):
    """Features of a photo's tile, mean and range of its references', and what is told besides: log odds and doubt."""

    def __init__(self, features: int = FEATURES, fine: int = FINE, coarse: int = COARSE) -> None:
        super().__init__()
        self.encoder = nn.Sequential(
            nn.Conv2d(2, features, 5, stride=2, padding=2),
            nn.ReLU(),
            nn.Conv2d(features, features, 3, padding=1),
            nn.ReLU(),
            nn.Conv2d(features, features, 3, padding=1),
        )
        self.fine = nn.Sequential(nn.Conv2d(4 * features + 7, fine, 1), nn.ReLU())
        self.down = nn.Sequential(nn.Conv2d(fine, coarse, 3, stride=2, padding=1), nn.ReLU())
        self.coarse = nn.Sequential(*(Residual(coarse, spacing) for spacing in SPACINGS))
        self.last = nn.Sequential(nn.Conv2d(fine + coarse, fine, 3, padding=1), nn.ReLU(), nn.Conv2d(fine, 4, 1))
        self.last[-1].bias.data = torch.tensor([-4.0, -4.0, -4.0, -1.0])

    def forward(self, surface: Tensor, mean: Tensor, highest: Tensor, lowest: Tensor, around: Tensor) -> Tensor:
        """(b, 4, h / 2, w / 2)."""
        own = self.encoder(surface)
        fine = self.fine(torch.cat([own, mean, relu(own - highest), relu(lowest - own), around], 1))
        coarse = self.coarse(self.down(fine))
        grown = interpolate(coarse, scale_factor=2, mode="bilinear", align_corners=False)
        return self.last(torch.cat([fine, grown], 1))


def photos_of(path: Path) -> list[Photo]:
    """All photos of one file that `close_layers` kept."""
    mold = pickle.loads(path.read_bytes())  # noqa: S301 - written by close_layers
    mask = decoded(mold.mask)
    depth = depth_inside(mask, px_per_mm=4)
    deep = np.clip(depth, 0, DEEPEST_MM) / (0.5 * DEEPEST_MM)
    size = decoded(mold.references[0]).shape[::-1]
    on_piece = cv2.resize((depth > 0).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    references = np.stack([decoded(one) for one in mold.references])
    shared = _padded(references, 6), _padded(on_piece, 6)
    inside = np.argwhere(mask > 127) / 4
    found = []
    for photo in mold.photos:
        valid = decoded(photo.valid) > 0
        numbers = decoded(photo.defects)
        judged = cv2.resize(((mask > 127) & valid).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        wanted, weight, at = targets(numbers, photo.kinds, judged)
        found.append(
            Photo(
                gray=_padded(decoded(photo.gray), 6),
                references=shared[0],
                on_piece=shared[1],
                told=_padded(np.stack([_odds(photo.piece_odds), deep.astype(np.float32)]), 4).half(),
                damage=_padded(np.stack([_odds(one) for one in photo.damage]), 2, fill=-2.0).half(),
                wanted=_padded(wanted, 3).half(),
                weight=_padded(weight, 3).half(),
                places_mm=np.array(photo.places_mm, dtype=float).reshape(-1, 2),
                defects_mm=np.array(at, dtype=float).reshape(-1, 2) / 6,
                piece_mm=inside[:: max(1, len(inside) // 500)],
            )
        )
    return found


def _odds(kept: bytes) -> NDArray[np.float32]:
    odds = decoded(kept).astype(np.float32) / ODDS_LEVELS + LEAST_ODDS
    return np.asarray(np.clip(odds, -FARTHEST_ODDS, FARTHEST_ODDS) / (0.5 * FARTHEST_ODDS), dtype=np.float32)


def _padded(image: NDArray[np.generic], px_per_mm: int, *, fill: float = 0.0) -> Tensor:
    edge = TILE_MM * px_per_mm
    return pad(torch.from_numpy(np.ascontiguousarray(image)), (edge,) * 4, value=fill)


def cut_tile(photo: Photo, rng: np.random.Generator, *, anywhere: bool) -> tuple[Tensor, ...]:
    """A tile of a photo, mostly about what may be damage, turned and mirrored at random."""
    drawn = rng.random()
    points = photo.piece_mm
    if not anywhere and drawn < 0.55 and len(photo.places_mm):
        points = photo.places_mm
    elif drawn < 0.8 and len(photo.defects_mm):
        points = photo.defects_mm
    middle = points[rng.integers(len(points))] + rng.integers(-7, 8, 2)
    height, width = (length // 6 for length in photo.gray.shape)
    top, left = (
        int(np.clip(at + TILE_MM / 2, 0, length - TILE_MM)) for at, length in zip(middle, (height, width), strict=True)
    )
    quarter_turns, mirrored = int(rng.integers(4)), rng.random() < 0.5

    def cut(image: Tensor, scale: int) -> Tensor:
        side = TILE_MM * scale
        part = image[..., top * scale : top * scale + side, left * scale : left * scale + side]
        part = torch.rot90(part, quarter_turns, (-2, -1))
        return part.flip(-1) if mirrored else part

    pictures = torch.cat([photo.gray[None], photo.references])
    most = MOST_REFERENCES + 1
    fine = cut(pictures, 6)
    fine = fine[[min(k, len(fine) - 1) for k in range(most)]]
    return (
        fine,
        cut(photo.on_piece[None], 6),
        cut(photo.told, 4),
        cut(photo.damage, 2),
        cut(photo.wanted, 3),
        cut(photo.weight, 3),
    )


def surfaces(logs: Tensor, on_piece: Tensor) -> Tensor:
    """As `tile_surface`, of log light (b, h, w): (b, 2, h, w)."""
    share = on_piece.float()
    area = share.sum((1, 2), keepdim=True)
    usual = torch.where(area > 0, (logs * share).sum((1, 2), keepdim=True) / area.clamp(min=1), logs.mean((1, 2), keepdim=True))
    along = torch.arange(-DETAIL_REACH_PX, DETAIL_REACH_PX + 1, device=logs.device, dtype=logs.dtype)
    kernel = torch.exp(-(along**2) / (2 * DETAIL_PX**2))
    kernel = kernel / kernel.sum()
    reach = DETAIL_REACH_PX
    soft = conv2d(pad(logs[:, None], (reach, reach, 0, 0), mode="reflect"), kernel.view(1, 1, 1, -1))
    soft = conv2d(pad(soft, (0, 0, reach, reach), mode="reflect"), kernel.view(1, 1, -1, 1))[:, 0]
    return torch.stack([GAIN * (logs - usual), DETAIL_GAIN * (logs - soft)], 1).clamp(-FARTHEST, FARTHEST)


def as_another_photo(logs: Tensor, rng: np.random.Generator) -> Tensor:
    """Change what differs between two photos of one sound piece: light, sharpness, noise, stains, the fit."""
    count, device = len(logs), logs.device
    logs = logs[:, None]

    def each(*, low: float = 0.0, high: float = 1.0) -> Tensor:
        return low + (high - low) * torch.rand(count, 1, 1, 1, device=device)

    def field(channels: int, wavelength_px: float) -> Tensor:
        side = max(2, int(PICTURE / wavelength_px) + 1)
        small = torch.randn(count, channels, side, side, device=device)
        return interpolate(small, size=(PICTURE, PICTURE), mode="bicubic", align_corners=True)

    middle = logs.mean((2, 3), keepdim=True)
    logs = middle + (logs - middle) * torch.exp(0.18 * torch.randn(count, 1, 1, 1, device=device))
    logs = logs + 0.12 * field(1, 90.0)
    if rng.random() < 0.35:
        logs = blurred(logs, float(rng.uniform(0.5, 1.5)))
    if rng.random() < 0.35:  # a shadow or a stain that falls on the piece in this photo only
        sharp = float(np.exp(rng.uniform(np.log(2), np.log(25))))
        dark = torch.sigmoid(sharp * (field(1, float(rng.uniform(25, 120))) + 0.5 * rng.normal()))
        logs = logs - 0.9 * each() * (each() < 0.6) * dark
    logs = logs + 0.06 * each() * torch.randn(count, 1, PICTURE, PICTURE, device=device)
    shift = 1.2 * each() * field(2, 42.0)
    along = torch.linspace(-1, 1, PICTURE, device=device)
    still = torch.stack(torch.meshgrid(along, along, indexing="ij")[::-1], -1)
    moved = still[None] + shift.permute(0, 2, 3, 1) * (2 / PICTURE)
    return grid_sample(logs, moved, mode="bilinear", padding_mode="border", align_corners=True)[:, 0]


class Fitting:
    """Networks that are being fitted, which can be kept and gone on with."""

    def __init__(self, *, steps: int, seed: int, device: str, without: frozenset[str] = frozenset(), sizes: tuple[int, int, int] = (FEATURES, FINE, COARSE)) -> None:
        self.steps, self.seed, self.device, self.without = steps, seed, device, without
        self.losses: list[float] = []  # of each step
        self._rng = np.random.default_rng(seed)
        torch.manual_seed(seed)
        self.closer = Closer(*sizes).to(device)
        self._optimizer = torch.optim.AdamW(self.closer.parameters(), lr=RATE, weight_decay=DECAY)
        self._table = torch.log((torch.arange(256, device=device) / 255.0) ** 2.2 + 0.01)

    def run(self, photos: list[Photo], *, minutes: float) -> bool:
        """Fit until all steps are done (True) or the time is over (False)."""
        until = time.monotonic() + 60 * minutes
        while len(self.losses) < self.steps and time.monotonic() < until:
            self.losses.append(self._learn(photos))
            if len(self.losses) % KEPT_EVERY == 0:
                print(f"step {len(self.losses)} of {self.steps}: loss {np.mean(self.losses[-KEPT_EVERY:]):.4f}", flush=True)
        return len(self.losses) == self.steps

    def _learn(self, photos: list[Photo]) -> float:
        rng, device, step = self._rng, self.device, len(self.losses)
        for group in self._optimizer.param_groups:
            group["lr"] = 1e-6 + RATE * min(1, step / 300) * 0.5 * (1 + np.cos(np.pi * step / self.steps))
        tiles = [cut_tile(photos[rng.integers(len(photos))], rng, anywhere="places" in self.without) for _ in range(BATCH)]
        fine, on_piece, told, damage, wanted, weight = (torch.stack([tile[k] for tile in tiles]) for k in range(6))
        most = fine.shape[1] - 1
        logs = self._table[fine.long()]
        on_piece = on_piece[:, 0]
        own = logs[:, 0] if "changes" in self.without else as_another_photo(logs[:, 0], rng)
        used = torch.rand(BATCH, most, device=device).argsort(1).argsort(1) < torch.randint(1, most + 1, (BATCH, 1), device=device)
        surface = surfaces(own, on_piece)
        others = surfaces(logs[:, 1:].flatten(0, 1), on_piece.repeat_interleave(most, 0))
        damage = interpolate(damage.float(), size=(ANSWER, ANSWER), mode="bilinear", align_corners=False)
        told = interpolate(told.float(), size=(ANSWER, ANSWER), mode="bilinear", align_corners=False)
        if "map" in self.without:
            damage = torch.zeros_like(damage)
        deep = told[:, 1:2]
        count = (used.float().sum(1) / MOST_REFERENCES)[:, None, None, None].expand_as(deep)
        around = torch.cat([damage, told, (deep > 0).float(), count], 1)
        with torch.autocast("cuda", dtype=torch.bfloat16, enabled=device == "cuda"):
            features = self.closer.encoder(others).unflatten(0, (BATCH, most))
            normal = normal_range(features, used)
            if "references" in self.without:
                normal = tuple(torch.zeros_like(one) for one in normal)  # type: ignore[assignment]
            answer = self.closer(surface, *normal, around).float()
        odds, spread = answer[:, :3], torch.exp(answer[:, 3:].clamp(-4, 2.5))
        drawn = odds[None] + spread[None] * torch.randn(DRAWS, *odds.shape, device=device)
        wanted = wanted.float()
        right = torch.logsumexp(logsigmoid(torch.where(wanted > 0, drawn, -drawn)), 0) - np.log(DRAWS)
        weight = weight.float()
        loss = -(weight * right).sum() / weight.sum().clamp(min=1)
        self._optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(self.closer.parameters(), 1.0)
        self._optimizer.step()
        return float(loss.item())


def write_networks(closer: Closer, folder: Path) -> None:
    """Both networks in ONNX form, for any number of tiles."""
    folder.mkdir(parents=True, exist_ok=True)
    features = closer.encoder[0].out_channels
    surface = torch.zeros(2, 2, PICTURE, PICTURE)
    normal = [torch.zeros(2, features, ANSWER, ANSWER) for _ in range(3)]
    inputs = ["surface", "mean", "highest", "lowest", "around"]
    write = partial(torch.onnx.export, opset_version=13, dynamo=False)
    tiles = {0: "tiles"}
    write(closer.encoder, (surface,), folder / "close_encoder.onnx", input_names=["surface"], output_names=["features"], dynamic_axes=dict.fromkeys(("surface", "features"), tiles))
    write(closer, (surface, *normal, torch.zeros(2, 7, ANSWER, ANSWER)), folder / "close_judge.onnx", input_names=inputs, output_names=["odds"], dynamic_axes=dict.fromkeys([*inputs, "odds"], tiles))


def main() -> None:
    """Read the arguments, train, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("layers", type=Path, help="folder that close_layers wrote")
    parser.add_argument("--out", type=Path, required=True, help="folder for the two networks")
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=25.0)
    parser.add_argument("--without", nargs="*", default=[], choices=ABLATIONS)
    parser.add_argument("--sizes", nargs=3, type=int, default=[FEATURES, FINE, COARSE])
    arguments = parser.parse_args()
    paths = sorted(arguments.layers.glob("*.pickle"))
    with ProcessPoolExecutor(arguments.workers) as pool:
        photos = [one for few in pool.map(photos_of, paths) for one in few]
    print(f"{len(paths)} files, {len(photos)} photos", flush=True)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    there: dict[int, Tensor] = {}

    def moved(tensor: Tensor) -> Tensor:
        return there.setdefault(id(tensor), tensor.to(device))

    kept = [Photo(*(moved(v) if isinstance(v, Tensor) else v for v in (getattr(p, n) for n in Photo.__dataclass_fields__))) for p in photos]
    fitting = Fitting(steps=arguments.steps, seed=arguments.seed, device=device, without=frozenset(arguments.without), sizes=tuple(arguments.sizes))
    began = time.monotonic()
    fitting.run(kept, minutes=arguments.minutes)
    print(f"{len(fitting.losses)} steps in {time.monotonic() - began:.0f} s", flush=True)
    write_networks(fitting.closer.float().cpu().eval(), arguments.out)
    (arguments.out / "fitting.json").write_text(json.dumps({"steps": fitting.steps, "seed": fitting.seed, "without": arguments.without, "molds": [p.stem for p in paths], "loss": fitting.losses}) + "\n")


if __name__ == "__main__":
    main()

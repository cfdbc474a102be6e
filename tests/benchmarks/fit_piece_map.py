"""Fit the network that tells piece from mat, and write it in ONNX form.

    python -m tests.benchmarks.fit_piece_map DIR --out FILE [--steps N] [--judge DIR]

DIR is what `framed_pieces` kept. Photos are turned, mirrored and made larger or smaller at random; piece and
surroundings get another brightness, colour and grain each, and shadows, lamps and stains fall on both. Needs PyTorch
(extra `train`) and, for more than a trial, a graphics card.
"""

from __future__ import annotations

import argparse
import pickle
import time
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn.functional import (
    affine_grid,
    avg_pool2d,
    binary_cross_entropy_with_logits,
    grid_sample,
    interpolate,
    max_pool2d,
    relu,
)
from torch.nn.utils.fusion import fuse_conv_bn_eval

from inspector.inspection.piece_map import CHANNELS, FARTHEST, STEP
from tests.benchmarks.framed_photo import FramedPhoto
from tests.benchmarks.writing_onnx import write_onnx

WIDTHS = (16, 24, 32, 48, 64, 64)
BATCH, CANVAS = 16, (448, 576)
RATE, DECAY = 2e-3, 1e-2
NEAR_EDGE, EDGE_WEIGHT = 9, 3.0
TONE, HUE, TEXTURE, BLOCKED, PRINT, MAT = range(CHANNELS)


@dataclass(frozen=True, slots=True, eq=False)
class Framed:
    """One photo, ready to be cut from."""

    name: str
    given: Tensor  # (CHANNELS, h, w)
    piece: Tensor  # (1, h, w), from 0 to 1


class Step(nn.Module):
    """A convolution, its values brought to one size while it learns."""

    def __init__(self, there: int, here: int, *, stride: int = 1) -> None:
        super().__init__()
        self.convolution: nn.Module = nn.Conv2d(there, here, 3, stride=stride, padding=1)
        self.norm: nn.Module = nn.BatchNorm2d(here)

    def forward(self, x: Tensor) -> Tensor:
        """Convolve."""
        return self.norm(self.convolution(x))

    def fuse(self) -> None:
        """Make one convolution of both."""
        self.convolution, self.norm = fuse_conv_bn_eval(self.convolution, self.norm), nn.Identity()


class PieceMap(nn.Module):
    """From cues (b, CHANNELS, h, w) to log odds of the piece (b, 1, h, w); sides are multiples of ``STEP``."""

    def __init__(self, widths: tuple[int, ...] = WIDTHS) -> None:
        super().__init__()
        self.first = Step(CHANNELS, widths[0])
        self.down = nn.ModuleList(Step(a, b, stride=2) for a, b in pairwise(widths))
        self.here = nn.ModuleList(Step(width, width) for width in widths[1:])
        self.up = nn.ModuleList(Step(b, a) for a, b in pairwise(widths))
        self.back = nn.ModuleList(Step(width, width) for width in widths[1:-1])
        self.last = nn.Conv2d(widths[0], 1, 3, padding=1)

    def forward(self, cues: Tensor) -> Tensor:
        """Log odds."""
        x = relu(self.first(cues))
        levels = [x]
        for down, here in zip(self.down, self.here, strict=True):
            x = relu(down(x))
            x = relu(x + here(x))
            levels.append(x)
        for k in reversed(range(len(self.up))):
            x = levels[k] + interpolate(self.up[k](x), scale_factor=2, mode="bilinear", align_corners=False)
            x = relu(x)
            if k:
                x = relu(x + self.back[k - 1](x))
        return self.last(x)


def photos_in(folder: Path) -> list[Framed]:
    """All photos of a folder."""
    found = []
    for path in sorted(folder.glob("*.pickle")):
        photos: list[FramedPhoto] = pickle.loads(path.read_bytes())
        for photo in photos:
            piece = torch.from_numpy(photo.piece.astype(np.float16) / np.float16(255))[None]
            found.append(Framed(photo.name, torch.from_numpy(photo.given), piece))
    return found


def placed(photo: Framed, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
    """A photo on the canvas, turned and grown at random, (CHANNELS, *CANVAS) and (1, *CANVAS)."""
    height, width = photo.given.shape[1:]
    turn = rng.normal(0, 0.3) + (np.pi if rng.random() < 0.3 else 0) + rng.choice((0, 0.5 * np.pi), p=(0.8, 0.2))
    grown = float(np.clip(np.exp(rng.normal(0, 0.25)), 0.55, 1.8))
    mirror = -1.0 if rng.random() < 0.5 else 1.0
    c, s = np.cos(turn) / grown, np.sin(turn) / grown
    shift = rng.normal(0, 0.12, 2)
    down, across = CANVAS
    # grid_sample wants, for each place of the canvas, a place of the photo, both from -1 to 1.
    theta = torch.tensor(
        [
            [mirror * c * across / width, -mirror * s * down / width, shift[0]],
            [s * across / height, c * down / height, shift[1]],
        ],
        dtype=torch.float32,
        device=photo.given.device,
    )
    grid = affine_grid(theta[None], [1, 1, down, across], align_corners=False)
    both = torch.cat([photo.given, photo.piece])[None].float()
    there = grid_sample(both, grid, mode="bilinear", padding_mode="border", align_corners=False)[0]
    return there[:CHANNELS], there[CHANNELS:]


def fields(count: int, device: torch.device, *, coarsest: int = 3, finest: int = 40) -> Tensor:
    """Smooth random pictures, (count, 1, *CANVAS), with a spread of about one."""
    cells = int(
        np.exp(np.random.default_rng(int(torch.randint(1 << 30, (1,)))).uniform(np.log(coarsest), np.log(finest)))
    )
    small = torch.randn(count, 1, cells, max(2, cells * CANVAS[1] // CANVAS[0]), device=device)
    return interpolate(small, size=CANVAS, mode="bicubic", align_corners=False)


def stripes(count: int, device: torch.device) -> Tensor:
    """Boards, weaves and ribs: waves of one direction each, (count, 1, *CANVAS), from -1 to 1."""
    turn, phase = 2 * np.pi * torch.rand(2, count, 1, 1, device=device)
    length_px = torch.exp(torch.empty(count, 1, 1, device=device).uniform_(float(np.log(3)), float(np.log(120))))
    down, across = (torch.arange(side, device=device, dtype=torch.float32) for side in CANVAS)
    along = torch.cos(turn) * across[None, None, :] + torch.sin(turn) * down[None, :, None]
    return torch.sin(2 * np.pi * along / length_px + phase)[:, None]


def as_photographed(given: Tensor, piece: Tensor) -> Tensor:
    """The same scene of another mix, on another ground, in another light."""
    count, device = len(given), given.device

    def drawn(share: float = 1.0) -> Tensor:
        chosen = (torch.rand(count, 1, 1, 1, device=device) < share).float()
        return chosen * torch.randn(count, 1, 1, 1, device=device)

    def unit() -> Tensor:
        return torch.rand(count, 1, 1, 1, device=device)

    tone, hue, texture = (given[:, k : k + 1] for k in (TONE, HUE, TEXTURE))
    other = 1 - piece
    # Channels hold twice the log of brightness, four times that of red over blue.
    tone = tone * torch.exp(0.25 * drawn()) + 0.9 * drawn(0.7) * piece
    hue = hue * torch.exp(0.4 * drawn()) + 0.5 * drawn(0.6) * piece
    printed = given[:, PRINT : PRINT + 1]
    texture = texture + (1 - printed) * (
        0.5 * drawn(0.6) * piece + 0.35 * drawn(0.4) * other * fields(count, device).abs()
    )
    # Stains and grounds with a pattern of their own.
    tone = (
        tone
        + 0.35 * drawn(0.4).abs() * other * fields(count, device)
        + 0.2 * drawn(0.3).abs() * piece * fields(count, device)
    )
    tone = tone + 0.15 * drawn(0.25).abs() * other * stripes(count, device)
    hue = hue + 0.3 * drawn(0.3).abs() * other * fields(count, device)
    # Shadows: darker on one side of a smooth line, more or less sharply.
    where = fields(count, device, finest=9) - 1.0 + drawn()
    shade = torch.sigmoid(where * torch.exp(1.5 + 1.2 * drawn())) * unit() * (unit() < 0.5).float()
    tone = tone - 1.8 * shade
    hue = hue - 0.4 * shade * drawn()
    tone = tone + 0.4 * drawn(0.5).abs() * fields(count, device, finest=4)
    noise = torch.randn(count, 2, *CANVAS, device=device) * (0.08 * unit())
    tone, hue = tone + noise[:, :1], hue + 2 * noise[:, 1:]
    soft = (unit() < 0.2).float()
    looks = torch.cat([tone, hue, texture], 1)
    looks = looks + soft * (avg_pool2d(looks, 3, 1, 1, count_include_pad=False) - looks)
    # Without a mat nothing says where markers stand; those of a mat that was not made out are seen all the same.
    unknown = ((unit() < 0.25) & (printed[..., :1, :1] < 0.5)).float()
    flags = given[:, BLOCKED:] * torch.cat([1 - unknown, torch.ones_like(unknown), 1 - unknown], 1)
    return torch.cat([looks.clamp(-FARTHEST, FARTHEST), flags], 1)


def told_wrongly(odds: Tensor, piece: Tensor) -> Tensor:
    """Cross-entropy, more of it near the outline, and what answer and piece do not share (Milletari et al. 2016)."""
    near = max_pool2d(piece, NEAR_EDGE, 1, NEAR_EDGE // 2) + max_pool2d(-piece, NEAR_EDGE, 1, NEAR_EDGE // 2)
    weight = 1 + EDGE_WEIGHT * near
    entropy = (weight * binary_cross_entropy_with_logits(odds, piece, reduction="none")).mean()
    p = torch.sigmoid(odds)
    shared = 2 * (p * piece).sum((1, 2, 3)) / (p + piece).sum((1, 2, 3)).clamp(min=1)
    return entropy + (1 - shared).mean()


def train(photos: list[Framed], *, steps: int, seed: int, device: str) -> PieceMap:
    """AdamW (Loshchilov and Hutter 2019), a rate that falls along a cosine, and the mean of the late weights."""
    rng = np.random.default_rng(seed)
    torch.manual_seed(seed)
    network = PieceMap().to(device)
    optimizer = torch.optim.AdamW(network.parameters(), lr=RATE, weight_decay=DECAY)
    photos = [Framed(one.name, one.given.to(device), one.piece.to(device)) for one in photos]
    mean = torch.optim.swa_utils.AveragedModel(
        network, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    told = 0.0
    for step in range(steps):
        for group in optimizer.param_groups:
            group["lr"] = 1e-6 + RATE * min(1, step / 300) * 0.5 * (1 + np.cos(np.pi * step / steps))
        pairs = [placed(photos[rng.integers(len(photos))], rng) for _ in range(BATCH)]
        given, piece = (torch.stack([pair[k] for pair in pairs]) for k in range(2))
        given = as_photographed(given, piece)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            odds = network(given)
        loss = told_wrongly(odds.float(), piece)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimizer.step()
        mean.update_parameters(network)
        told = loss.item() if step == 0 else 0.98 * told + 0.02 * float(loss.detach())
        if (step + 1) % 250 == 0:
            print(f"step {step + 1} of {steps}: {told:.4f}", flush=True)
    done = mean.module.cpu().eval()
    for module in done.modules():
        if isinstance(module, Step):
            module.fuse()
    return done


def judge(network: nn.Module, photos: list[Framed], *, device: str) -> None:
    """How well the piece is told on photos that nothing was learnt from."""
    network = network.to(device)
    overlaps: dict[str, list[float]] = {}
    with torch.no_grad():
        for photo in photos:
            given, piece = photo.given.float()[None].to(device), photo.piece[0] > 0.5
            height, width = piece.shape
            below, right = -height % STEP, -width % STEP
            given = nn.functional.pad(given, (0, right, 0, below), mode="replicate")
            found = network(given)[0, 0, :height, :width].cpu() > 0
            overlap = float((found & piece).sum() / (found | piece).sum().clamp(min=1))
            flags = photo.given[[PRINT, MAT], 0, 0].tolist()
            overlaps.setdefault("print" if flags[0] else "plain" if flags[1] else "none", []).append(overlap)
    for kind, values in sorted(overlaps.items()):
        some = np.array(values)
        print(
            f"{kind}: {some.size} photos, overlap {np.median(some):.3f} at the median, "
            f"under 0.95 {np.sum(some < 0.95)}, under 0.9 {np.sum(some < 0.9)}, under 0.8 {np.sum(some < 0.8)}",
            flush=True,
        )
    network.cpu()


def main() -> None:
    """Read the arguments, train, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("framed", type=Path, help="folder that framed_pieces wrote")
    parser.add_argument("--out", type=Path, required=True, help="the network's file")
    parser.add_argument("--judge", type=Path, help="folder of other molds, that nothing is learnt from")
    parser.add_argument("--steps", type=int, default=8000)
    parser.add_argument("--seed", type=int, default=0)
    arguments = parser.parse_args()
    began = time.monotonic()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    photos = photos_in(arguments.framed)
    print(f"{len(photos)} photos, {device}", flush=True)
    network = train(photos, steps=arguments.steps, seed=arguments.seed, device=device)
    write_onnx(network, arguments.out, channels=CHANNELS, side=2 * STEP, given="cues", answer="odds")
    if arguments.judge:
        judge(network, photos_in(arguments.judge), device=device)
    print(f"{time.monotonic() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()

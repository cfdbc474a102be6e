"""Fit the network that photos are matched by, and write it in ONNX form.

    python -m tests.benchmarks.fit_matching DIR --out FILE [--steps N] [--judge DIR]

DIR is what `true_layers` kept: photos of a piece that lie exactly over one another. A patch of one photo is looked for
in another as `inspector.aligning.warp` does, by normalised correlation over all shifts within reach; that it fits best
where it belongs is what is learnt (cross-entropy over the shifts), for single patches and for several that vote
together. Needs PyTorch (extra `train`) and, for more than a trial, a graphics card: three minutes.
"""

from __future__ import annotations

import argparse
import pickle
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import Tensor, nn
from torch.nn.functional import (
    affine_grid,
    avg_pool2d,
    conv2d,
    grid_sample,
    interpolate,
    log_softmax,
    pad,
    relu,
)

from inspector.aligning.likeness import CHANNELS, surface_input
from tests.benchmarks.aligned_mold import decoded
from tests.benchmarks.true_mold import TrueMold
from tests.benchmarks.writing_onnx import write_onnx

PX_PER_MM = 4.0
NARROW, WIDE = 16, 24
BATCH, CROP, PATCHES = 24, 208, 6
# Sides of patches and how far they are looked for, on the raster of the features.
SIDES_PX, REACH_PX, OFF_PX = (12, 20, 32), 10, 7
RATE, DECAY = 2e-3, 1e-3
FARTHEST = 4.0
JUDGED = 12


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Photos of one mold, one over the other."""

    name: str
    surfaces: Tensor  # (n, 2, h, w)
    seen: Tensor  # (n, 1, h, w)
    mask: Tensor  # (1, h, w)


def stack_of(path: Path) -> Stack:
    """Read a mold's photos."""
    cv2.setNumThreads(1)
    mold: TrueMold = pickle.loads(path.read_bytes())
    grays = [decoded(photo.gray) for photo in mold.photos]
    surfaces = np.stack([surface_input(gray, px_per_mm=PX_PER_MM) for gray in grays])
    seen = np.stack([decoded(photo.seen) for photo in mold.photos])[:, None]
    mask = (decoded(mold.mask) > 127)[None]
    return Stack(
        mold.name,
        torch.from_numpy(surfaces).half(),
        torch.from_numpy(seen.astype(np.float16)),
        torch.from_numpy(mask.astype(np.float16)),
    )


class Matcher(nn.Module):
    """From a surface (b, 2, h, w) to features at half the scale (b, CHANNELS, h / 2, w / 2)."""

    def __init__(self) -> None:
        super().__init__()
        self.first = nn.Conv2d(2, NARROW, 5, stride=2, padding=2)
        self.fine = nn.Conv2d(NARROW, NARROW, 3, padding=1)
        self.down = nn.Conv2d(NARROW, WIDE, 3, stride=2, padding=1)
        self.coarse = nn.Conv2d(WIDE, WIDE, 3, padding=1)
        self.around = nn.Conv2d(WIDE, NARROW, 3, padding=2, dilation=2)
        self.mixed = nn.Conv2d(NARROW, NARROW, 3, padding=1)
        self.last = nn.Conv2d(NARROW, CHANNELS, 3, padding=1)

    def forward(self, surface: Tensor) -> Tensor:
        """Features that patches are correlated by."""
        x = relu(self.first(surface))
        x = relu(x + self.fine(x))
        y = relu(self.down(x))
        y = self.around(relu(y + self.coarse(y)))
        x = relu(x + interpolate(y, scale_factor=2, mode="bilinear", align_corners=False))
        return self.last(relu(x + self.mixed(x)))


def cut_pair(stack: Stack, rng: np.random.Generator) -> tuple[Tensor, Tensor, Tensor]:
    """The same square of two photos, turned and mirrored alike, and where both show the sound piece."""
    count, _, height, width = stack.surfaces.shape
    first, second = rng.choice(count, 2, replace=False)
    top, left = (int(rng.integers(0, max(1, length - CROP + 1))) for length in (height, width))
    quarters, mirrored = int(rng.integers(4)), rng.random() < 0.5

    def cut(image: Tensor) -> Tensor:
        part = image[..., top : top + CROP, left : left + CROP]
        part = pad(part, (0, CROP - part.shape[-1], 0, CROP - part.shape[-2]))
        part = torch.rot90(part, quarters, (-2, -1))
        return part.flip(-1) if mirrored else part

    shown = cut(stack.seen[first]) * cut(stack.seen[second]) * cut(stack.mask)
    return cut(stack.surfaces[first]), cut(stack.surfaces[second]), shown


def as_photographed(surface: Tensor) -> Tensor:
    """Contrast, noise and sharpness of another photo."""
    count, device = len(surface), surface.device
    gain = torch.exp(0.2 * torch.randn(count, 1, 1, 1, device=device))
    noise = 0.06 * torch.rand(count, 1, 1, 1, device=device) * torch.randn(count, 1, CROP, CROP, device=device)
    surface = surface * gain + torch.cat([2 * noise, 4 * noise], 1)
    soft = avg_pool2d(surface, 3, 1, 1)
    share = torch.rand(count, 1, 1, 1, device=device) * (torch.rand(count, 1, 1, 1, device=device) < 0.35)
    return (surface + share * (soft - surface)).clamp(-FARTHEST, FARTHEST)


def moved(surface: Tensor) -> tuple[Tensor, Tensor]:
    """A little turned, grown and shifted; and the matrices (b, 2, 3), from old to new in units of half a side."""
    count, device = len(surface), surface.device
    turn = torch.randn(count, device=device) * np.radians(1.2)
    grown = 1 + 0.012 * torch.randn(count, device=device)
    shift = (torch.rand(count, 2, device=device) - 0.5) * (2 * 2 * PX_PER_MM / CROP)
    c, s = torch.cos(turn) * grown, torch.sin(turn) * grown
    linear = torch.stack([torch.stack([c, -s], 1), torch.stack([s, c], 1)], 1)
    # grid_sample asks for the old place of each new one.
    back = torch.linalg.inv(linear)
    theta = torch.cat([back, -(back @ shift[..., None])], 2)
    grid = affine_grid(theta, [count, 1, CROP, CROP], align_corners=False)
    there = grid_sample(surface, grid.to(surface.dtype), mode="bilinear", padding_mode="border", align_corners=False)
    return there, torch.cat([linear, shift[..., None]], 2)


def scores_of(
    first: Tensor, second: Tensor, shown: Tensor, matrix: Tensor, side: int, rng: np.random.Generator
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Normalised correlation of patches over all shifts.

    Returns scores (b, k, n, n), the energy of each patch (b, k), where each belongs (b, k, 2: down and across, from the
    middle), and how much of each is shown (b, k).
    """
    count, _, height, _ = first.shape
    half, reach = side // 2, REACH_PX
    edge = 16 + REACH_PX + OFF_PX + 3
    centres = rng.integers(edge, height - edge, (count, PATCHES, 2))
    middle = (height - 1) / 2
    units = torch.from_numpy((centres[..., ::-1] - middle) / (height / 2)).float().to(first.device)
    there = (matrix[:, None, :, :2] @ units[..., None])[..., 0] + matrix[:, None, :, 2]
    shift_px = ((there - units) * (height / 2)).flip(-1)
    whole = torch.round(shift_px)
    off = rng.integers(-OFF_PX, OFF_PX + 1, (count, 1, 2))
    at = (centres + whole.long().cpu().numpy() + off).clip(half + reach, height - half - reach)
    wanted = shift_px - torch.from_numpy(at - centres).to(first.device)
    patches = torch.stack(
        [first[i, :, y - half : y + half, x - half : x + half] for i in range(count) for y, x in centres[i].tolist()]
    )
    windows = torch.stack(
        [
            second[i, :, y - half - reach : y + half + reach, x - half - reach : x + half + reach]
            for i in range(count)
            for y, x in at[i].tolist()
        ]
    )
    visible = torch.stack(
        [
            shown[i, 0, y - half : y + half, x - half : x + half].mean()
            for i in range(count)
            for y, x in centres[i].tolist()
        ]
    ).view(count, PATCHES)
    number = len(patches)
    product = conv2d(windows.reshape(1, -1, *windows.shape[2:]), patches, groups=number)[0]
    energy = (patches**2).sum((1, 2, 3))
    around = avg_pool2d((windows**2).sum(1, keepdim=True), side, 1)[:, 0] * side * side
    scores = product / torch.sqrt(energy[:, None, None] * around + 1e-6)
    n = 2 * reach + 1
    return scores.view(count, PATCHES, n, n), energy.view(count, PATCHES) / side**2, wanted, visible


def missed(scores: Tensor, wanted: Tensor) -> Tensor:
    """Cross-entropy of scores (m, n, n) against places between pixels (m, 2)."""
    n = scores.shape[-1]
    at = (wanted + n // 2).clamp(0, n - 1.001)
    low = at.floor().long()
    part = at - low
    logs = log_softmax(scores.flatten(1), 1).view_as(scores)
    rows = torch.arange(len(scores), device=scores.device)
    total = torch.zeros(len(scores), device=scores.device)
    for down in (0, 1):
        for across in (0, 1):
            share_down = part[:, 0] if down else 1 - part[:, 0]
            share_across = part[:, 1] if across else 1 - part[:, 1]
            total = total - share_down * share_across * logs[rows, low[:, 0] + down, low[:, 1] + across]
    return total


def train(stacks: list[Stack], *, steps: int, seed: int, device: str) -> Matcher:
    """AdamW (Loshchilov and Hutter 2019), a rate that falls along a cosine."""
    rng = np.random.default_rng(seed)
    torch.manual_seed(seed)
    matcher = Matcher().to(device)
    sharpness = nn.Parameter(torch.tensor([np.log(15.0), np.log(30.0)], device=device, dtype=torch.float32))
    optimizer = torch.optim.AdamW([*matcher.parameters(), sharpness], lr=RATE, weight_decay=DECAY)
    stacks = [Stack(s.name, s.surfaces.to(device), s.seen.to(device), s.mask.to(device)) for s in stacks]
    told = [0.0, 0.0]
    for step in range(steps):
        for group in optimizer.param_groups:
            group["lr"] = 1e-6 + RATE * min(1, step / 200) * 0.5 * (1 + np.cos(np.pi * step / steps))
        pairs = [cut_pair(stacks[rng.integers(len(stacks))], rng) for _ in range(BATCH)]
        first, second, shown = (torch.stack([pair[k] for pair in pairs]).float() for k in range(3))
        second, matrix = moved(second)
        first, second = as_photographed(first), as_photographed(second)
        shown = avg_pool2d(shown, 2)
        side = int(rng.choice(SIDES_PX))
        scores, energy, wanted, visible = scores_of(matcher(first), matcher(second), shown, matrix, side, rng)
        weight = visible.clamp(0, 1) * (visible > 0.3)
        single = missed(scores.flatten(0, 1) * sharpness[0].exp(), wanted.flatten(0, 1)).view_as(weight)
        loss_single = (weight * single).sum() / weight.sum().clamp(min=1)
        say = weight * energy
        say = say / say.sum(1, keepdim=True).clamp(min=1e-6)
        together = (say[..., None, None] * scores).sum(1)
        middle = (say[..., None] * wanted).sum(1)
        used = weight.sum(1) > 1
        loss_vote = missed(together * sharpness[1].exp(), middle)[used].mean() if used.any() else 0 * loss_single
        loss = loss_single + loss_vote
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(matcher.parameters(), 1.0)
        optimizer.step()
        told = [0.98 * told[0] + 0.02 * loss_single.item(), 0.98 * told[1] + 0.02 * float(loss_vote)]
        if (step + 1) % 250 == 0:
            print(
                f"step {step + 1} of {steps}: patch {told[0]:.3f}, vote {told[1]:.3f}, "
                f"sharpness {sharpness.exp().tolist()}",
                flush=True,
            )
    return matcher.cpu().eval()


def judge(matcher: nn.Module, stacks: list[Stack], *, device: str) -> None:
    """How far patches come out from where they belong, on photos that nothing was learnt from."""
    rng = np.random.default_rng(1)
    torch.manual_seed(1)
    matcher = matcher.to(device)
    with torch.no_grad():
        for side in SIDES_PX:
            far, weights = [], []
            for _ in range(JUDGED):
                pairs = [cut_pair(stacks[rng.integers(len(stacks))], rng) for _ in range(BATCH)]
                first, second, shown = (torch.stack([pair[k] for pair in pairs]).float().to(device) for k in range(3))
                second, matrix = moved(second)
                scores, energy, wanted, visible = scores_of(
                    matcher(first), matcher(second), avg_pool2d(shown, 2), matrix, side, rng
                )
                n = scores.shape[-1]
                best = scores.flatten(2).argmax(2)
                at = torch.stack([best // n, best % n], -1) - n // 2
                away = torch.linalg.norm((at - wanted) / 2.0, dim=-1)
                use = visible > 0.5
                far.append(away[use].cpu().numpy())
                weights.append(energy[use].cpu().numpy())
            away, weight = np.concatenate(far), np.concatenate(weights)
            weight = np.minimum(weight / weight.mean(), 2)
            print(
                f"patches of {side / 2:.0f} mm: within 0.5 mm {np.average(away < 0.5, weights=weight):.3f}, "
                f"1 mm {np.average(away < 1, weights=weight):.3f}, median {np.median(away):.2f} mm",
                flush=True,
            )


def stacks_in(folder: Path, workers: int) -> list[Stack]:
    """All molds of a folder."""
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(stack_of, sorted(folder.glob("*.pickle"))))


def main() -> None:
    """Read the arguments, train, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("layers", type=Path, help="folder that true_layers wrote")
    parser.add_argument("--out", type=Path, required=True, help="the network's file")
    parser.add_argument("--judge", type=Path, help="folder of other molds, that nothing is learnt from")
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    began = time.monotonic()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    stacks = stacks_in(arguments.layers, arguments.workers)
    print(f"{len(stacks)} molds, {sum(len(s.surfaces) for s in stacks)} photos, {device}", flush=True)
    matcher = train(stacks, steps=arguments.steps, seed=arguments.seed, device=device)
    write_onnx(matcher, arguments.out, channels=2, side=64, given="surface", answer="features")
    if arguments.judge:
        judge(matcher, stacks_in(arguments.judge, arguments.workers), device=device)
    print(f"{time.monotonic() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()

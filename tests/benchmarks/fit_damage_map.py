"""Fit the networks of the damage map, and write them in ONNX form.

    python -m tests.benchmarks.fit_damage_map DIR --out FOLDER [--leave-out NAME...] [--minutes 25]

DIR is what `aligned_layers` kept. Each photo is seen as it is, with damage painted into it (`painted_damage`), and
with light, sharpness, noise, stains, shadows and the fit to the references changed at random, against one to three
references. `fit_confidence` needs networks that saw none of the molds that it looks at (--leave-out, or a DIR without
them). `thin_damage_map` then makes the second network cheaper. Needs PyTorch (extra `train`) and, for more
than a trial, a graphics card, which holds all examples (5 GB): five minutes on a large one. What is cut short goes on
where it was last kept when the same command is given again, and comes to the same networks; the curve, the seed and the
molds stand in FOLDER/fitting.json.
"""

from __future__ import annotations

import argparse
import json
import pickle
import time
import zlib
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn.functional import (
    avg_pool2d,
    binary_cross_entropy_with_logits,
    conv2d,
    grid_sample,
    interpolate,
    max_pool2d,
    pad,
    relu,
)

from inspector.comparing.appearance import FARTHEST, appearance
from inspector.inspection.damage_map import DEEPEST_MM, FARTHEST_ODDS, FEATURES, MOST_REFERENCES, STEP
from inspector.inspection.painted_damage import paint_damage
from tests.benchmarks.aligned_mold import LEAST_ODDS, ODDS_LEVELS, AlignedMold, AlignedPhoto, decoded

PX_PER_MM = 4.0
# Which answer a kind belongs to: a missing part, a hollow, a crack. Excess is neither right nor wrong.
ANSWERS = {"missing feature": 0, "chip": 1, "surface void": 1, "hairline crack": 2}
FINE, COARSE, SPACINGS = 32, 64, (1, 2, 4)
PAINTED_COPIES, PAINTED_SHARE = 3, 0.3
BATCH, CROP, RATE, DECAY = 32, 160, 2e-3, 2e-2
KEPT_EVERY = 500
# What a sound place weighs, and a defect as a whole (a crack more, being thin), each of its places within limits.
SOUND, ANOTHER_KIND = 0.25, 0.05
DEFECT, CRACK, MOST = 400, 800, 12

Change = Callable[[Tensor, Tensor, np.random.Generator], tuple[Tensor, Tensor]]


@dataclass(frozen=True, slots=True, eq=False)
class Example:
    """One photo, as it is or painted."""

    surface: Tensor  # (3, h, w)
    references: Tensor  # (r, 3, h, w)
    deep: Tensor  # (1, h, w)
    piece_odds: Tensor  # (1, h, w)
    wanted: Tensor  # (3, h / 2, w / 2)
    weight: Tensor  # (3, h / 2, w / 2)
    defects_at: tuple[NDArray[np.float64], ...]  # row and column of the middle of each
    painted: bool


class Residual(nn.Module):
    """Two convolutions that add to what comes in (He et al. 2016)."""

    def __init__(self, channels: int, spacing: int) -> None:
        super().__init__()
        self.first = nn.Conv2d(channels, channels, 3, padding=spacing, dilation=spacing)
        self.second = nn.Conv2d(channels, channels, 3, padding=1)
        nn.init.zeros_(self.second.weight)
        nn.init.zeros_(self.second.bias)

    def forward(self, x: Tensor) -> Tensor:
        """Same shape."""
        return relu(x + self.second(relu(self.first(x))))


def encoder() -> nn.Module:
    """From a surface (b, 3, h, w) to features at half the scale."""
    return nn.Sequential(
        nn.Conv2d(3, FEATURES, 5, stride=2, padding=2),
        nn.ReLU(),
        nn.Conv2d(FEATURES, FEATURES, 3, padding=1),
        nn.ReLU(),
        nn.Conv2d(FEATURES, FEATURES, 3, padding=1),
    )


class Judge(nn.Module):
    """Features of a photo, mean and range of its references', and the surroundings: log odds of three answers."""

    def __init__(self, shared: nn.Module) -> None:
        super().__init__()
        self.encoder = shared
        self.fine = nn.Sequential(
            nn.Conv2d(4 * FEATURES + 4, FINE, 1), nn.ReLU(), nn.Conv2d(FINE, FINE, 3, padding=1), nn.ReLU()
        )
        self.down = nn.Sequential(nn.Conv2d(FINE, COARSE, 3, stride=2, padding=1), nn.ReLU())
        self.coarse = nn.Sequential(*(Residual(COARSE, spacing) for spacing in SPACINGS))
        self.last = nn.Sequential(
            nn.Conv2d(FINE + COARSE, FINE, 3, padding=1),
            nn.ReLU(),
            nn.Conv2d(FINE, FINE, 3, padding=1),
            nn.ReLU(),
            nn.Conv2d(FINE, 3, 1),
        )
        nn.init.constant_(self.last[-1].bias, -4.0)

    def forward(self, surface: Tensor, mean: Tensor, highest: Tensor, lowest: Tensor, around: Tensor) -> Tensor:
        """(b, 3, h / 2, w / 2)."""
        own = self.encoder(surface)
        fine = self.fine(torch.cat([own, mean, relu(own - highest), relu(lowest - own), around], 1))
        coarse = self.coarse(self.down(fine))
        grown = interpolate(coarse, scale_factor=2, mode="bilinear", align_corners=False)
        return self.last(torch.cat([fine, grown], 1))


def normal_range(features: Tensor, used: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Mean, highest and lowest of the references used, as `inspector.inspection.damage_map` takes them.

    features (b, r, n, h, w), used (b, r).
    """
    left_out = ~used[:, :, None, None, None]
    highest = max_pool2d(features.masked_fill(left_out, -1e4).amax(1), 3, 1, 1)
    lowest = -max_pool2d(-features.masked_fill(left_out, 1e4).amin(1), 3, 1, 1)
    mean = features.masked_fill(left_out, 0).sum(1) / used.sum(1)[:, None, None, None]
    return mean, highest, lowest


def surroundings(deep: Tensor, piece_odds: Tensor, used: Tensor) -> Tensor:
    """What the judge is told besides: depth inside the outline, piece or mat, on the piece, how many references."""
    depth = avg_pool2d(deep, 2)
    count = (used.float().sum(1) / MOST_REFERENCES)[:, None, None, None].expand_as(depth)
    return torch.cat([depth, avg_pool2d(piece_odds, 2), (depth > 0).float(), count], 1)


def examples_of(path: Path, *, copies: int) -> list[Example]:
    """All photos of a mold, each with some painted copies; where a reference did not fit, another stands in for it."""
    cv2.setNumThreads(1)
    mold: AlignedMold = pickle.loads(path.read_bytes())
    mask = decoded(mold.mask)
    part = np.s_[: mask.shape[0] // STEP * STEP, : mask.shape[1] // STEP * STEP]
    mask = mask[part]
    fitting = [appearance(decoded(one)[part], mask, px_per_mm=PX_PER_MM) for one in mold.references]
    references = _tensor(np.stack([fitting[k % len(fitting)] for k in range(MOST_REFERENCES)]))
    inside_mm = cv2.distanceTransform((mask > 127).astype(np.uint8), cv2.DIST_L2, 5) / PX_PER_MM
    deep = _tensor(np.minimum(inside_mm, DEEPEST_MM)[None] / (0.5 * DEEPEST_MM))
    found = []
    for photo in mold.photos:
        gray, valid, defects = (decoded(one)[part] for one in (photo.gray, photo.valid, photo.defects))
        odds = decoded(photo.piece_odds)[part].astype(np.float32) / ODDS_LEVELS + LEAST_ODDS
        judged = (valid > 0) & (cv2.dilate(mask, np.ones((9, 9), dtype=np.uint8)) > 127)
        for copy in range(copies + 1):
            image, numbers, kinds = gray, defects, photo.kinds
            if copy > 0:
                painted = _painted(photo, gray, (mask > 127) & (odds > 0) & (valid > 0), defects, copy)
                if painted is None:
                    continue
                image, numbers, kinds = painted
            wanted, weight, at = targets(numbers, kinds, judged)
            found.append(
                Example(
                    surface=_tensor(appearance(image, mask, px_per_mm=PX_PER_MM)),
                    references=references,
                    deep=deep,
                    piece_odds=_tensor(np.clip(odds, -FARTHEST_ODDS, FARTHEST_ODDS)[None] / (0.5 * FARTHEST_ODDS)),
                    wanted=_tensor(wanted),
                    weight=_tensor(weight),
                    defects_at=at,
                    painted=copy > 0,
                )
            )
    return found


def _painted(
    photo: AlignedPhoto, gray: NDArray[np.uint8], piece: NDArray[np.bool_], defects: NDArray[np.uint8], copy: int
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], tuple[str, ...]] | None:
    """A photo with more damage; None where too little of the piece is left for it."""
    piece = piece & (cv2.dilate((defects > 0).astype(np.uint8), np.ones((9, 9), dtype=np.uint8)) == 0)
    if np.count_nonzero(piece) < 2000:
        return None
    rng = np.random.default_rng([zlib.crc32(photo.name.encode()), copy])
    bgr = cv2.cvtColor(gray, cv2.COLOR_GRAY2BGR)
    added = paint_damage(bgr, piece, px_per_mm=PX_PER_MM, rng=rng, defects=6, stains=4)
    numbers = defects.copy()
    for number, mask in enumerate(added.masks, start=len(photo.kinds) + 1):
        numbers[mask] = number
    return cv2.cvtColor(added.image_bgr, cv2.COLOR_BGR2GRAY), numbers, photo.kinds + added.kinds


def targets(
    numbers: NDArray[np.uint8], kinds: tuple[str, ...], judged: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.float32], tuple[NDArray[np.float64], ...]]:
    """What is wanted at each place of the map, what that weighs, and where the defects lie."""
    height, width = numbers.shape
    size = (width // 2, height // 2)
    wanted = np.zeros((3, size[1], size[0]), dtype=np.float32)
    weight = np.full_like(wanted, SOUND)
    near = np.zeros((size[1], size[0]), dtype=np.uint8)
    at = []
    for number, kind in enumerate(kinds, start=1):
        here = numbers == number
        share = cv2.resize(here.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        near |= cv2.dilate((share > 0.05).astype(np.uint8), np.ones((5, 5), dtype=np.uint8))
        is_crack = kind == "hairline crack"
        on = share > (0.2 if is_crack else 0.45)
        if kind not in ANSWERS or not on.any():
            continue
        at.append(np.argwhere(here).mean(axis=0))
        wanted[ANSWERS[kind]][on] = 1
        weight[ANSWERS[kind]][on] = np.clip((CRACK if is_crack else DEFECT) / np.count_nonzero(on), 1, MOST)
    damaged = wanted.max(axis=0) > 0
    weight[(wanted == 0) & damaged] = ANOTHER_KIND
    weight[:, (near > 0) & ~damaged] = 0
    weight[:, cv2.resize(judged.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) == 0] = 0
    return wanted, weight, tuple(at)


def _tensor(array: NDArray[np.float32]) -> Tensor:
    return torch.from_numpy(np.ascontiguousarray(array)).half()


def cut_crop(one: Example, rng: np.random.Generator) -> tuple[Tensor, ...]:
    """A square of an example, mostly about a defect, turned and mirrored at random."""
    height, width = one.deep.shape[-2:]
    if one.defects_at and rng.random() < 0.6:
        middle = one.defects_at[rng.integers(len(one.defects_at))] + rng.integers(-CROP // 3, CROP // 3, 2)
    else:
        middle = rng.uniform([0, 0], [height, width])
    top = int(np.clip(middle[0] - CROP // 2, 0, max(0, height - CROP))) // 2
    left = int(np.clip(middle[1] - CROP // 2, 0, max(0, width - CROP))) // 2
    quarter_turns, mirrored = int(rng.integers(4)), rng.random() < 0.5

    def cut(image: Tensor, scale: int) -> Tensor:
        side = CROP * scale // 2
        part = image[..., top * scale : top * scale + side, left * scale : left * scale + side]
        part = pad(part, (0, side - part.shape[-1], 0, side - part.shape[-2]))
        part = torch.rot90(part, quarter_turns, (-2, -1))
        return part.flip(-1) if mirrored else part

    fine = (cut(image, 2) for image in (one.surface, one.references, one.deep, one.piece_odds))
    return (*fine, cut(one.wanted, 1), cut(one.weight, 1))


def blurred(x: Tensor, sigma: float) -> Tensor:
    """Gaussian blur of (b, n, h, w)."""
    reach = max(1, int(2.5 * sigma + 0.5))
    along = torch.arange(-reach, reach + 1, device=x.device, dtype=x.dtype)
    kernel = torch.exp(-(along**2) / (2 * sigma**2))
    n = x.shape[1]
    row = (kernel / kernel.sum()).view(1, 1, 1, -1).expand(n, 1, 1, -1)
    x = conv2d(pad(x, (reach, reach, 0, 0), mode="reflect"), row, groups=n)
    return conv2d(pad(x, (0, 0, reach, reach), mode="reflect"), row.transpose(2, 3), groups=n)


def as_another_photo(surface: Tensor, references: Tensor, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
    """Change what differs between two photos of one sound piece: light, sharpness, noise, stains, the fit."""
    count, device = len(surface), surface.device

    def each(*, low: float = 0.0, high: float = 1.0) -> Tensor:
        return low + (high - low) * torch.rand(count, 1, 1, 1, device=device)

    def field(channels: int, wavelength_px: float) -> Tensor:
        side = max(2, int(CROP / wavelength_px) + 1)
        small = torch.randn(count, channels, side, side, device=device)
        return interpolate(small, size=(CROP, CROP), mode="bicubic", align_corners=True)

    # In `appearance`: contrast has a gain of two, detail of four, brightness of one.
    surface = surface * torch.exp(0.18 * torch.randn(count, 1, 1, 1, device=device))
    slope = 0.12 * field(1, 60.0)
    surface = surface + torch.cat([0.5 * slope, torch.zeros_like(slope), slope], 1)
    if rng.random() < 0.35:
        sigma = float(rng.uniform(0.4, 1.1))
        if rng.random() < 0.5:
            surface = blurred(surface, sigma)
        else:
            references = blurred(references.flatten(0, 1), sigma).unflatten(0, references.shape[:2])
    if rng.random() < 0.35:  # a shadow or a stain that falls on the piece in this photo only
        sharp = float(np.exp(rng.uniform(np.log(2), np.log(25))))
        dark = torch.sigmoid(sharp * (field(1, float(rng.uniform(25, 90))) + 0.5 * rng.normal()))
        dark = -0.9 * each() * (each() < 0.6) * dark
        surface = surface + torch.cat([2 * (dark - blurred(dark, 16.0)), 4 * (dark - blurred(dark, 2.0)), dark], 1)
    noise = 0.06 * each() * torch.randn(count, 1, CROP, CROP, device=device)
    surface = surface + torch.cat([2 * noise, 4 * noise, noise], 1)
    shift = 0.8 * each() * field(2, 28.0)
    along = torch.linspace(-1, 1, CROP, device=device)
    still = torch.stack(torch.meshgrid(along, along, indexing="ij")[::-1], -1)
    moved = still[None] + shift.permute(0, 2, 3, 1) * (2 / CROP)
    surface = grid_sample(surface, moved, mode="bilinear", padding_mode="border", align_corners=True)
    return surface.clamp(-FARTHEST, FARTHEST), references


def on_device(examples: list[Example], device: str) -> list[Example]:
    """The same examples where they are cut and learnt from; what several share is held once."""
    there: dict[int, Tensor] = {}

    def moved(tensor: Tensor) -> Tensor:
        return there.setdefault(id(tensor), tensor.to(device))

    def pictures(one: Example) -> dict[str, Tensor]:
        values = {field.name: getattr(one, field.name) for field in fields(one)}
        return {name: moved(value) for name, value in values.items() if isinstance(value, Tensor)}

    return [replace(one, **pictures(one)) for one in examples]


class Fitting:
    """A judge that is being fitted, which can be kept and gone on with.

    Parameters
    ----------
    steps, seed : int
        How many steps in all, and what all chance follows from.
    device : str
        "cuda" or "cpu".
    change : callable
        Makes another photo of each surface, given the references' too and what to draw from.
    """

    def __init__(self, *, steps: int, seed: int, device: str, change: Change = as_another_photo) -> None:
        self.steps, self.seed, self.device, self._change = steps, seed, device, change
        self.losses: list[float] = []  # of each step
        self._rng = np.random.default_rng(seed)
        torch.manual_seed(seed)
        self.judge = Judge(encoder()).to(device)
        self._optimizer = torch.optim.AdamW(self.judge.parameters(), lr=RATE, weight_decay=DECAY)

    def keep(self, path: Path) -> None:
        """Write down all that the rest of the fit depends on; what was kept before stays until this is whole."""
        state = {
            "made_by": (self.steps, self.seed),
            "losses": self.losses,
            "judge": self.judge.state_dict(),
            "optimizer": self._optimizer.state_dict(),
            "chance": (self._rng.bit_generator.state, torch.get_rng_state()),
            "chance_on_card": torch.cuda.get_rng_state() if self.device == "cuda" else None,
        }
        torch.save(state, path.with_suffix(".part"))
        path.with_suffix(".part").replace(path)

    def go_on(self, path: Path) -> None:
        """Take up what was kept, by the same number of steps and the same seed."""
        state = torch.load(path, map_location=self.device, weights_only=False)
        if state["made_by"] != (self.steps, self.seed):
            raise SystemExit(f"{path} was kept by other steps or another seed: remove it, or give those again.")
        self.losses = state["losses"]
        self.judge.load_state_dict(state["judge"])
        self._optimizer.load_state_dict(state["optimizer"])
        self._rng.bit_generator.state, cpu = state["chance"]
        torch.set_rng_state(cpu.cpu())
        if self.device == "cuda":
            torch.cuda.set_rng_state(state["chance_on_card"].cpu())

    def run(self, examples: list[Example], *, kept: Path, minutes: float) -> bool:
        """Fit until all steps are done (True) or the time is over (False).

        Weighted logistic loss, AdamW (Loshchilov and Hutter 2019), a rate that falls along a cosine.
        """
        until = time.monotonic() + 60 * minutes
        examples = on_device(examples, self.device)
        apart = [[one for one in examples if one.painted is painted] for painted in (True, False)]
        while len(self.losses) < self.steps and time.monotonic() < until:
            self.losses.append(self._learn(apart))
            if len(self.losses) % KEPT_EVERY == 0:
                lately = float(np.mean(self.losses[-KEPT_EVERY:]))
                print(f"step {len(self.losses)} of {self.steps}: loss {lately:.4f}", flush=True)
                self.keep(kept)
        self.keep(kept)
        return len(self.losses) == self.steps

    def _learn(self, apart: list[list[Example]]) -> float:
        """One step, by examples painted and not; its loss."""
        rng, device, judge, step = self._rng, self.device, self.judge, len(self.losses)
        for group in self._optimizer.param_groups:
            group["lr"] = 1e-6 + RATE * min(1, step / 300) * 0.5 * (1 + np.cos(np.pi * step / self.steps))
        crops = []
        for _ in range(BATCH):
            few = apart[0] if apart[0] and rng.random() < PAINTED_SHARE else apart[1]
            crops.append(cut_crop(few[rng.integers(len(few))], rng))
        surface, references, deep, odds, wanted, weight = (
            torch.stack([crop[k] for crop in crops]).float() for k in range(6)
        )
        most = references.shape[1]
        wanted_count = torch.randint(1, most + 1, (BATCH, 1), device=device)
        used = torch.rand(BATCH, most, device=device).argsort(1).argsort(1) < wanted_count
        surface, references = self._change(surface, references, rng)
        with torch.autocast("cuda", dtype=torch.bfloat16, enabled=device == "cuda"):
            features = judge.encoder(references.flatten(0, 1)).unflatten(0, (BATCH, most))
            answer = judge(surface, *normal_range(features, used), surroundings(deep, odds, used))
        errors = binary_cross_entropy_with_logits(answer.float(), wanted, reduction="none")
        loss = (weight * errors).sum() / weight.sum().clamp(min=1)
        self._optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(judge.parameters(), 1.0)
        self._optimizer.step()
        return float(loss.item())


def write_networks(judge: nn.Module, folder: Path) -> None:
    """Both networks in ONNX form, for pictures of any size."""
    folder.mkdir(parents=True, exist_ok=True)
    side = 8 * STEP
    surface = torch.zeros(1, 3, side, side)
    normal = [torch.zeros(1, FEATURES, side // 2, side // 2) for _ in range(3)]
    inputs = ["surface", "mean", "highest", "lowest", "around"]
    any_size = {2: "height", 3: "width"}
    write = partial(torch.onnx.export, opset_version=13, dynamo=False)
    write(
        judge.encoder,
        (surface,),
        folder / "surface_encoder.onnx",
        input_names=["surface"],
        output_names=["features"],
        dynamic_axes=dict.fromkeys(("surface", "features"), any_size),
    )
    write(
        judge,
        (surface, *normal, torch.zeros(1, 4, side // 2, side // 2)),
        folder / "damage_judge.onnx",
        input_names=inputs,
        output_names=["odds"],
        dynamic_axes=dict.fromkeys([*inputs, "odds"], any_size),
    )


def fit_networks(
    examples: list[Example],
    molds: list[str],
    out: Path,
    *,
    steps: int,
    seed: int,
    minutes: float,
    change: Change = as_another_photo,
) -> None:
    """Fit to examples of these molds, going on from what the folder keeps, and write both networks there when done."""
    fitting = Fitting(steps=steps, seed=seed, device="cuda" if torch.cuda.is_available() else "cpu", change=change)
    out.mkdir(parents=True, exist_ok=True)
    kept = out / "fitting.pt"
    if kept.is_file():
        fitting.go_on(kept)
        print(f"going on after step {len(fitting.losses)}", flush=True)
    if not fitting.run(examples, kept=kept, minutes=minutes):
        print(f"{len(fitting.losses)} of {steps} steps are done: give the same command again to go on")
        return
    write_networks(fitting.judge.float().cpu().eval(), out)
    told = {"steps": steps, "seed": seed, "molds": molds, "loss": fitting.losses}
    (out / "fitting.json").write_text(json.dumps(told) + "\n", encoding="utf-8")


def main() -> None:
    """Read the arguments, train, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("layers", type=Path, help="folder that aligned_layers wrote")
    parser.add_argument("--out", type=Path, required=True, help="folder for the two networks")
    parser.add_argument("--leave-out", nargs="*", default=[], metavar="NAME", help="molds not to learn from")
    parser.add_argument("--steps", type=int, default=10400)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=25.0, help="stop then, to go on another time (default 25)")
    arguments = parser.parse_args()
    paths = [
        path
        for path in sorted(arguments.layers.glob("*.pickle"))
        if path.stem.split("__")[1] not in arguments.leave_out
    ]
    with ProcessPoolExecutor(arguments.workers) as pool:
        examples = [one for few in pool.map(partial(examples_of, copies=PAINTED_COPIES), paths) for one in few]
    print(f"{len(paths)} molds, {len(examples)} examples", flush=True)
    molds = [path.stem for path in paths]
    fit_networks(examples, molds, arguments.out, steps=arguments.steps, seed=arguments.seed, minutes=arguments.minutes)


if __name__ == "__main__":
    main()

"""Make the second network of the damage map cheaper, and let it learn to answer as the full one does.

    python -m tests.benchmarks.thin_damage_map DIR --full FOLDER --out FOLDER [--minutes 25]

DIR is what `aligned_layers` kept, FOLDER what `fit_damage_map` wrote. Most 3 x 3 convolutions become one of fewer
channels and a 1 x 1 that spreads them again, chosen so that the responses keep their principal components (Zhang et al.
2016, "Accelerating very deep convolutional networks"); what goes back from the coarse raster is narrowed before it is
enlarged, and of the last features half are kept. Then the thin network is fitted to the full one's log odds (Hinton et
al. 2015, "Distilling the knowledge in a neural network"). Two cores are enough.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn
from torch.nn.functional import relu

from tests.benchmarks.fit_damage_map import (
    COARSE,
    FINE,
    SPACINGS,
    Example,
    Judge,
    as_another_photo,
    cut_crop,
    encoder,
    examples_of,
    normal_range,
    surroundings,
    write_networks,
)

# Channels of the thin convolutions on either raster, and of the last features.
COARSE_CHANNELS, FINE_CHANNELS, LAST = 32, 16, 16
BATCH, RATE, DECAY = 8, 1e-3, 1e-4
FARTHEST_ODDS = 9.0
LOOKED_AT, PLACES = 12, 1500  # batches whose responses are looked at, and places of each

Inputs = tuple[Tensor, Tensor, Tensor, Tensor, Tensor]


class Thin(nn.Sequential):
    """A 3 x 3 convolution to few channels, and a 1 x 1 to all."""

    def __init__(self, taken: int, channels: int, given: int, spacing: int = 1) -> None:
        super().__init__(
            nn.Conv2d(taken, channels, 3, padding=spacing, dilation=spacing, bias=False),
            nn.Conv2d(channels, given, 1),
        )

    def stand_in(self, weight: Tensor, bias: Tensor, responses: Tensor) -> None:
        """Answer as a full convolution does where its responses (n, given), less their mean, vary most."""
        middle = responses.mean(0)
        main = torch.linalg.eigh(torch.cov(responses.T)).eigenvectors[:, -self[0].out_channels :]
        self[0].weight.data = torch.einsum("or,oihw->rihw", main, weight)
        self[1].weight.data = main[:, :, None, None].clone()
        self[1].bias.data = middle - main @ (main.T @ (middle - bias))


class ThinResidual(nn.Module):
    """As `Residual`, of thin convolutions."""

    def __init__(self, spacing: int) -> None:
        super().__init__()
        self.first = Thin(COARSE, COARSE_CHANNELS, COARSE, spacing)
        self.second = Thin(COARSE, COARSE_CHANNELS, COARSE)

    def forward(self, x: Tensor) -> Tensor:
        """Same shape."""
        return relu(x + self.second(relu(self.first(x))))


class ThinJudge(Judge):
    """The same with thin parts; what stays as it is begins as the full one's."""

    def __init__(self, full: Judge) -> None:
        super().__init__(full.encoder)
        self.fine[2] = Thin(FINE, FINE_CHANNELS, FINE)
        narrow = nn.Conv2d(COARSE, COARSE_CHANNELS, 1, bias=False)
        self.coarse = nn.Sequential(*(ThinResidual(spacing) for spacing in SPACINGS), narrow)
        self.last = nn.Sequential(
            Thin(FINE + COARSE_CHANNELS, FINE_CHANNELS, FINE),
            nn.ReLU(),
            nn.Conv2d(FINE, LAST, 3, padding=1),
            nn.ReLU(),
            nn.Conv2d(LAST, 3, 1),
        )
        self.fine[0].load_state_dict(full.fine[0].state_dict())
        self.down.load_state_dict(full.down.state_dict())

    def narrow_as(self, full: Judge, coarse: Tensor, joined: Tensor) -> None:
        """Keep of the coarse features (n, COARSE) what matters most to the convolution that takes them (to joined)."""
        weight = full.last[0].weight.data
        taken = weight[:, FINE:].permute(0, 2, 3, 1).reshape(-1, COARSE)
        spread = coarse.T @ coarse / len(coarse)
        root = torch.linalg.cholesky(spread + 1e-4 * spread.diagonal().mean() * torch.eye(COARSE))
        left, strength, right = torch.linalg.svd(taken @ root, full_matrices=False)
        main = slice(COARSE_CHANNELS)
        self.coarse[-1].weight.data = torch.linalg.solve(root.T, right[main].T).T[:, :, None, None].clone()
        narrowed = (left[:, main] * strength[main]).reshape(FINE, 3, 3, COARSE_CHANNELS).permute(0, 3, 1, 2)
        self.last[0].stand_in(torch.cat([weight[:, :FINE], narrowed], 1), full.last[0].bias.data, joined)

    def keep_of_the_last(self, full: Judge, features: Tensor) -> None:
        """Keep those of the last features (n, FINE) that say most, and make the best linear answer of them."""
        weight = full.last[4].weight.data[:, :, 0, 0]
        worth = features.std(0) * weight.abs().sum(0)
        kept = worth.argsort(descending=True)[:LAST].sort().values
        self.last[2].weight.data = full.last[2].weight.data[kept].clone()
        self.last[2].bias.data = full.last[2].bias.data[kept].clone()
        answers = features @ weight.T + full.last[4].bias.data
        best = torch.linalg.lstsq(torch.cat([features[:, kept], torch.ones(len(features), 1)], 1), answers).solution
        self.last[4].weight.data = best[:-1].T[:, :, None, None].clone()
        self.last[4].bias.data = best[-1].clone()


def read_full(folder: Path) -> Judge:
    """The judge that `fit_damage_map` wrote."""
    written = onnx.load(folder / "damage_judge.onnx").graph.initializer
    judge = Judge(encoder())
    judge.load_state_dict({one.name: torch.from_numpy(numpy_helper.to_array(one).copy()) for one in written})
    return judge.eval().requires_grad_(False)


def draw_inputs(examples: list[Example], full: Judge, rng: np.random.Generator) -> Inputs:
    """A batch as the judge takes it, changed at random as in fitting."""
    crops = [cut_crop(examples[rng.integers(len(examples))], rng) for _ in range(BATCH)]
    surface, references, deep, odds = (torch.stack([crop[k] for crop in crops]).float() for k in range(4))
    most = references.shape[1]
    used = torch.rand(BATCH, most).argsort(1).argsort(1) < torch.randint(1, most + 1, (BATCH, 1))
    surface, references = as_another_photo(surface, references, rng)
    features = full.encoder(references.flatten(0, 1)).unflatten(0, (BATCH, most))
    return (surface, *normal_range(features, used), surroundings(deep, odds, used))


def thinned(full: Judge, batches: list[Inputs]) -> ThinJudge:
    """The thin network that answers most like the full one before it has learnt."""
    thin = ThinJudge(full)
    seen: dict[nn.Module, list[Tensor]] = defaultdict(list)

    def look(module: nn.Module, _taken: tuple[Tensor, ...], answer: Tensor) -> None:
        flat = answer.permute(0, 2, 3, 1).reshape(-1, answer.shape[1])
        seen[module].append(flat[torch.randint(0, len(flat), (PLACES,))])

    pairs = [(full.fine[2], thin.fine[2])]
    for block, thin_block in zip(full.coarse, thin.coarse[:-1], strict=True):
        pairs += [(block.first, thin_block.first), (block.second, thin_block.second)]
    joining, last_features = full.last[0], full.last[3]
    looked_at = [*(one for one, _ in pairs), full.coarse, joining, last_features]
    hooks = [module.register_forward_hook(look) for module in looked_at]
    for batch in batches:
        full(*batch)
    for hook in hooks:
        hook.remove()
    responses = {module: torch.cat(parts) for module, parts in seen.items()}
    for convolution, stand_in in pairs:
        stand_in.stand_in(convolution.weight.data, convolution.bias.data, responses[convolution])
    thin.narrow_as(full, responses[full.coarse], responses[joining])
    thin.keep_of_the_last(full, responses[last_features])
    return thin


def learn_from(full: Judge, thin: ThinJudge, draw: Callable[[], Inputs], *, minutes: float) -> ThinJudge:
    """Squared differences of log odds, mostly of places that may be damaged; a rate that falls with the clock."""
    learning = [one for one in thin.parameters() if one.requires_grad]  # the encoder, which references share, is not
    optimizer = torch.optim.AdamW(learning, RATE, weight_decay=DECAY)
    began, step = time.monotonic(), 0
    while (done := (time.monotonic() - began) / (60 * minutes)) < 1:
        for group in optimizer.param_groups:
            group["lr"] = 1e-6 + RATE * min(1, (step + 1) / 20) * 0.5 * (1 + np.cos(np.pi * done))
        batch = draw()
        with torch.no_grad():
            wanted = full(*batch).clamp(-FARTHEST_ODDS, FARTHEST_ODDS)
        weight = torch.sigmoid(wanted + 3) + 0.02
        answer = thin(*batch).clamp(-FARTHEST_ODDS, FARTHEST_ODDS)
        loss = (weight * (answer - wanted) ** 2).sum() / weight.sum()
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        optimizer.step()
        step += 1
        if step % 100 == 0:
            print(f"step {step}, {100 * done:.0f} % of the time: {loss.item():.3f}", flush=True)
    return thin.eval()


def main() -> None:
    """Read the arguments, make thin, let learn, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("layers", type=Path, help="folder that aligned_layers wrote")
    parser.add_argument("--full", type=Path, required=True, help="folder of the full networks")
    parser.add_argument("--out", type=Path, required=True, help="folder for the two networks")
    parser.add_argument("--minutes", type=float, default=25.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    torch.manual_seed(arguments.seed)
    rng = np.random.default_rng(arguments.seed)
    with ProcessPoolExecutor(arguments.workers) as pool:
        paths = sorted(arguments.layers.glob("*.pickle"))
        examples = [one for few in pool.map(partial(examples_of, copies=1), paths) for one in few]
    full = read_full(arguments.full)
    draw = partial(draw_inputs, examples, full, rng)
    thin = thinned(full, [draw() for _ in range(LOOKED_AT)])
    write_networks(learn_from(full, thin, draw, minutes=arguments.minutes), arguments.out)


if __name__ == "__main__":
    main()

"""The networks of the damage map, and their ONNX form."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn.functional import avg_pool2d, interpolate, max_pool2d, relu

from inspector.inspection.damage_map import FEATURES, MOST_REFERENCES, STEP

__all__ = ["SHAPES", "Judge", "Shape", "normal_range", "surroundings", "write_networks"]


class Shape:
    """How large a judge is."""

    def __init__(self, fine: int, coarse: int, spacings: Sequence[int], *, thin: bool) -> None:
        self.fine, self.coarse, self.spacings, self.thin = fine, coarse, tuple(spacings), thin


# The one that ships answers in six tenths of the time of the full one; the wide one only teaches.
SHAPES = {
    "thin": Shape(32, 64, (1, 2, 4), thin=True),
    "full": Shape(32, 64, (1, 2, 4), thin=False),
    "wide": Shape(64, 128, (1, 2, 4, 1, 2, 4), thin=False),
}


def convolution(taken: int, given: int, spacing: int = 1, *, thin: bool) -> nn.Module:
    """3 x 3; thin: to half as many channels, which a 1 x 1 spreads again (Zhang et al. 2016)."""
    if not thin:
        return nn.Conv2d(taken, given, 3, padding=spacing, dilation=spacing)
    return nn.Sequential(
        nn.Conv2d(taken, given // 2, 3, padding=spacing, dilation=spacing, bias=False), nn.Conv2d(given // 2, given, 1)
    )


class Residual(nn.Module):
    """Two convolutions that add to what comes in (He et al. 2016)."""

    def __init__(self, channels: int, spacing: int, *, thin: bool) -> None:
        super().__init__()
        self.first = convolution(channels, channels, spacing, thin=thin)
        self.second = convolution(channels, channels, thin=thin)
        last = self.second[-1] if isinstance(self.second, nn.Sequential) else self.second
        assert isinstance(last, nn.Conv2d) and last.bias is not None
        nn.init.zeros_(last.weight)
        nn.init.zeros_(last.bias)

    def forward(self, x: Tensor) -> Tensor:
        """Same shape."""
        return relu(x + self.second(relu(self.first(x))))


class Judge(nn.Module):
    """Features of a photo, mean and range of its references', and the surroundings: log odds of three answers.

    Photo and references share the encoder; references come in any number and order, as a mean and a range.
    """

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        fine, coarse, thin = shape.fine, shape.coarse, shape.thin
        self.encoder = nn.Sequential(
            nn.Conv2d(3, FEATURES, 5, stride=2, padding=2),
            nn.ReLU(),
            nn.Conv2d(FEATURES, FEATURES, 3, padding=1),
            nn.ReLU(),
            nn.Conv2d(FEATURES, FEATURES, 3, padding=1),
        )
        self.fine = nn.Sequential(
            nn.Conv2d(4 * FEATURES + 4, fine, 1), nn.ReLU(), convolution(fine, fine, thin=thin), nn.ReLU()
        )
        self.down = nn.Sequential(nn.Conv2d(fine, coarse, 3, stride=2, padding=1), nn.ReLU())
        blocks: list[nn.Module] = [Residual(coarse, spacing, thin=thin) for spacing in shape.spacings]
        back = coarse // 2 if thin else coarse
        if thin:
            blocks.append(nn.Conv2d(coarse, back, 1, bias=False))
        self.coarse = nn.Sequential(*blocks)
        last = fine // 2 if thin else fine
        self.last = nn.Sequential(
            convolution(fine + back, fine, thin=thin),
            nn.ReLU(),
            nn.Conv2d(fine, last, 3, padding=1),
            nn.ReLU(),
            nn.Conv2d(last, 3, 1),
        )
        answer = self.last[-1]
        assert isinstance(answer, nn.Conv2d) and answer.bias is not None
        nn.init.constant_(answer.bias, -4.0)

    def forward(self, surface: Tensor, mean: Tensor, highest: Tensor, lowest: Tensor, around: Tensor) -> Tensor:
        """(b, 3, h / 2, w / 2)."""
        own = self.encoder(surface)
        fine = self.fine(torch.cat([own, mean, relu(own - highest), relu(lowest - own), around], 1))
        coarse = self.coarse(self.down(fine))
        grown = interpolate(coarse, scale_factor=2, mode="bilinear", align_corners=False)
        return self.last(torch.cat([fine, grown], 1))

    def compare(self, surface: Tensor, references: Tensor, used: Tensor, deep: Tensor, piece_odds: Tensor) -> Tensor:
        """The same from pictures: surface (b, 3, h, w), references (b, r, 3, h, w), which of them count (b, r)."""
        features = self.encoder(references.flatten(0, 1)).unflatten(0, references.shape[:2])
        return self(surface, *normal_range(features, used), surroundings(deep, piece_odds, used))


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
    count = (used.float().sum(1).clamp(max=MOST_REFERENCES) / MOST_REFERENCES)[:, None, None, None].expand_as(depth)
    return torch.cat([depth, avg_pool2d(piece_odds, 2), (depth > 0).float(), count], 1)


def write_networks(judge: Judge, folder: Path) -> None:
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

"""Fields over a square of the mat, as tensors: rasters, random fields, shapes as signed distances.

Rasters are (n, n), row 0 at the smallest y; lengths in mm; a distance is negative inside.
"""

from __future__ import annotations

from collections.abc import Sequence

import torch
from torch import Tensor
from torch.nn.functional import conv2d, interpolate, pad

__all__ = ["blurred", "capsule", "dome", "grid_xy", "limb", "random_field", "round_union", "smoothstep"]


def grid_xy(side_mm: float, count: int, device: torch.device | str) -> Tensor:
    """Places of a raster about the origin, (2, n, n): x, y."""
    step = side_mm / count
    along = (torch.arange(count, device=device, dtype=torch.float32) + 0.5) * step - side_mm / 2
    y, x = torch.meshgrid(along, along, indexing="ij")
    return torch.stack([x, y])


def random_field(
    shape: Sequence[int], wavelength_px: float, *, octaves: int = 1, generator: torch.Generator | None = None
) -> Tensor:
    """Smooth random values (b, h, w) of mean 0 and deviation 1; each octave half as long and half as strong."""
    count, height, width = shape
    device = generator.device if generator is not None else torch.device("cpu")
    total = torch.zeros(count, height, width, device=device)
    for octave in range(octaves):
        wavelength = max(wavelength_px / 2**octave, 1.0)
        rows, columns = (max(4, round(side / wavelength * 2) + 2) for side in (height, width))
        small = torch.randn(count, 1, rows, columns, device=device, generator=generator)
        if rows >= height:
            part = small[:, :, :height, :width]
        else:
            part = interpolate(small, size=(height, width), mode="bicubic", align_corners=True)
        total += 0.5**octave * part[:, 0]
    return (total - total.mean((1, 2), keepdim=True)) / total.std((1, 2), keepdim=True).clamp(min=1e-6)


def smoothstep(t: Tensor) -> Tensor:
    """0 below 0, 1 above 1, smooth between."""
    t = t.clamp(0, 1)
    return t * t * (3 - 2 * t)


def blurred(x: Tensor, sigma: float) -> Tensor:
    """Gaussian blur of (b, n, h, w)."""
    reach = min(max(1, int(2.5 * sigma + 0.5)), x.shape[-1] - 1, x.shape[-2] - 1)
    along = torch.arange(-reach, reach + 1, device=x.device, dtype=x.dtype)
    kernel = torch.exp(-(along**2) / (2 * sigma**2))
    n = x.shape[1]
    row = (kernel / kernel.sum()).view(1, 1, 1, -1).expand(n, 1, 1, -1)
    x = conv2d(pad(x, (reach, reach, 0, 0), mode="reflect"), row, groups=n)
    return conv2d(pad(x, (0, 0, reach, reach), mode="reflect"), row.transpose(2, 3), groups=n)


def capsule(xy: Tensor, a: Sequence[float], b: Sequence[float], radii: tuple[float, float]) -> tuple[Tensor, Tensor]:
    """Signed distance to a rod that tapers from one round end to the other, and how far along a place lies (0 to 1)."""
    ax, ay, bx, by = *a, *b
    dx, dy = bx - ax, by - ay
    along = (((xy[0] - ax) * dx + (xy[1] - ay) * dy) / max(dx * dx + dy * dy, 1e-6)).clamp(0, 1)
    away = torch.hypot(xy[0] - ax - along * dx, xy[1] - ay - along * dy)
    return away - (radii[0] + (radii[1] - radii[0]) * along), along


def limb(xy: Tensor, points: Sequence[Sequence[float]], radii: Sequence[float]) -> tuple[Tensor, Tensor]:
    """The same along a line of points, with a radius at each."""
    pieces = [capsule(xy, points[k], points[k + 1], (radii[k], radii[k + 1])) for k in range(len(points) - 1)]
    distances = torch.stack([one[0] for one in pieces])
    nearest = distances.argmin(0)
    alongs = torch.stack([(one[1] + k) / len(pieces) for k, one in enumerate(pieces)])
    return distances.amin(0), alongs.gather(0, nearest[None])[0]


def dome(distance: Tensor, half_mm: float | Tensor) -> Tensor:
    """Height of a round back over a shape of that half width."""
    return half_mm * (1 - (1 + distance / half_mm).clamp(0, 1) ** 2).clamp(min=0).sqrt()


def round_union(a: Tensor, b: Tensor, radius_mm: float) -> Tensor:
    """Both shapes, with a fillet where they meet."""
    share = (0.5 + 0.5 * (b - a) / radius_mm).clamp(0, 1)
    return b + (a - b) * share - radius_mm * share * (1 - share)

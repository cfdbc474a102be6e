"""Photos of one mold in its frame, as the inspection would have aligned them: what the judge learns from.

The frame is that of the first photo, whose lines of sight tell which place of the surface lies under each pixel.
Another photo shows that place where its own camera has it, less what the alignment is off: mostly along the line of
height, by as much as was measured (median 0.3 mm, seldom over 1 mm).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor
from torch.nn.functional import avg_pool2d, max_pool2d

from inspector.imaging.light import DISPLAY_GAMMA
from inspector.imaging.speckle import mat_raster
from training.castings import Habits, cast
from training.fields import blurred, grid_xy, random_field, smoothstep
from training.ornaments import FIELD_MM, draw_ornament
from training.seeing import Pose, Sight, meet, pose, see

__all__ = ["FRAME_PX", "PX_PER_MM", "MoldPhotos", "Trial", "photograph_mold", "speckle_raster"]

PX_PER_MM, FRAME_PX, FINER = 4.0, 512, 2
FRAME_MM = FRAME_PX / PX_PER_MM


@dataclass(frozen=True, slots=True)
class Trial:
    """What is left out of the photos, to learn what matters."""

    habits: Habits = Habits()
    misaligned: bool = True
    parallax: bool = True
    developed: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class MoldPhotos:
    """References and photos of one mold, aligned."""

    references: Tensor  # (r, h, w) uint8
    photos: Tensor  # (p, h, w) uint8
    mask: Tensor  # (h, w) bool, where good pieces are
    piece_odds: Tensor  # (p, h, w) float16
    answers: Tensor  # (p, 3, h / 2, w / 2) bool
    near: Tensor  # (p, h / 2, w / 2) bool, too close to a defect to be called sound
    area: Tensor  # (p, h / 2, w / 2) float16, mm2 of the defect there


def speckle_raster(device: torch.device) -> Tensor:
    """The print of the mat over the square of a piece, 0 to 1."""
    sheet = mat_raster("A4", px_per_mm=8)
    middle, half = (sheet.shape[0] // 2, sheet.shape[1] // 2), int(FIELD_MM * 4)
    part = sheet[middle[0] - half : middle[0] + half, middle[1] - half : middle[1] + half]
    return torch.from_numpy(part.astype(np.float32) / 255).to(device)


def photograph_mold(
    seed: int, speckle: Tensor, *, references: int = 3, good: int = 2, broken: int = 4, trial: Trial | None = None
) -> MoldPhotos:
    """Draw a mold, cast it, and photograph the castings."""
    trial = trial or Trial()
    device = speckle.device
    rng = np.random.default_rng(seed)
    torch.manual_seed(seed)
    noise = torch.Generator(device=device).manual_seed(seed)
    ornament = draw_ornament(rng, noise)
    count = references + good + broken
    defects = [0] * (references + good) + [int(rng.integers(2, 11)) for _ in range(broken)]
    castings = cast(ornament, defects, rng, noise, trial.habits)
    cameras = pose(count, rng, device)
    if not trial.parallax:
        cameras = Pose(cameras.centre_mm[:1].expand(count, -1))
    mat_xy = grid_xy(FRAME_MM, FRAME_PX * FINER, device)[None]
    # What the references agree on; what lies under each pixel of the first.
    sound = torch.stack([castings.height[k] for k in range(references)]).mean(0)
    first = meet(sound[None], mat_xy, Pose(cameras.centre_mm[:1]))
    there = _as_seen_by(first, cameras, count)
    if trial.misaligned:
        off = _misfit(first, cameras, rng, noise)
        off[0] = 0
        there = there + off
    sight = meet(castings.height, there, cameras)
    shot = see(castings, sight, cameras, speckle, rng)
    light, on_piece, shadow = (
        avg_pool2d(one[:, None], FINER)[:, 0] for one in (shot.light, shot.on_piece, shot.shadow)
    )
    grays = _develop(light, rng, noise) if trial.developed else _plain(light)
    truth = slice(references, None)
    mask = avg_pool2d(_on(first)[:, None], FINER)[0, 0] > 0.5
    at = (first.xy * (2 / FIELD_MM)).permute(0, 2, 3, 1).expand(good + broken, -1, -1, -1)
    sampled = torch.nn.functional.grid_sample(
        torch.cat([castings.broken[truth], castings.weight[truth, None]], 1), at, mode="nearest", align_corners=False
    )
    share = avg_pool2d(sampled[:, :3], 2 * FINER)
    wanted = share > torch.tensor([0.45, 0.45, 0.2], device=device)[None, :, None, None]
    near = max_pool2d((share.amax(1, keepdim=True) > 0.05).float(), 5, 1, 2)[:, 0] > 0
    area = max_pool2d(sampled[:, 3:], 2 * FINER)[:, 0]
    return MoldPhotos(
        references=grays[:references],
        photos=grays[truth],
        mask=mask,
        piece_odds=_piece_odds(on_piece[truth], shadow[truth], rng, noise).half(),
        answers=wanted,
        near=near,
        area=area.half(),
    )


def _on(sight: Sight) -> Tensor:
    return (sight.height > 0.1).float()


def _as_seen_by(first: Sight, cameras: Pose, count: int) -> Tensor:
    """Where on the mat each camera sees the places that the first one meets."""
    centre = cameras.centre_mm[:, :, None, None]
    height = first.height[:, None].expand(count, -1, -1, -1)
    return (first.xy * centre[:, 2:] - centre[:, :2] * height) / (centre[:, 2:] - height)


def _misfit(first: Sight, cameras: Pose, rng: np.random.Generator, noise: torch.Generator) -> Tensor:
    """What the alignment leaves, (b, 2, h, w) mm."""
    count = len(cameras.centre_mm)
    side = FRAME_PX * FINER
    apart = (cameras.centre_mm - cameras.centre_mm[:1])[:, :2] / cameras.centre_mm[:, 2:]
    line = apart / apart.norm(dim=1, keepdim=True).clamp(min=1e-3)

    def each(values: np.ndarray) -> Tensor:
        return torch.tensor(values, device=noise.device, dtype=torch.float32)[:, None, None]

    size = each(np.exp(rng.normal(np.log(0.22), 0.6, count)).clip(0.03, 1.6))
    wavelength = float(rng.uniform(12, 40)) * PX_PER_MM * FINER
    along = size * random_field((count, side, side), wavelength, generator=noise)
    # Heights come out low: tall places lie shifted along the line by what the two cameras make of 2 mm.
    low = each(rng.uniform(0, 3, count)) * apart.norm(dim=1)[:, None, None] * smoothstep(first.height / 10)
    across = (
        0.35
        * size[:, None]
        * torch.stack([random_field((count, side, side), wavelength, generator=noise) for _ in range(2)], 1)
    )
    return line[:, :, None, None] * (along + low)[:, None] + across + each(rng.normal(0, 0.05, count))[:, None]


def _develop(light: Tensor, rng: np.random.Generator, noise: torch.Generator) -> Tensor:
    """Expose, blur, add noise, tone, sharpen, compress: gray photos in the frame, uint8."""
    count = len(light)

    def each(low: float, high: float) -> Tensor:
        return torch.tensor(rng.uniform(low, high, count), device=light.device, dtype=torch.float32)[:, None, None]

    exposure = each(0.22, 0.5) / light.mean((1, 2), keepdim=True)
    quantile = torch.quantile(light[:, ::8, ::8].flatten(1), 0.985, dim=1)[:, None, None]
    picture = light * torch.minimum(exposure, each(0.7, 1.0) / quantile)
    picture = torch.cat([blurred(picture[k : k + 1, None], float(rng.uniform(0.35, 1.25)))[:, 0] for k in range(count)])
    grain = blurred(torch.randn(picture.shape, device=light.device, generator=noise)[:, None], 0.6)[:, 0] * 1.9
    picture = picture + grain * (picture.clamp(min=0) * 1.6e-4 + 1.2e-6).sqrt() * each(0.3, 2.2)
    picture = picture.clamp(0, 1)
    picture = torch.where(picture <= 0.0031308, 12.92 * picture, 1.055 * picture.clamp(min=1e-6) ** (1 / 2.4) - 0.055)
    picture = picture + each(0.0, 1.2) * (picture - 0.5) * picture * (1 - picture) * 1.2
    picture = picture + each(0.0, 0.6) * (picture - blurred(picture[:, None], 0.9)[:, 0])
    picture = _compressed(picture * 255, each(1.0, 14.0))
    return picture.clamp(0, 255).add(0.5).to(torch.uint8)


def _plain(light: Tensor) -> Tensor:
    picture = light * (0.4 / light.mean((1, 2), keepdim=True))
    return (picture.clamp(0, 1) ** (1 / DISPLAY_GAMMA) * 255 + 0.5).to(torch.uint8)


def _compressed(picture: Tensor, step: Tensor) -> Tensor:
    """Round the cosine transform of blocks of eight pixels, high frequencies more coarsely (ISO/IEC 10918-1)."""
    count, height, width = picture.shape
    k = torch.arange(8, device=picture.device, dtype=torch.float32)
    basis = torch.cos((2 * k[None] + 1) * k[:, None] * np.pi / 16) * 0.5
    basis[0] /= np.sqrt(2)
    blocks = picture.reshape(count, height // 8, 8, width // 8, 8).permute(0, 1, 3, 2, 4)
    coefficients = basis @ blocks @ basis.T
    coarse = step[..., None, None] * (1 + 0.35 * (k[:, None] + k[None]))
    back = basis.T @ (torch.round(coefficients / coarse) * coarse) @ basis
    return back.permute(0, 1, 3, 2, 4).reshape(count, height, width)


def _piece_odds(on_piece: Tensor, shadow: Tensor, rng: np.random.Generator, noise: torch.Generator) -> Tensor:
    """Log odds that a place shows piece and not mat, as unsure and as wrong in shadows as the silhouette is."""
    count, height, width = on_piece.shape

    def each(low: float, high: float, share: float = 1.0) -> Tensor:
        drawn = rng.uniform(low, high, count) * (rng.random(count) < share)
        return torch.tensor(drawn, device=on_piece.device, dtype=torch.float32)[:, None, None]

    def field(wavelength_px: float) -> Tensor:
        return random_field((count, height, width), wavelength_px, generator=noise)

    clear = each(1.5, 8)
    truth = blurred(2 * on_piece[:, None] - 1, float(rng.uniform(0.7, 2.5)))[:, 0]
    odds = clear * truth + each(0.2, 1.8) * field(10) + each(0.2, 1.5) * field(40)
    # Shadow on the mat may look like piece, light on the piece like mat.
    odds = odds + each(0, 2, 0.5) * clear * shadow * (1 - on_piece)
    patches = smoothstep((field(50) - each(1.0, 3.0)) / 0.3)
    odds = odds - each(0, 1.6, 0.4) * clear * patches * on_piece
    return odds.clamp(-8, 8)

"""Light on castings and cameras over them: what a photo that is laid into the frame of a mold's first photo shows.

Height fields are met by walking down the line of sight (Tatarchuk 2006, "Dynamic parallax occlusion mapping"), shadows
by walking towards the lamp, whose size softens them; the sky is shut out by the horizon around each place (Max 1988).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor
from torch.nn.functional import grid_sample, interpolate

from training.castings import Castings
from training.fields import grid_xy, random_field, smoothstep
from training.ornaments import FIELD_MM, FIELD_PX, STEP_MM

__all__ = ["Pose", "Shot", "Sight", "meet", "pose", "see", "sky_share"]

STEPS_DOWN, HALVINGS, STEPS_TO_LAMP = 26, 5, 28
SKY_DIRECTIONS, SKY_STEPS, SKY_PX = 10, 9, 384


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """Cameras over the mat, one a photo."""

    centre_mm: Tensor  # (b, 3)


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """What each pixel meets."""

    xy: Tensor  # (b, 2, h, w) mm, of the casting
    height: Tensor  # (b, h, w) mm


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """Photos before they are developed."""

    light: Tensor  # (b, h, w) linear
    on_piece: Tensor  # (b, h, w) 0 to 1
    shadow: Tensor  # (b, h, w) 1 where the lamps are hidden
    answers: Tensor  # (b, 3, h, w) defects


def pose(count: int, rng: np.random.Generator, device: torch.device) -> Pose:
    """Phones held by hand."""
    height = rng.uniform(220, 430, count)
    tilt = np.radians(np.minimum(np.abs(rng.normal(0, 8, count)), 22))
    turn = rng.uniform(0, 2 * np.pi, count)
    aside = rng.normal(0, 12, (count, 2))
    out = height * np.tan(tilt)
    centre = np.column_stack([out * np.cos(turn) + aside[:, 0], out * np.sin(turn) + aside[:, 1], height])
    return Pose(torch.tensor(centre, device=device, dtype=torch.float32))


def _sampled(field: Tensor, xy: Tensor, mode: str = "bilinear") -> Tensor:
    """Values of fields (b, n, h, w) at places (b, 2, h', w') in mm."""
    places = (xy * (2 / FIELD_MM)).permute(0, 2, 3, 1)
    return grid_sample(field, places, mode=mode, padding_mode="border", align_corners=False)


def meet(height: Tensor, mat_xy: Tensor, camera: Pose) -> Sight:
    """Where lines of sight from a camera through places of the mat (b, 2, h, w) meet the surface."""
    centre = camera.centre_mm[:, :, None, None]
    slope = (centre[:, :2] - mat_xy) / centre[:, 2:]
    highest = height.amax((1, 2), keepdim=True)
    field = height[:, None]
    above, below = highest.expand_as(mat_xy[:, 0]), torch.zeros_like(mat_xy[:, 0])
    found = torch.zeros_like(below, dtype=torch.bool)
    last = above
    for k in range(1, STEPS_DOWN):
        level = highest * (1 - k / (STEPS_DOWN - 1))
        level = level.expand_as(last)
        under = _sampled(field, mat_xy + slope * level[:, None])[:, 0] >= level
        new = under & ~found
        below, above = torch.where(new, level, below), torch.where(new, last, above)
        found |= under
        last = level
    below, above = torch.where(found, below, 0.0), torch.where(found, above, 0.0)
    for _ in range(HALVINGS):
        middle = 0.5 * (above + below)
        under = _sampled(field, mat_xy + slope * middle[:, None])[:, 0] >= middle
        below, above = torch.where(under, middle, below), torch.where(under, above, middle)
    level = 0.5 * (above + below)
    return Sight(mat_xy + slope * level[:, None], level)


def sky_share(height: Tensor) -> Tensor:
    """The share of the sky that each place sees, (b, 1, SKY_PX, SKY_PX)."""
    small = interpolate(height[:, None], size=(SKY_PX, SKY_PX), mode="area")
    xy = grid_xy(FIELD_MM, SKY_PX, height.device)[None]
    reaches = torch.exp(torch.linspace(np.log(0.5), np.log(45.0), SKY_STEPS)).tolist()
    seen = torch.zeros_like(small)
    for k in range(SKY_DIRECTIONS):
        turn = 2 * np.pi * (k + 0.37) / SKY_DIRECTIONS
        horizon = torch.zeros_like(small)
        for reach in reaches:
            aside = torch.tensor([np.cos(turn), np.sin(turn)], device=height.device, dtype=torch.float32) * reach
            there = _sampled(small, (xy + aside[None, :, None, None]).expand(len(small), -1, -1, -1))
            horizon = torch.maximum(horizon, (there - small) / reach)
        seen += 1 - horizon / (1 + horizon**2).sqrt()  # of a sky seen flat, less by the sine
    return seen / SKY_DIRECTIONS


def _normals(height: Tensor) -> Tensor:
    """Unit normals (b, 3, n, n)."""
    by_y, by_x = torch.gradient(height, spacing=STEP_MM, dim=(1, 2))
    normal = torch.stack([-by_x, -by_y, torch.ones_like(by_x)], 1)
    return normal / normal.norm(dim=1, keepdim=True)


def _lit(height: Tensor, sight: Sight, lamp_mm: Tensor, half_size_mm: Tensor) -> Tensor:
    """How much of a lamp each place sees, 0 to 1."""
    lamp = lamp_mm[:, :, None, None]
    highest = height.amax((1, 2), keepdim=True)
    start = sight.height + 0.03
    to_lamp = (lamp[:, :2] - sight.xy) / (lamp[:, 2:] - sight.height[:, None])
    flat = (to_lamp**2).sum(1).sqrt()
    half_angle = half_size_mm[:, None, None] / lamp_mm.norm(dim=1)[:, None, None]
    jitter = torch.rand_like(start)
    clear = torch.full_like(start, 2.0)
    for k in range(STEPS_TO_LAMP):
        part = ((k + jitter) / STEPS_TO_LAMP) ** 1.6
        rise = (highest - start).clamp(min=0.5) * part + 0.04
        there = _sampled(height[:, None], sight.xy + to_lamp * rise[:, None])[:, 0]
        length = rise * (1 + flat**2).sqrt()
        # The angle by which the line clears what stands there, in parts of the lamp's half width.
        clear = torch.minimum(clear, (start + rise - there) / (1 + flat**2).sqrt() * flat / length / half_angle)
    return smoothstep(0.5 + 0.5 * clear)


def see(castings: Castings, sight: Sight, camera: Pose, speckle: Tensor, rng: np.random.Generator) -> Shot:
    """Light the castings, each in its own way, and look at them."""
    height, device = castings.height, castings.height.device
    count = len(height)

    def each(values: np.ndarray) -> Tensor:
        return torch.tensor(values, device=device, dtype=torch.float32)

    normal = _sampled(_normals(height), sight.xy)
    normal = normal / normal.norm(dim=1, keepdim=True)
    sky = _sampled(sky_share(height), sight.xy)[:, 0]
    on_piece = smoothstep((sight.height - 0.05) / 0.12)
    mat = _mat(sight.xy, speckle, rng)
    colour = torch.lerp(mat, _sampled(castings.colour[:, None], sight.xy)[:, 0], on_piece)
    gloss = _sampled(castings.gloss[:, None], sight.xy)[:, 0] * on_piece
    gradient = each(rng.normal(0, 0.35, (count, 2)))[:, :, None, None]
    ambient = each(np.exp(rng.uniform(np.log(0.12), np.log(0.6), count)))[:, None, None]
    room = (0.5 + 0.5 * normal[:, 2] + 0.5 * (gradient * normal[:, :2]).sum(1)).clamp(min=0.15)
    total = ambient * room * sky
    total = total + ambient * 0.5 * colour * (1 - sky)  # what neighbours throw back
    place = torch.cat([sight.xy, sight.height[:, None]], 1)
    view = camera.centre_mm[:, :, None, None] - place
    view = view / view.norm(dim=1, keepdim=True)
    shadow = torch.ones_like(total)
    shine = torch.zeros_like(total)
    for k in range(2):
        lamp, half, share = _lamps(count, rng, camera, second=k == 1)
        lamp, half, share = each(lamp), each(half), each(share)[:, None, None]
        seen = _lit(height, sight, lamp, half)
        way = lamp[:, :, None, None] - place
        distance = way.norm(dim=1)
        way = way / distance[:, None]
        falloff = (lamp.norm(dim=1)[:, None, None] / distance) ** 2
        facing = (normal * way).sum(1).clamp(min=0)
        upright = (lamp[:, 2] / lamp.norm(dim=1)).clamp(min=0.3)[:, None, None]
        total = total + share * seen * falloff * facing / upright
        halfway = way + view
        halfway = halfway / halfway.norm(dim=1, keepdim=True)
        power = 8 + 120 * gloss**2
        shine = (
            shine
            + share
            * seen
            * falloff
            * (0.02 + 0.1 * gloss)
            * (power + 2)
            / 8
            * ((normal * halfway).sum(1).clamp(min=0) ** power)
            * facing.sqrt()
        )
        if k == 0:
            shadow = 1 - seen * (facing > 0.05)
    answers = _sampled(castings.broken, sight.xy)
    return Shot(colour * total + shine, on_piece, shadow, answers)


def _lamps(
    count: int, rng: np.random.Generator, camera: Pose, *, second: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where lamps stand, how large they are and how much light they give (a second one seldom gives any)."""
    kinds = rng.integers(6, size=count)
    lamps, halves, shares = np.zeros((count, 3)), np.zeros(count), np.ones(count)
    for k, kind in enumerate(kinds):
        low, high, half = ((28, 55, 420), (55, 82, 900), (25, 52, 22), (33, 58, 60), (12, 24, 45), (60, 88, 300))[kind]
        rise, turn = np.radians(rng.uniform(low, high)), rng.uniform(0, 2 * np.pi)
        distance = rng.uniform(600, 1500)
        lamps[k] = distance * np.array([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)])
        halves[k] = half * rng.uniform(0.6, 1.3) * distance / 1100
        if kind == 1:
            shares[k] = rng.uniform(0.1, 0.5)
        if not second and rng.random() < 0.12:  # the phone's own light
            lamps[k] = camera.centre_mm[k].cpu().numpy() + np.array([rng.uniform(12, 25), 5, 2])
            halves[k] = 3.5
    if second:
        shares *= rng.uniform(0.3, 0.9, count) * (rng.random(count) < 0.25)
    return lamps, halves, shares


def _mat(xy: Tensor, speckle: Tensor, rng: np.random.Generator) -> Tensor:
    """Reflectance of the mat under each photo: printed or plain, or another ground; lying any way under the piece."""
    count, device = len(xy), xy.device
    grounds = torch.zeros_like(xy[:, 0])
    sheet = torch.empty(count, device=device)
    for k in range(count):
        turn, shift = rng.uniform(0, 2 * np.pi), rng.uniform(-30, 30, 2)
        c, s = np.cos(turn), np.sin(turn)
        u, v = c * xy[k, 0] - s * xy[k, 1] + shift[0], s * xy[k, 0] + c * xy[k, 1] + shift[1]
        places = torch.stack([u, v], -1)[None] * (2 / FIELD_MM)
        dots = grid_sample(speckle[None, None], places, mode="bilinear", padding_mode="reflection", align_corners=False)
        paper = float(rng.choice([0.8, 0.55, 0.3, rng.uniform(0.05, 0.85)]))
        printed = rng.random() < 0.6
        sheet[k] = paper
        grounds[k] = 0.035 + (paper - 0.035) * dots[0, 0] if printed else paper
    use = random_field((count, FIELD_PX // 4, FIELD_PX // 4), 60, octaves=4, generator=_of(rng, device))
    grime = 1 + 0.02 * use - 0.15 * smoothstep((use - 1.8) / 0.8)
    return grounds * _sampled(grime[:, None], xy)[:, 0]


def _of(rng: np.random.Generator, device: torch.device) -> torch.Generator:
    return torch.Generator(device=device).manual_seed(int(rng.integers(2**31)))

"""Castings of an ornament: each a little different, some of them broken, with what was broken where.

A fracture is a rough surface that cuts a casting off from above; where nothing is left over the mat, the outline moves.
Lengths in mm, colours as linear reflectance (one channel: photos are compared in gray).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor
from torch.nn.functional import avg_pool2d

from training.fields import blurred, capsule, grid_xy, limb, random_field, smoothstep
from training.ornaments import FIELD_MM, FIELD_PX, STEP_MM, Ornament

__all__ = ["CHIP", "CRACK", "MISSING", "Castings", "Habits", "cast"]

MISSING, CHIP, CRACK = 0, 1, 2  # the three answers of the judge
FRACTURE_SLOPE = 1.8
LEAST_LOWERED_MM = 0.08
CHIP_MM, CRACK_MM, MISSING_MM, VOID_MM = (1.5, 12.0), (0.1, 0.8), (5.0, 40.0), (4.0, 8.0)
CRACK_PATH_MM = 0.35  # how wide a crack's place is called


@dataclass(frozen=True, slots=True)
class Habits:
    """What castings may show besides their defects: switches for trials of what matters."""

    stained: bool = True
    damp: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Castings:
    """Several castings of one ornament, (b, n, n) each."""

    height: Tensor  # over the mat, 0 beside the piece
    colour: Tensor
    gloss: Tensor  # 0 to 1
    broken: Tensor  # (b, 3, n, n) 1 where a defect of an answer lies
    weight: Tensor  # (b, n, n) area of the defect there, mm2; 0 where none


@dataclass
class _One:
    """One casting while it is made, (n, n)."""

    distance: Tensor
    top: Tensor
    fracture: Tensor
    dark: Tensor  # what cracks take of the light
    broken: Tensor
    area: Tensor


def cast(
    ornament: Ornament, defects: list[int], rng: np.random.Generator, noise: torch.Generator, habits: Habits
) -> Castings:
    """One casting for each number of defects."""
    count, shape = len(defects), (len(defects), FIELD_PX, FIELD_PX)

    def field(wavelength_mm: float, octaves: int = 1) -> Tensor:
        return random_field(shape, wavelength_mm / STEP_MM, octaves=octaves, generator=noise)

    def each(low: float, high: float, share: float = 1.0) -> Tensor:
        drawn = rng.uniform(low, high, count) * (rng.random(count) < share)
        return torch.tensor(drawn, device=noise.device, dtype=torch.float32)[:, None, None]

    distance = ornament.distance[None] + each(0.03, 0.09) * field(14, 3)
    top = ornament.top[None] + each(0.04, 0.14) * field(30, 2)
    top = top + each(0.01, 0.06) * (0.7 * field(0.7) + 0.7 * field(2.2))
    ones = []
    for k, number in enumerate(defects):
        one = _One(
            distance[k], top[k], torch.zeros_like(top[k]), torch.zeros_like(top[k]),
            torch.zeros(3, *shape[1:], device=noise.device), torch.zeros_like(top[k]),
        )  # fmt: skip
        _pit(one, int(rng.integers(0, 14)), rng)
        for _ in range(number):
            _break_something(one, ornament, rng, noise)
        ones.append(one)
    distance, top, fracture, dark, area = (
        torch.stack([getattr(one, name) for one in ones]) for name in ("distance", "top", "fracture", "dark", "area")
    )
    tone = 1 + each(0.02, 0.1) * field(45, 2) + each(0.02, 0.07) * field(9, 3) + each(0.02, 0.06) * field(0.8)
    base = torch.exp(each(np.log(0.14), np.log(0.72)))
    specks = field(0.9)
    tone = tone * (1 - 0.45 * smoothstep((specks - 2.4) / 0.5) + 0.35 * smoothstep((-2.5 - specks) / 0.5))
    hollow = blurred(top[:, None], 1.6 / STEP_MM)[:, 0] - top
    tone = tone * (1 - each(0, 0.3) * smoothstep(hollow / 0.9) + 0.05 * smoothstep(-hollow / 0.9))
    colour = base * tone
    if habits.stained:
        spots = smoothstep((field(22, 4) - each(0.8, 2.2)) / each(0.1, 0.6))
        colour = colour * (1 - each(0.05, 0.4, 0.6) * spots)
        veil = smoothstep((field(28, 4) - each(0.0, 0.9)) / 1.4) * (0.65 + 0.2 * field(1.2, 2)).clamp(0, 1)
        colour = colour + each(0.1, 0.7, 0.3) * veil * (0.74 - colour)
        powder = each(0.1, 0.6, 0.3) * (0.4 + 0.3 * field(6, 4)).clamp(0, 1)
        colour = colour + 0.55 * powder * (0.53 - colour)
    inside = base * 0.86 * (1 + 0.05 * field(3, 3) + 0.05 * field(0.6))
    for stones, tint in ((2.6, 0.52), (2.0, 1.2), (1.3, 0.41)):
        inside = inside * (1 + smoothstep((field(stones) - 1.25) / 0.25) * (tint - 1))
    colour = colour * (1 - fracture) + inside * fracture
    gloss = each(0.0, 0.25).expand_as(colour)
    if habits.damp:
        damp = smoothstep((field(40, 4) - each(-0.8, 1.5)) / 0.35) * each(1, 1, 0.3)
        colour = colour * (1 - 0.42 * damp)
        gloss = gloss + 0.6 * damp + each(0.1, 0.5, 0.25) * smoothstep((field(24, 2) + 0.4) / 1.2)
    colour = colour * (1 - dark)
    for k in range(count):
        if rng.random() < 0.3:
            colour[k] = _litter(colour[k], rng)
    cover = (0.5 - distance / STEP_MM).clamp(0, 1)
    return Castings(
        height=top.clamp(min=0.3) * cover,
        colour=colour.clamp(0.02, 0.9),
        gloss=gloss.clamp(0, 1),
        broken=torch.stack([one.broken for one in ones]),
        weight=area,
    )


def _pit(one: _One, count: int, rng: np.random.Generator) -> None:
    """Leave pits as every casting has them."""
    for at in _drawn_places((one.distance < -1).float(), count, rng):
        _hollow(one, at, float(np.clip(rng.lognormal(np.log(0.5), 0.45), 0.25, 1.3)), rng)


def _hollow(one: _One, at: tuple[float, float], radius: float, rng: np.random.Generator) -> Tensor:
    """Take a round hollow out of the top; gives how much was taken."""
    xy, part = _near(at, 1.6 * radius + 1, one)
    squeeze, turn = rng.uniform(0.75, 1.0), rng.uniform(0, np.pi)
    u, v = xy[0] - at[0], xy[1] - at[1]
    u, v = u * np.cos(turn) + v * np.sin(turn), v * np.cos(turn) - u * np.sin(turn)
    inside = 1 - (u**2 + (v / squeeze) ** 2) / radius**2
    pit = radius * rng.uniform(0.7, 1.3) * inside.clamp(min=0).sqrt()
    before = one.top[part].clone()
    one.top[part] = torch.maximum(before - pit, torch.minimum(before, torch.full_like(before, 0.4)))
    return before - one.top[part]


def _near(at: tuple[float, float], reach_mm: float, one: _One) -> tuple[Tensor, tuple[slice, slice]]:
    """The part of the raster around a place: its places, and where it lies."""
    column, row = (int((value + FIELD_MM / 2) / STEP_MM) for value in at)
    reach = int(np.ceil(reach_mm / STEP_MM))
    rows = slice(max(0, row - reach), min(FIELD_PX, row + reach + 1))
    columns = slice(max(0, column - reach), min(FIELD_PX, column + reach + 1))
    return grid_xy(FIELD_MM, FIELD_PX, one.top.device)[:, rows, columns], (rows, columns)


def _drawn_places(weight: Tensor, count: int, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Places of a raster, drawn by weight."""
    coarse = avg_pool2d(weight[None, None], 4)[0, 0].double().flatten().cumsum(0)
    total = float(coarse[-1])
    if total <= 0 or count == 0:
        return []
    at = torch.searchsorted(coarse, torch.from_numpy(rng.uniform(0, total, count)).to(coarse.device)).tolist()
    side = FIELD_PX // 4
    return [((i % side + 0.5) * 4 * STEP_MM - FIELD_MM / 2, (i // side + 0.5) * 4 * STEP_MM - FIELD_MM / 2) for i in at]


def _break_something(one: _One, ornament: Ornament, rng: np.random.Generator, noise: torch.Generator) -> None:
    """One more defect; now and then none, where there is no room."""
    kind = rng.choice(4, p=[0.15, 0.5, 0.25, 0.1])
    if kind == 0 and ornament.protrusions:
        _snap(one, ornament, rng, noise)
    elif kind == 1:
        _chip(one, rng, noise)
    elif kind == 2:
        _crack(one, rng)
    else:
        for at in _drawn_places((one.distance < -2).float(), 1, rng):
            radius = 0.5 * rng.uniform(*VOID_MM)
            _, part = _near(at, 1.6 * radius + 1, one)
            _remember(one, part, CHIP, _hollow(one, at, radius, rng) > 0.1)


def _remember(one: _One, part: tuple[slice, slice], answer: int, region: Tensor) -> None:
    area = float(region.sum()) * STEP_MM**2
    one.broken[answer][part] = torch.where(region, 1.0, one.broken[answer][part])
    one.area[part] = torch.where(region, area, one.area[part])


def _rough(shape: tuple[int, int], amplitude_mm: float, noise: torch.Generator) -> Tensor:
    whole = (1, *shape)
    coarse = random_field(whole, 3.5 / STEP_MM, octaves=4, generator=noise)[0]
    grains = (random_field(whole, 2.4 / STEP_MM, generator=noise)[0] - 0.9).clamp(min=0)
    return amplitude_mm * (coarse + 1.2 * grains)


def _cut(one: _One, part: tuple[slice, slice], surface: Tensor, answer: int) -> None:
    """Cut a part of the casting off along a surface (far up: nothing is cut)."""
    top, distance = one.top[part], one.distance[part]
    lowered = torch.minimum(top, surface)
    through = (0.25 - lowered) / FRACTURE_SLOPE
    gone = torch.where(surface < 1e2, torch.maximum(distance, through), distance)
    changed = (distance < 0) & (top - lowered > 0.02)
    region = changed & (top - lowered > LEAST_LOWERED_MM)
    one.fracture[part] = torch.maximum(one.fracture[part], changed.float())
    one.top[part], one.distance[part] = lowered.clamp(min=0.2), gone
    _remember(one, part, answer, region)


def _snap(one: _One, ornament: Ornament, rng: np.random.Generator, noise: torch.Generator) -> None:
    """Break off the end of a part."""
    part_of = ornament.protrusions[int(rng.integers(len(ornament.protrusions)))]
    root, tip = np.array(part_of.root_xy), np.array(part_of.tip_xy)
    length = float(np.linalg.norm(tip - root))
    if length < 3:
        return
    axis = (tip - root) / length
    cut = tip + axis * part_of.half_mm - axis * min(rng.uniform(*MISSING_MM), length)
    middle = tuple(0.5 * (cut + tip))
    xy, part = _near(middle, 0.5 * float(np.linalg.norm(tip - cut)) + part_of.half_mm + 6, one)
    skew = rng.uniform(-0.35, 0.35)
    c, s = np.cos(skew), np.sin(skew)
    normal = (axis[0] * c - axis[1] * s, axis[0] * s + axis[1] * c)
    beyond = (xy[0] - cut[0]) * normal[0] + (xy[1] - cut[1]) * normal[1]
    size = (xy.shape[1], xy.shape[2])
    beyond = beyond + 0.7 * random_field((1, *size), 9 / STEP_MM, octaves=3, generator=noise)[0]
    within, _ = capsule(xy, tuple(root), tuple(tip), (part_of.half_mm, part_of.half_mm))
    if part_of.floor_mm is None:
        at = grid_index(0.5 * (cut + tip))
        level = 0.5 * float(one.top[at])
        surface = level - FRACTURE_SLOPE * beyond + _rough(size, 0.28, noise)
        within = within - 1.5
    else:
        floor = part_of.floor_mm
        scar = floor + 0.3 + 2 * _rough(size, 0.15, noise)
        surface = torch.maximum(floor + 4 - FRACTURE_SLOPE * beyond, scar.clamp(min=floor - 0.4))
        within = within - 0.4
    _cut(one, part, torch.where((within < 0) & (beyond > -6), surface, 1e3), MISSING)


def grid_index(at: np.ndarray) -> tuple[int, int]:
    """Row and column of a place."""
    column, row = (int(np.clip((value + FIELD_MM / 2) / STEP_MM, 0, FIELD_PX - 1)) for value in at)
    return row, column


def _chip(one: _One, rng: np.random.Generator, noise: torch.Generator) -> None:
    """Knock a scoop out of an edge, of the outline or of the relief."""
    if rng.random() < 0.5:
        weight, slope_of, sign = (one.distance.abs() < 0.6).float(), one.distance, -1.0
    else:
        smooth = blurred(one.top[None, None], 1.2 / STEP_MM)[0, 0]
        weight = (one.top - smooth).clamp(min=0) * (one.distance < -1.5)
        slope_of, sign = smooth, 1.0
    for at in _drawn_places(weight, 1, rng):
        length = float(np.exp(rng.uniform(*np.log(CHIP_MM))))
        width, depth = length * rng.uniform(0.35, 0.8), length * rng.uniform(0.15, 0.5)
        row, column = grid_index(np.array(at))
        step = 7
        around = [
            slope_of[min(max(row + dr, 0), FIELD_PX - 1), min(max(column + dc, 0), FIELD_PX - 1)]
            for dr, dc in ((0, step), (0, -step), (step, 0), (-step, 0))
        ]
        inward = sign * np.array([float(around[0] - around[1]), float(around[2] - around[3])])
        if np.linalg.norm(inward) < 1e-3 or not np.isfinite(inward).all():
            turn = rng.uniform(0, 2 * np.pi)
            inward = np.array([np.cos(turn), np.sin(turn)])
        inward /= np.linalg.norm(inward)
        xy, part = _near(at, length + width + 2, one)
        size = (xy.shape[1], xy.shape[2])
        across = (xy[0] - at[0]) * inward[0] + (xy[1] - at[1]) * inward[1]
        along = (xy[1] - at[1]) * inward[0] - (xy[0] - at[0]) * inward[1]
        jag = 1 + 0.16 * random_field((1, *size), max(0.45 * length, 1) / STEP_MM, octaves=3, generator=noise)[0]
        top = float(one.top[grid_index(np.array(at) + inward * min(0.8, 0.3 * width))])
        scoop = 1 - ((along / (0.5 * length)) ** 2 + (across / width) ** 2) * jag
        skewed = scoop * (1 + 0.5 * rng.uniform(-1, 1) * along / length)
        face = torch.minimum(0.75 * one.top[part] + 0.25 * top, one.top[part])
        rough = _rough(size, min(0.18, 0.08 * depth + 0.03), noise)
        surface = face - depth * skewed.sign() * skewed.abs() ** rng.uniform(0.35, 0.7) + rough
        _cut(one, part, torch.where(scoop > 0, surface, 1e3), CHIP)


def _crack(one: _One, rng: np.random.Generator) -> None:
    """Draw a hairline over the piece."""
    for at in _drawn_places((one.distance < -2).float(), 1, rng):
        length = rng.uniform(8, 60)
        width = float(np.exp(rng.uniform(*np.log(CRACK_MM))))
        step = 2.0
        turns = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.22, max(3, int(length / step))))
        steps = step * np.column_stack([np.cos(turns), np.sin(turns)]) + rng.normal(0, 0.3, (len(turns), 2))
        path = np.array(at) + np.vstack([[0, 0], np.cumsum(steps, axis=0)])
        middle = 0.5 * (path.min(0) + path.max(0))
        reach = float(np.abs(path - middle).max()) + 2
        xy, part = _near(tuple(middle), reach, one)
        if min(xy.shape[1:]) < 4:
            continue
        ends = np.minimum(np.arange(len(path)), np.arange(len(path))[::-1]) / 4
        local = width * np.clip(0.3 + ends, 0.3, 1) * (1 + rng.uniform(-0.25, 0.25, len(path)))
        distance, _ = limb(xy, path.tolist(), (0.5 * local).tolist())
        middle_line, _ = limb(xy, path.tolist(), [0.0] * len(path))
        half = middle_line - distance
        cover = ((half - middle_line) / STEP_MM + 0.5).clamp(0, 1) - ((-half - middle_line) / STEP_MM + 0.5).clamp(0, 1)
        on = (one.distance[part] < 0) & (one.fracture[part] < 0.5)
        one.dark[part] = torch.maximum(one.dark[part], rng.uniform(0.6, 0.92) * cover * on)
        _remember(one, part, CRACK, (middle_line < 0.5 * CRACK_PATH_MM) & on)


def _litter(colour: Tensor, rng: np.random.Generator) -> Tensor:
    """A hair, some crumbs: what lies on a piece and is no damage."""
    xy = grid_xy(FIELD_MM, FIELD_PX, colour.device)
    for _ in range(int(rng.integers(1, 4))):
        at = rng.uniform(-45, 45, 2)
        if rng.random() < 0.3:
            turns = rng.uniform(0, 6.3) + np.cumsum(rng.normal(0, 0.35, 8))
            path = at + np.cumsum(3 * np.column_stack([np.cos(turns), np.sin(turns)]), axis=0)
            shape, _ = limb(xy, path.tolist(), [0.06] * len(path))
        else:
            shape = torch.hypot(xy[0] - at[0], xy[1] - at[1]) - rng.uniform(0.2, 0.8)
        colour = torch.lerp(
            colour, torch.full_like(colour, float(rng.uniform(0.03, 0.7))), (0.5 - shape / STEP_MM).clamp(0, 1) * 0.9
        )
    return colour

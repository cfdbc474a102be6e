"""Ornaments that nobody has seen: outlines and reliefs put together at random, as height fields.

Each is one of a few ways to build a piece (a plate, a rosette, a branch, a heap of round bodies, an openwork), with
reliefs laid over it in any number: petals, rods, leaves, ridges, scales, rope, strokes as of letters, bosses,
mouldings. None is made to look like a mold of the samples or of any set that is scored.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from training.fields import capsule, dome, grid_xy, limb, random_field, round_union, smoothstep

__all__ = ["FIELD_MM", "FIELD_PX", "Ornament", "Protrusion", "draw_ornament"]

FIELD_MM, FIELD_PX = 153.6, 768
STEP_MM = FIELD_MM / FIELD_PX


@dataclass(frozen=True, slots=True)
class Protrusion:
    """A part that may break off: from root to tip, how wide, and the height that it stands on (None: it stands free)."""

    root_xy: tuple[float, float]
    tip_xy: tuple[float, float]
    half_mm: float
    floor_mm: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Ornament:
    """A mold's piece as drawn."""

    distance: Tensor  # (n, n) mm to the outline, negative on the piece
    top: Tensor  # (n, n) mm over the mat, of use on the piece
    protrusions: tuple[Protrusion, ...]


@dataclass
class _Work:
    xy: Tensor
    rng: np.random.Generator
    noise: torch.Generator
    distance: Tensor
    top: Tensor
    protrusions: list[Protrusion]

    def on_top(self, shape: Tensor, height: Tensor) -> None:
        """Raise the top where a shape lies."""
        self.top = torch.where(shape < 0, torch.maximum(self.top, height), self.top)


def draw_ornament(rng: np.random.Generator, noise: torch.Generator) -> Ornament:
    """Draw a piece of 60 to 120 mm."""
    xy = grid_xy(FIELD_MM, FIELD_PX, noise.device)
    far = torch.full_like(xy[0], 1e3)
    work = _Work(xy, rng, noise, far, torch.zeros_like(far), [])
    bodies: list[Callable[[_Work], None]] = [_plate, _rosette, _branch, _heap, _openwork]
    bodies[int(rng.choice(len(bodies), p=[0.35, 0.2, 0.15, 0.2, 0.1]))](work)
    reliefs: list[Callable[[_Work], None]] = [
        _petals, _ridges, _scales, _rope, _strokes, _bosses, _moulding, _leaves, _undulation, _rods,
    ]  # fmt: skip
    for k in rng.choice(len(reliefs), size=int(rng.integers(1, 5)), replace=False):
        reliefs[int(k)](work)
    depth = (-work.distance).clamp(min=0)
    radius = float(rng.uniform(0.3, 2.5))
    off = radius - (radius**2 - (radius - depth).clamp(min=0) ** 2).clamp(min=0).sqrt()
    top = (work.top - off).clamp(min=1.2)
    return Ornament(work.distance, top, tuple(work.protrusions))


def _turned(r: float, turn: float) -> tuple[float, float]:
    return (float(r * np.cos(turn)), float(r * np.sin(turn)))


def _polar(work: _Work) -> tuple[Tensor, Tensor]:
    x, y = work.xy
    return torch.hypot(x, y), torch.atan2(y, x)


def _at_random_inside(work: _Work, count: int, deeper_than_mm: float) -> list[tuple[float, float]]:
    rows, columns = torch.nonzero(work.distance < -deeper_than_mm, as_tuple=True)
    if len(rows) == 0:
        return []
    some = torch.from_numpy(work.rng.integers(len(rows), size=count)).to(rows.device)
    half = FIELD_MM / 2
    return [
        (float(c) * STEP_MM - half, float(r) * STEP_MM - half)
        for r, c in zip(rows[some].tolist(), columns[some].tolist(), strict=True)
    ]


def _plate(work: _Work) -> None:
    """A slab: rounded rectangle, ellipse or a plate with a waved rim."""
    rng, (x, y) = work.rng, work.xy
    turn = rng.uniform(0, np.pi)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    a, b = rng.uniform(30, 58), rng.uniform(24, 48)
    if rng.random() < 0.5:
        corner = rng.uniform(2, 18)
        qx, qy = u.abs() - (a - corner), v.abs() - (b - corner)
        shape = torch.hypot(qx.clamp(min=0), qy.clamp(min=0)) + torch.maximum(qx, qy).clamp(max=0) - corner
    else:
        k = torch.hypot(u / a, v / b)
        shape = (k - 1) * k / torch.hypot(u / a**2, v / b**2).clamp(min=1e-4)
    if rng.random() < 0.5:
        angle = torch.atan2(v, u)
        shape = shape + rng.uniform(0.5, 3.5) * torch.cos(int(rng.integers(5, 24)) * angle + rng.uniform(0, 6))
    work.distance = shape
    work.top = torch.full_like(x, float(rng.uniform(6, 22)))
    if rng.random() < 0.5:
        work.top = work.top + torch.sqrt((1 - (x**2 + y**2) / 70**2).clamp(min=0)) * rng.uniform(0, 10)


def _rosette(work: _Work) -> None:
    """Lobes or points around a middle, each free at its end."""
    rng = work.rng
    r, angle = _polar(work)
    fold, inner = int(rng.integers(3, 12)), rng.uniform(14, 30)
    outer = rng.uniform(inner + 12, 58)
    work.distance = r - inner
    thick = rng.uniform(5, 15)
    work.top = torch.full_like(r, thick) + dome(r - inner, inner) * rng.uniform(0, 0.4)
    start, bend = rng.uniform(0, 6), rng.uniform(-9, 9)
    wide, end = rng.uniform(3, 2.2 * inner / fold + 3), rng.uniform(1.2, 5)
    lift, ribbed = rng.uniform(-3, 6), rng.random() < 0.5
    for k in range(fold):
        turn = start + 2 * np.pi * k / fold
        root, tip = _turned(0.6 * inner, turn), _turned(outer, turn)
        across = _turned(bend, turn + np.pi / 2)
        middle = tuple(0.45 * a + 0.55 * b + c for a, b, c in zip(root, tip, across, strict=True))
        shape, along = limb(work.xy, [root, middle, tip], [0.6 * wide, wide, end])
        body = thick - 2 + lift * along**2 + 0.5 * dome(shape, wide)
        if ribbed:
            body = body - 0.8 * torch.cos(along * 20) ** 8
        inside = shape < 0
        work.top = torch.where(inside, torch.maximum(work.top * (work.distance < 0), body), work.top)
        work.distance = round_union(work.distance, shape, 1.0)
        work.protrusions.append(Protrusion(middle, tip, wide, None))


def _branch(work: _Work) -> None:
    """A bent stem with leaves or twigs to both sides."""
    rng = work.rng
    turn = rng.uniform(0, np.pi)
    c, s = np.cos(turn), np.sin(turn)
    places = np.column_stack([np.linspace(-56, 56, 6), np.cumsum(rng.normal(0, 7, 6))])
    places[:, 1] -= places[:, 1].mean()
    line = [(float(c * p - s * q), float(s * p + c * q)) for p, q in places]
    thick = rng.uniform(2.5, 6)
    radii = np.linspace(thick, 0.5 * thick, 6).tolist()
    work.distance, along = limb(work.xy, line, radii)
    work.top = dome(work.distance, thick) + rng.uniform(3, 8)
    for k in range(int(rng.integers(4, 11))):
        side = 1 if k % 2 else -1
        j = int(rng.integers(0, 5))
        t = rng.uniform(0, 1)
        root = tuple((1 - t) * a + t * b for a, b in zip(line[j], line[j + 1], strict=True))
        away = turn + side * rng.uniform(0.6, 1.5)
        length, half = rng.uniform(16, 40), rng.uniform(1.8, 9)
        middle = tuple(a + b for a, b in zip(root, _turned(0.55 * length, away), strict=True))
        tip = tuple(a + b for a, b in zip(middle, _turned(0.45 * length, away + rng.uniform(-0.5, 0.5)), strict=True))
        shape, up = limb(work.xy, [root, middle, tip], [1.6, half, rng.uniform(0.8, 1.8)])
        body = 3 + rng.uniform(0, 8) * up + rng.uniform(0.3, 0.9) * dome(shape, half)
        body = body - rng.uniform(0, 1.2) * torch.cos(up * rng.uniform(10, 40)).clamp(min=0) ** 3 * smoothstep(-shape)
        work.top = torch.where(shape < 0.3, torch.maximum(work.top * (work.distance < 0), body), work.top)
        work.distance = round_union(work.distance, shape, 0.8)
        work.protrusions.append(Protrusion(middle, tip, half, None))


def _heap(work: _Work) -> None:
    """Round bodies that run together, with horns."""
    rng = work.rng
    distance, top = work.distance, work.top
    for k in range(int(rng.integers(2, 5))):
        a, b = rng.uniform(-30, 30, 2), rng.uniform(-30, 30, 2)
        radii = tuple(rng.uniform(9, 22, 2).tolist())
        shape, _ = capsule(work.xy, tuple(a if k == 0 else 0.6 * a), tuple(b), radii)
        body = dome(shape, min(radii)) * rng.uniform(0.5, 1.2) + 2
        top = torch.where(shape < 0, torch.maximum(top, body), top)
        distance = round_union(distance, shape, 4.0)
    work.distance, work.top = distance, top
    for root in _at_random_inside(work, int(rng.integers(2, 8)), 4.0):
        away = np.arctan2(root[1], root[0]) + rng.uniform(-0.8, 0.8)
        length, half = rng.uniform(20, 45), rng.uniform(2, 6)
        tip = tuple(float(np.clip(p + q, -58, 58)) for p, q in zip(root, _turned(length, away), strict=True))
        shape, along = limb(work.xy, [root, tip], [half, rng.uniform(0.7, half)])
        body = rng.uniform(4, 12) * (1 - 0.6 * along) + dome(shape, half)
        work.top = torch.where(shape < 0, torch.maximum(work.top * (work.distance < 0), body), work.top)
        work.distance = round_union(work.distance, shape, 1.2)
        work.protrusions.append(
            Protrusion(tuple(0.6 * p + 0.4 * q for p, q in zip(root, tip, strict=True)), tip, half, None)
        )


def _openwork(work: _Work) -> None:
    """Bars that cross or bend, with holes between them."""
    rng = work.rng
    distance, top = work.distance, work.top
    half = rng.uniform(2.5, 6)
    for _ in range(int(rng.integers(4, 9))):
        points = [_turned(rng.uniform(20, 56), rng.uniform(0, 2 * np.pi)) for _ in range(3)]
        radii = (half * rng.uniform(0.7, 1.3, 3)).tolist()
        shape, along = limb(work.xy, points, radii)
        body = rng.uniform(2, 8) + dome(shape, half)
        top = torch.where(shape < 0, torch.maximum(top, body), top)
        distance = round_union(distance, shape, 1.5)
        work.protrusions.append(Protrusion(points[1], points[2], half, None))
    if rng.random() < 0.6:
        r, _ = _polar(work)
        ring = (r - rng.uniform(30, 54)).abs() - half
        top = torch.where(ring < 0, torch.maximum(top, 5 + dome(ring, half)), top)
        distance = round_union(distance, ring, 1.5)
    work.distance, work.top = distance, top


def _petals(work: _Work) -> None:
    rng = work.rng
    cx, cy = rng.uniform(-12, 12, 2)
    fold, inner, outer = int(rng.integers(4, 13)), rng.uniform(2, 10), rng.uniform(14, 42)
    half = rng.uniform(1.5, 1.4 * outer / fold + 2)
    level = float(work.top[work.distance < 0].median()) if bool((work.distance < 0).any()) else 5.0
    start, height = rng.uniform(0, 6), rng.uniform(0.4, 1.2)
    for k in range(fold):
        turn = start + 2 * np.pi * k / fold
        d = _turned(1.0, turn)
        root, tip = (cx + inner * d[0], cy + inner * d[1]), (cx + outer * d[0], cy + outer * d[1])
        shape, _ = limb(work.xy, [root, tip], [0.6 * half, half] if rng.random() < 0.5 else [half, 0.4 * half])
        work.on_top(shape, level + 0.3 + height * dome(shape, half))
        work.protrusions.append(Protrusion(root, tip, half, level))


def _rods(work: _Work) -> None:
    rng = work.rng
    level = float(work.top[work.distance < 0].median())
    for a in _at_random_inside(work, int(rng.integers(2, 9)), 3.0):
        b = tuple(p + q for p, q in zip(a, _turned(rng.uniform(8, 40), rng.uniform(0, 6.3)), strict=True))
        half = rng.uniform(1.0, 4)
        shape, _ = limb(work.xy, [a, b], [half, rng.uniform(0.6, half)])
        work.on_top(shape, level + 0.2 + rng.uniform(0.5, 1.3) * dome(shape, half))
        work.protrusions.append(Protrusion(a, b, half, level))


def _leaves(work: _Work) -> None:
    rng = work.rng
    level = float(work.top[work.distance < 0].median())
    for a in _at_random_inside(work, int(rng.integers(1, 7)), 4.0):
        length, turn, half = rng.uniform(12, 34), rng.uniform(0, 6.3), rng.uniform(3, 8)
        middle = tuple(p + q for p, q in zip(a, _turned(0.5 * length, turn), strict=True))
        tip = tuple(p + q for p, q in zip(middle, _turned(0.5 * length, turn + rng.uniform(-0.6, 0.6)), strict=True))
        shape, along = limb(work.xy, [a, middle, tip], [1.0, half, 0.8])
        veins = torch.cos(along * rng.uniform(20, 60) - shape.abs() * 0.6).clamp(min=0) ** 3
        body = level + rng.uniform(0.3, 2) + 0.4 * dome(shape, half) - rng.uniform(0.2, 0.8) * veins
        work.on_top(shape, body + rng.uniform(0, 4) * along**2)
        work.protrusions.append(Protrusion(middle, tip, half, level))


def _ridges(work: _Work) -> None:
    rng, (x, y) = work.rng, work.xy
    turn, pitch = rng.uniform(0, np.pi), rng.uniform(2.5, 12)
    bend = rng.uniform(0, 4) * random_field((1, FIELD_PX, FIELD_PX), 200, generator=work.noise)[0]
    across = x * np.cos(turn) + y * np.sin(turn) + bend
    depth, sharp = rng.uniform(0.3, 2.0), int(rng.integers(1, 7))
    furrow = torch.cos(2 * np.pi * across / pitch).clamp(min=0) ** sharp
    work.top = work.top - depth * furrow * smoothstep(-work.distance / rng.uniform(1, 8))


def _scales(work: _Work) -> None:
    rng, (x, y) = work.rng, work.xy
    pitch, turn, depth = rng.uniform(4, 14), rng.uniform(0, np.pi), rng.uniform(0.4, 2.2)
    u, v = (x * np.cos(turn) + y * np.sin(turn)) / pitch, (y * np.cos(turn) - x * np.sin(turn)) / pitch
    row = torch.floor(v)
    u = u + 0.5 * torch.remainder(row, 2)
    pu, pv = torch.remainder(u, 1) - 0.5, torch.remainder(v, 1)
    work.top = work.top + depth * (1 - (4 * pu**2 + pv**2)).clamp(min=0).sqrt() * smoothstep(-work.distance / 3)


def _rope(work: _Work) -> None:
    rng = work.rng
    _, angle = _polar(work)
    depth = -work.distance
    at, half = rng.uniform(3, 14), rng.uniform(1.2, 3.5)
    across = depth - at
    twist = torch.cos(int(rng.integers(14, 70)) * angle + across / half * rng.uniform(0, 2))
    cord = half * (1 - (across / half) ** 2).clamp(min=0).sqrt() * (0.75 + 0.25 * twist)
    work.top = work.top + cord * rng.uniform(0.4, 1.0)


def _moulding(work: _Work) -> None:
    rng = work.rng
    depth = -work.distance
    for _ in range(int(rng.integers(1, 4))):
        at, run = rng.uniform(1, 16), rng.uniform(0.4, 4)
        work.top = work.top + rng.uniform(-3, 3) * smoothstep((depth - at) / run)


def _strokes(work: _Work) -> None:
    """Lines as of letters, raised or sunk."""
    rng = work.rng
    raised = rng.random() < 0.6
    height, half = rng.uniform(0.4, 2.5), rng.uniform(0.6, 2.2)
    for at in _at_random_inside(work, int(rng.integers(3, 16)), 3.0):
        size = rng.uniform(4, 12)
        points = [tuple(p + q for p, q in zip(at, rng.uniform(-size, size, 2), strict=True)) for _ in range(3)]
        shape, _ = limb(work.xy, points[: int(rng.integers(2, 4))], [half] * 3)
        step = height * smoothstep(-shape / rng.uniform(0.2, 0.8))
        work.top = work.top + step if raised else work.top - step


def _bosses(work: _Work) -> None:
    rng = work.rng
    for at in _at_random_inside(work, int(rng.integers(1, 14)), 3.0):
        radius = rng.uniform(1.5, 9)
        shape = torch.hypot(work.xy[0] - at[0], work.xy[1] - at[1]) - radius
        level = work.top + (dome(shape, radius) * rng.uniform(0.3, 1) if rng.random() < 0.8 else -0.5 * radius)
        work.top = torch.where(shape < 0, level, work.top)


def _undulation(work: _Work) -> None:
    field = random_field((1, FIELD_PX, FIELD_PX), work.rng.uniform(60, 250), octaves=2, generator=work.noise)[0]
    work.top = work.top + work.rng.uniform(0.3, 2.5) * field

"""Random ornaments, for tuning on more than the demo molds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .mold import STEP_MM, Break, Mold, around, beyond, ring, rounded_edge
from .shapes import Grid, dome, limb, polygon_sdf, smooth_min, smoothstep, spline

__all__ = ["medallion", "sprig"]

Points = NDArray[np.float64]


def medallion(seed: int) -> Mold:
    """A round plaque with two rings of petals, drawn at random."""
    rng = np.random.default_rng(900 + seed)
    fold, radius = int(rng.integers(5, 10)), float(rng.uniform(48, 60))
    grid = Grid.around((-radius - 12, radius + 12), (-radius - 12, radius + 12), STEP_MM)
    x, y = grid.xy()
    turns = np.linspace(0, 2 * np.pi, 600, endpoint=False)
    wave = radius + 5.5 * np.abs(np.cos(fold * turns / 2)) ** rng.uniform(0.5, 2.5)
    sdf = polygon_sdf(grid, np.column_stack([wave * np.cos(turns), wave * np.sin(turns)]))
    thick = rng.uniform(9, 16)
    z = thick - rounded_edge(sdf, 2.0) - rng.uniform(1.5, 4) * smoothstep((-sdf - 6) / 2)
    features, breaks = {}, []
    spread, start = rng.uniform(4, 9), rng.uniform(0, 6)
    for row, (inner, outer, half) in enumerate(((6, 0.52 * radius, 5.5), (0.3 * radius, 0.82 * radius, spread))):
        for k in range(fold):
            turn = 2 * np.pi * (k + 0.5 * row) / fold + start
            d, n = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
            bend = rng.uniform(0.0, 3.0) if row else 0.0
            petal = limb(
                grid, [d * inner, d * 0.55 * (inner + outer) + n * bend, d * outer], [2.5, half, 1.4], count=12
            )
            body = (
                thick
                - 3
                + (4 - 2 * row)
                + 0.7 * dome(petal, 1)
                + 2 * smoothstep((petal.along - 0.3) / 0.6)
                - np.exp(-((petal.distance_mm / 0.8) ** 2))
            )
            z = np.where(petal.sdf < 0, np.maximum(z, body), z)
            features[f"petal {row + 1}.{k + 1}"] = around([d * (inner + 4), d * outer], [half + 1, 3])
            breaks.append(
                Break(f"petal {row + 1}.{k + 1}", tuple(d * (inner + 3)), tuple(d * (outer + 1.5)), thick - 3)
            )
    r = np.hypot(x, y)
    z = np.maximum(z, np.where(r < 8, thick + 1 + 0.6 * np.sqrt(np.maximum(64 - r * r, 0)), 0))
    for k in range(fold):
        turn = 2 * np.pi * k / fold
        d = np.array([np.cos(turn), np.sin(turn)])
        features[f"edge {k + 1}"] = ring(tuple(d * radius * 0.98), 10)
        breaks.append(Break(f"edge {k + 1}", tuple(d * radius * 0.6), tuple(d * (radius + 6))))
    return Mold(
        f"medallion-{seed}",
        f"Medallion {seed}",
        "front",
        "ABS",
        "form oil",
        grid,
        sdf.astype(np.float32),
        z.astype(np.float32),
        np.zeros_like(sdf),
        features,
        tuple(breaks),
    )


def sprig(seed: int) -> Mold:
    """A stem with leaves, drawn at random."""
    rng = np.random.default_rng(500 + seed)
    grid = Grid.around((-90, 90), (-62, 62), STEP_MM)
    sway = rng.uniform(-14, 14, 3)
    axis = spline([(-78, sway[0]), (-25, sway[1]), (25, -sway[1]), (74, sway[2])], 60)
    stem = limb(grid, [*axis[::6].tolist(), axis[-1].tolist()], np.linspace(4.6, 1.8, len(axis[::6]) + 1), count=24)
    sdf, z = stem.sdf, dome(stem, 1.3) + 2.2
    z0 = np.zeros(grid.shape, np.float32)
    features, breaks = {}, []
    number = int(rng.integers(4, 6))
    for k in range(2 * number):
        side = 1 if k % 2 else -1
        at = axis[int(8 + 46 * (k // 2) / number + (4 if side > 0 else 0))]
        length, half = rng.uniform(30, 44) * (1 - 0.06 * (k // 2)), rng.uniform(6, 9)
        turn = side * np.deg2rad(rng.uniform(48, 75))
        d = np.array([np.cos(turn), np.sin(turn)])
        mid = at + 0.55 * length * d + rng.uniform(-3, 3, 2)
        tip = at + length * d * [1.0, 1.0] + rng.uniform(-4, 6) * np.array([1, 0])
        blade = limb(grid, [at, mid, tip], [1.8, half, 1.2], count=12)
        lift = rng.uniform(2, 9) * smoothstep((blade.along - 0.35) / 0.65)
        body = (
            lift
            + 3.5
            + 0.45 * dome(blade, 1)
            + 1.2 * np.exp(-((blade.distance_mm / 0.9) ** 2))
            - 0.4
            * np.maximum(0, np.cos(2 * np.pi * (blade.along * 6 - 0.05 * blade.distance_mm))) ** 2
            * smoothstep(-blade.sdf / 1.5)
        )
        inside = blade.sdf < 0.5
        z = np.where(inside, np.maximum(z, body), z)
        z0 = np.where(inside & (stem.sdf > 0), np.minimum(0.8 * lift, body - 2.5), z0)
        sdf = smooth_min(sdf, blade.sdf, 0.8)
        name = f"leaf {k + 1}"
        features[name] = around([at + 0.25 * (mid - at), mid, tip], [half + 2, half + 2, 4])
        breaks.append(Break(name, tuple(at + 0.3 * (mid - at)), beyond(tuple(mid), tuple(tip), 1.5)))
    z = np.maximum(z, z0 + 2)
    return Mold(
        f"sprig-{seed}",
        f"Sprig {seed}",
        "front",
        "latex",
        "soft soap",
        grid,
        sdf.astype(np.float32),
        z.astype(np.float32),
        np.clip(z0, 0, None).astype(np.float32),
        features,
        tuple(breaks),
    )

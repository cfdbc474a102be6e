"""Random ornaments, for tuning on more than the demo molds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .mold import STEP_MM, Break, Mold, around, beyond, ring, rounded_edge
from .shapes import Grid, dome, limb, polygon_sdf, smooth_max, smooth_min, smoothstep, spline, text_sdf

__all__ = ["coral", "medallion", "panel", "sprig"]

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


def coral(seed: int) -> Mold:
    """Rounded lumps in high relief with horns that taper into the air, drawn at random."""
    rng = np.random.default_rng(2100 + seed)
    grid = Grid.around((-88, 88), (-66, 66), STEP_MM)
    x, y = grid.xy()
    spine = np.column_stack([np.linspace(-34, 34, 3), rng.uniform(-12, 12, 3)])
    lumps = [
        limb(grid, [spine[k] - rng.uniform(2, 12, 2), spine[k] + rng.uniform(2, 12, 2)], rng.uniform(13, 23, 2))
        for k in range(3)
    ]
    sdf, z = lumps[0].sdf, dome(lumps[0], float(rng.uniform(0.6, 1.2)))
    for lump in lumps[1:]:
        sdf = smooth_min(sdf, lump.sdf, 5.0)
        z = smooth_max(z, dome(lump, float(rng.uniform(0.6, 1.2))), 2.0)
    kind, pitch, depth = int(rng.integers(3)), float(rng.uniform(5, 11)), float(rng.uniform(0.5, 1.4))
    slant = rng.uniform(0, np.pi)
    across = x * np.cos(slant) + y * np.sin(slant)
    if kind == 0:  # furrows
        z = z - depth * np.maximum(0, np.cos(2 * np.pi * across / pitch)) ** 5 * smoothstep(-sdf / 4)
    elif kind == 1:  # scales
        other = -x * np.sin(slant) + y * np.cos(slant)
        z = z + depth * np.abs(np.sin(np.pi * across / pitch) * np.sin(np.pi * other / pitch)) * smoothstep(-sdf / 4)
    z0 = np.zeros(grid.shape, np.float32)
    features, breaks = {}, []
    for k in range(int(rng.integers(5, 9))):
        root = spine[int(rng.integers(3))]
        turn = 2 * np.pi * (k + rng.uniform(0.1, 0.9)) / 8 + slant
        d = np.array([np.cos(turn), 0.8 * np.sin(turn)])
        length, half = rng.uniform(34, 52), rng.uniform(3.5, 7)
        mid = root + 0.6 * length * d + rng.uniform(-5, 5, 2)
        tip = np.clip(root + length * d + rng.uniform(-6, 6, 2), [-84, -62], [84, 62])
        horn = limb(grid, [root, mid, tip], [1.3 * half, half, 1.5], count=14)
        lift = rng.uniform(3, 14) * smoothstep((horn.along - 0.4) / 0.6)
        body = lift + 2.0 + dome(horn, float(rng.uniform(0.8, 1.2)))
        inside = horn.sdf < 0.5
        z = np.where(inside, smooth_max(z, body, 1.0), z)
        z0 = np.where(inside & (sdf > 0), np.clip(0.8 * lift, 0, body - 2.0), z0)
        sdf = smooth_min(sdf, horn.sdf, 1.5)
        name = f"horn {k + 1}"
        features[name] = around([mid, 0.5 * (mid + tip), tip], [half + 2, half + 1, 3])
        breaks.append(Break(name, tuple(mid), beyond(tuple(mid), tuple(tip), 1.5)))
    return Mold(
        f"coral-{seed}",
        f"Coral {seed}",
        "front",
        "silicone",
        "paste wax",
        grid,
        sdf.astype(np.float32),
        np.maximum(z, z0 + 2).astype(np.float32),
        z0.astype(np.float32),
        features,
        tuple(breaks),
    )


def panel(seed: int) -> Mold:
    """A plate of three to six sides (or an oval) with a border, tendrils, bosses and letters, drawn at random."""
    rng = np.random.default_rng(1300 + seed)
    sides, wide, high = int(rng.integers(3, 8)), float(rng.uniform(52, 76)), float(rng.uniform(46, 58))
    turns = np.linspace(0, 2 * np.pi, 720, endpoint=False) + rng.uniform(0, np.pi)
    within = (turns % (2 * np.pi / sides)) - np.pi / sides
    reach = np.cos(np.pi / sides) / np.cos(within) if sides < 7 else np.ones_like(turns)
    reach = (reach**-8 + 0.93**-8) ** (-1 / 8)  # corners rounded off
    rim = np.column_stack([wide * reach * np.cos(turns), high * reach * np.sin(turns)]) / 0.9
    grid = Grid.around((-wide - 16, wide + 16), (-high - 16, high + 16), STEP_MM)
    x, y = grid.xy()
    sdf = polygon_sdf(grid, rim)
    thick, border = float(rng.uniform(11, 18)), float(rng.uniform(7, 12))
    sink = float(rng.uniform(1.5, 4.5))
    z = thick - rounded_edge(sdf, float(rng.uniform(1.0, 3.0))) - sink * smoothstep((-sdf - border) / 1.5)
    z = z + _border(rng, sdf, np.arctan2(y, x), border)
    floor = thick - sink
    features, breaks = {}, []
    for k in range(sides if sides < 7 else 6):
        turn = 2 * np.pi * (k + 0.5 * rng.random()) / (sides if sides < 7 else 6)
        edge = rim[np.argmin(np.abs(np.angle(np.exp(1j * (np.arctan2(rim[:, 1], rim[:, 0]) - turn)))))]
        features[f"edge {k + 1}"] = ring(tuple(0.95 * edge), 12)
        breaks.append(Break(f"edge {k + 1}", tuple(0.55 * edge), tuple(1.06 * edge)))
    for k in range(int(rng.integers(3, 7))):
        start = rng.uniform(-0.55, 0.55, 2) * [wide, high]
        turn, bend = rng.uniform(0, 2 * np.pi), rng.uniform(-1.4, 1.4)
        steps = np.cumsum(
            [
                [rng.uniform(9, 15) * np.cos(turn + bend * i), rng.uniform(9, 15) * np.sin(turn + bend * i)]
                for i in (0, 1, 2)
            ],
            axis=0,
        )
        path = np.clip(np.vstack([start, start + steps]), [-0.72 * wide, -0.72 * high], [0.72 * wide, 0.72 * high])
        half = float(rng.uniform(2.2, 5.5))
        tendril = limb(grid, path.tolist(), [half, 0.9 * half, 0.7 * half, 1.0], count=16)
        body = floor + dome(tendril, float(rng.uniform(0.5, 1.1))) + 2.0 * smoothstep((tendril.along - 0.5) / 0.5)
        z = np.where((tendril.sdf < 0) & (sdf < -border), np.maximum(z, body), z)
        features[f"tendril {k + 1}"] = around(path.tolist(), half + 1.5)
        breaks.append(Break(f"tendril {k + 1}", tuple(path[1]), tuple(path[3]), floor))
    for k in range(int(rng.integers(2, 6))):
        at, radius = rng.uniform(-0.6, 0.6, 2) * [wide, high], float(rng.uniform(3, 9))
        r = np.hypot(x - at[0], y - at[1])
        cap = (
            floor
            + rng.uniform(0.4, 0.9) * np.sqrt(np.maximum(radius**2 - r**2, 0))
            + rng.uniform(0, 1.5) * (r < radius)
        )
        z = np.where((r < radius) & (sdf < -border), np.maximum(z, cap), z)
        features[f"boss {k + 1}"] = ring((float(at[0]), float(at[1])), radius)
    if rng.random() < 0.5:
        word = "".join(rng.choice(list("AEHKLMNRSTVXZ"), int(rng.integers(2, 5))))
        at = (0.0, float(rng.uniform(-0.35, 0.35) * high))
        letters = text_sdf(grid, word, centre_xy=at, height_mm=float(rng.uniform(12, 18)), stroke_mm=2.6)
        z = np.where(letters < 0.3, np.maximum(z, z + 2.2 * smoothstep((0.3 - letters) / 0.8)), z)
    return Mold(
        f"panel-{seed}",
        f"Panel {seed}",
        "front",
        "silicone",
        "form oil",
        grid,
        sdf.astype(np.float32),
        z.astype(np.float32),
        np.zeros_like(sdf),
        features,
        tuple(breaks),
    )


def _border(
    rng: np.random.Generator, sdf: NDArray[np.float32], turn: NDArray[np.float32], width_mm: float
) -> NDArray[np.float32]:
    """What stands on the rim of a panel: beads, a rope, steps or nothing."""
    kind, count = int(rng.integers(4)), int(rng.integers(24, 44))
    across = np.sqrt(np.maximum(1 - ((-sdf - 0.5 * width_mm) / (0.42 * width_mm)) ** 2, 0))
    if kind == 0:
        return (3.0 * across * np.abs(np.cos(0.5 * count * turn)) ** 0.7).astype(np.float32)
    if kind == 1:
        return (across * (1.2 + 2.0 * np.abs(np.cos(0.5 * count * turn - 0.35 * sdf)) ** 0.6)).astype(np.float32)
    if kind == 2:
        return (1.4 * smoothstep((-sdf - 0.3 * width_mm) / 0.5) * smoothstep((sdf + 0.75 * width_mm) / 0.5)).astype(
            np.float32
        )
    return np.zeros_like(sdf)

"""More random ornaments, for the networks to learn from: beasts, moths, trellises, wreaths and urns.

No shape here is like one of the evaluation molds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .mold import STEP_MM, Break, Mold, around, beyond, ring, rounded_edge
from .shapes import Grid, Limb, dome, limb, noise, polygon_sdf, smooth_max, smooth_min, smoothstep, spline

__all__ = ["beast", "moth", "trellis", "urn", "wreath"]

Field = NDArray[np.float32]
Points = NDArray[np.float64]


def beast(seed: int) -> Mold:
    """An animal on four thin legs, seen from its side, with ears or horns and a long tail."""
    rng = np.random.default_rng(3100 + seed)
    grid = Grid.around((-90, 90), (-66, 66), STEP_MM)
    girth, back = float(rng.uniform(13, 20)), float(rng.uniform(-4, 10))
    chest, rump = np.array([26.0, back + rng.uniform(-4, 6)]), np.array([-26.0, back + rng.uniform(-4, 6)])
    middle = 0.5 * (chest + rump) + [0, rng.uniform(-4, 5)]
    body = limb(grid, [rump, middle, chest], [rng.uniform(0.7, 1.0) * girth, girth, rng.uniform(0.7, 1.0) * girth])
    sdf, z = body.sdf, dome(body, float(rng.uniform(0.6, 1.0)))
    z = z + _coat(rng, grid, sdf)
    z0 = np.zeros(grid.shape, np.float32)
    neck_turn = rng.uniform(0.3, 1.2)
    nape = chest + 18 * np.array([np.cos(neck_turn), np.sin(neck_turn)])
    nose = nape + rng.uniform(14, 24) * np.array([1.0, rng.uniform(-0.5, 0.2)])
    head = [limb(grid, [chest, nape], [0.7 * girth, 8]), limb(grid, [nape, nose], [9, rng.uniform(3, 5)])]
    for part in head:
        z, sdf = smooth_max(z, dome(part, 0.9) + 1, 2.0), smooth_min(sdf, part.sdf, 4.0)
    features: dict[str, Points] = {"nose": around([0.5 * (nape + nose), nose], [9, 6])}
    breaks = []
    for k, foot_x in enumerate((-36, -22, 18, 34)):
        hip = (rump if k < 2 else chest) + [rng.uniform(-8, 8), -0.3 * girth]
        foot = np.array([foot_x + rng.uniform(-5, 5), max(back - girth - rng.uniform(20, 32), -60)])
        knee = 0.5 * (hip + foot) + [rng.uniform(-6, 6), 0]
        leg = limb(grid, [hip, knee, foot], [rng.uniform(5, 8), 3.6, rng.uniform(2.2, 3.6)])
        z, sdf = smooth_max(z, dome(leg, 1.2) + 1.5, 1.2), smooth_min(sdf, leg.sdf, 2.0)
        features[f"leg {k + 1}"] = around([knee, foot], [5.5, 5])
        breaks.append(Break(f"leg {k + 1}", tuple(0.6 * hip + 0.4 * knee), beyond(tuple(knee), tuple(foot), 3.0)))
    crown = nape + np.array([0.0, 6.0])
    for k in range(2):
        end = crown + rng.uniform(14, 26) * np.array([rng.uniform(-0.9, 0.1), 1.0])
        ear = limb(grid, [nape, 0.5 * (crown + end) + rng.uniform(-4, 4, 2), end], [4, rng.uniform(2.5, 5), 1.4])
        z, z0, sdf = _lifted(ear, z, z0, sdf, float(rng.uniform(0, 7)))
        features[f"ear {k + 1}"] = around([crown, end], [6, 4])
        breaks.append(Break(f"ear {k + 1}", tuple(crown), beyond(tuple(crown), tuple(end), 1.5)))
    end = rump + np.array([-rng.uniform(26, 40), rng.uniform(-14, 22)])
    tail = limb(grid, [rump, 0.5 * (rump + end) + rng.uniform(-9, 9, 2), end], [6, rng.uniform(2.5, 4.5), 1.5])
    z, z0, sdf = _lifted(tail, z, z0, sdf, float(rng.uniform(0, 9)))
    features["tail"] = around([0.6 * rump + 0.4 * end, end], [9, 5])
    breaks.append(Break("tail", tuple(0.7 * rump + 0.3 * end), beyond(tuple(rump), tuple(end), 1.5)))
    return _mold("beast", seed, grid, sdf, z + 1.2, z0, features, breaks)


def moth(seed: int) -> Mold:
    """Four veined wings about a ringed body, with two feelers."""
    rng = np.random.default_rng(3300 + seed)
    grid = Grid.around((-88, 88), (-62, 64), STEP_MM)
    x, y = grid.xy()
    body = limb(grid, [(0, 24), (0, 0), (rng.uniform(-3, 3), -rng.uniform(30, 44))], [6, rng.uniform(6, 9), 2.5])
    sdf, z = body.sdf, dome(body, 1.1) + 2 + 0.6 * np.abs(np.cos(np.pi * y / rng.uniform(4, 8)))
    z0 = np.zeros(grid.shape, np.float32)
    features: dict[str, Points] = {}
    breaks = []
    upper, lower = rng.uniform([48, 18], [74, 44]), rng.uniform([34, -46], [56, -30])
    lobes, wave, veins, thick = int(rng.integers(3, 8)), rng.uniform(0, 2.5), int(rng.integers(9, 19)), 3.6
    for side in (-1, 1):
        for name, root, tip in (("upper", (3, 14), upper), ("lower", (3, -4), lower)):
            away = np.array(tip) - root
            across = np.array([-away[1], away[0]]) / np.linalg.norm(away)
            wide = 0.33 * np.linalg.norm(away)
            bent = [
                np.array(root) - 3 * across,
                root + 0.5 * away - 0.8 * wide * across,
                root + 0.95 * away - 0.5 * wide * across,
                tip,
                root + 0.8 * away + wide * across,
                root + 0.3 * away + 0.7 * wide * across,
            ]
            rim = spline(np.asarray(bent).tolist(), 240, closed=True)
            out = rim - np.mean(rim, axis=0)
            ripple = wave * np.abs(np.sin(lobes * np.linspace(0, np.pi, 240)))
            rim = rim + ripple[:, None] * out / np.linalg.norm(out, axis=1, keepdims=True)
            wing = polygon_sdf(grid, rim * [side, 1])
            from_root = np.hypot(x - side * root[0], y - root[1])
            turn = np.arctan2(y - root[1], side * x - root[0])
            lift = rng.uniform(0, 9) * smoothstep((from_root - 20) / 45)
            vein = 1.1 * np.maximum(0, np.cos(veins * turn)) ** 8 * smoothstep(-wing / 2)
            spots = 0.9 * smoothstep((noise(grid.shape, 16 / STEP_MM, rng) - 1.1) / 0.3) * smoothstep(-wing / 3)
            top = lift + thick - rounded_edge(wing, 1.4) + vein + spots
            inside = wing < 0
            z = np.where(inside, np.maximum(z, top), z)
            z0 = np.where(inside & (body.sdf > 0), np.maximum(z0, 0.85 * lift), z0)
            sdf = smooth_min(sdf, wing, 0.8)
            end = np.array(tip) * [side, 1]
            key = f"{'left' if side < 0 else 'right'} {name} wing"
            start = np.array([side * root[0], root[1]]) + 0.45 * away * [side, 1]
            features[key] = around([start, end], [wide + 3, wide])
            breaks.append(Break(key, tuple(start), beyond(tuple(start), tuple(end), 2.0)))
        end = np.array([side * rng.uniform(12, 30), rng.uniform(46, 58)])
        feeler = limb(grid, [(side * 2, 24), (side * rng.uniform(4, 9), 38), end], [2.4, 1.9, 1.7])
        z, z0, sdf = _lifted(feeler, z, z0, sdf, float(rng.uniform(0, 5)))
        key = f"{'left' if side < 0 else 'right'} feeler"
        features[key] = around([(side * 4, 30), tuple(end)], 5)
        breaks.append(Break(key, (side * 3.0, 27.0), beyond((side * 3.0, 27.0), tuple(end), 1.5)))
    return _mold("moth", seed, grid, sdf, z, z0, features, breaks)


def trellis(seed: int) -> Mold:
    """An openwork panel: crossing bars in a frame, with knobs where they meet and points at the corners."""
    rng = np.random.default_rng(3500 + seed)
    sides = int(rng.integers(3, 9))
    wide, high = float(rng.uniform(56, 74)), float(rng.uniform(44, 54))
    turns = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    phase = float(rng.uniform(0, np.pi))
    within = ((turns + phase) % (2 * np.pi / sides)) - np.pi / sides
    reach = np.cos(np.pi / sides) / np.cos(within) if sides < 8 else np.ones_like(turns)
    rim = np.column_stack([wide * reach * np.cos(turns), high * reach * np.sin(turns)])
    grid = Grid.around((-wide - 14, wide + 14), (-high - 14, high + 14), STEP_MM)
    x, y = grid.xy()
    outer = polygon_sdf(grid, rim)
    frame, thick = float(rng.uniform(6, 10)), float(rng.uniform(8, 14))
    solid = -(outer + frame)
    z = np.full(grid.shape, thick, np.float32)
    slant, leaning = rng.uniform(0, np.pi), rng.uniform(0.9, 2.2)
    bars = []
    for turn in (slant, slant + leaning):
        pitch, half = float(rng.uniform(17, 28)), float(rng.uniform(2.4, 4.2))
        across = x * np.cos(turn) + y * np.sin(turn) + rng.uniform(0, pitch)
        bars.append(np.abs((across + pitch / 2) % pitch - pitch / 2) - half)
    for k, bar in enumerate(bars):
        over = float(rng.uniform(0, 2.5)) * (k == 0)
        z_bar = 0.62 * thick + over + 2.2 * np.sqrt(np.maximum(1 - (bar / 4 + 1) ** 2, 0))
        z = np.where((bar < 0) & (outer < -frame), z_bar if k == 0 else np.maximum(z_bar, 0), z)
        solid = smooth_min(solid, bar, 1.2)
    both = (bars[0] < 0) & (bars[1] < 0) & (outer < -frame)
    z = np.where(both, z + float(rng.uniform(0, 3)), z)
    sdf = smooth_max(outer, solid, 0.6)
    z = z - rounded_edge(sdf, float(rng.uniform(1.0, 2.2)))
    z = z + 1.3 * np.cos(2 * np.pi * np.arctan2(y, x) * int(rng.integers(8, 24)) / np.pi) * (
        (outer > -frame + 1.5) & (outer < -1.5)
    ) * float(rng.integers(2))
    features: dict[str, Points] = {}
    breaks = []
    for k in range(min(sides, 6)):
        corner = rim[int(np.argmax(rim @ [np.cos(a := 2 * np.pi * k / min(sides, 6)), np.sin(a)]))]
        features[f"corner {k + 1}"] = ring((float(0.93 * corner[0]), float(0.93 * corner[1])), 15)
        breaks.append(Break(f"corner {k + 1}", tuple(0.6 * corner), tuple(1.04 * corner)))
    return _mold("trellis", seed, grid, sdf, z, np.zeros_like(sdf), features, breaks)


def wreath(seed: int) -> Mold:
    """A ring of leaves and berries with an opening in the middle."""
    rng = np.random.default_rng(3700 + seed)
    grid = Grid.around((-78, 78), (-64, 64), STEP_MM)
    x, y = grid.xy()
    wide, high = float(rng.uniform(38, 54)), float(rng.uniform(34, 42))
    turns = np.linspace(0, 2 * np.pi, 29)
    core = limb(grid, np.column_stack([wide * np.cos(turns), high * np.sin(turns)]).tolist(), [5.0] * 29, count=64)
    sdf, z = core.sdf, dome(core, 0.9) + 3
    z0 = np.zeros(grid.shape, np.float32)
    features: dict[str, Points] = {}
    breaks = []
    number, lean, half = int(rng.integers(14, 26)), rng.uniform(0.35, 0.8), rng.uniform(4, 7)
    for k in range(number):
        turn = 2 * np.pi * (k + rng.uniform(-0.2, 0.2)) / number
        outward = 1 if k % 2 else -1
        at = np.array([wide * np.cos(turn), high * np.sin(turn)])
        heading = turn + np.pi / 2 - outward * lean
        d = np.array([np.cos(heading), np.sin(heading)])
        length = rng.uniform(17, 27) * (1.0 if outward > 0 else 0.8)
        tip = np.clip(at + length * d, [-74, -61], [74, 61])
        blade = limb(grid, [at, 0.5 * (at + tip), tip], [2.0, half, 1.2], count=10)
        lift = rng.uniform(1, 8) * smoothstep((blade.along - 0.3) / 0.7)
        rib = 1.0 * np.exp(-((blade.distance_mm / 0.8) ** 2))
        body = lift + 4 + 0.45 * dome(blade) + rib
        inside = blade.sdf < 0.4
        z = np.where(inside, np.maximum(z, body), z)
        z0 = np.where(inside & (core.sdf > 0) & (sdf > 0), np.maximum(0.75 * lift, 0), z0)
        sdf = smooth_min(sdf, blade.sdf, 0.6)
        if outward > 0:
            features[f"leaf {k + 1}"] = around([0.4 * tip + 0.6 * at, tip], [half + 2, 4])
            breaks.append(Break(f"leaf {k + 1}", tuple(0.75 * at + 0.25 * tip), beyond(tuple(at), tuple(tip), 1.5)))
    for _ in range(int(rng.integers(4, 12))):
        turn, radius = rng.uniform(0, 2 * np.pi), rng.uniform(2.5, 5)
        r = np.hypot(x - wide * np.cos(turn), y - high * np.sin(turn))
        z = np.where(r < radius, np.maximum(z, 8 + np.sqrt(np.maximum(radius**2 - r**2, 0))), z)
    return _mold("wreath", seed, grid, sdf, z, z0, features, breaks)


def urn(seed: int) -> Mold:
    """A fluted vessel in half relief, on a foot, with two looped handles."""
    rng = np.random.default_rng(3900 + seed)
    grid = Grid.around((-72, 72), (-66, 68), STEP_MM)
    x, y = grid.xy()
    heights = np.array([-62, -54, -44, rng.uniform(-32, -20), rng.uniform(-8, 14), 34, 48, 60])
    halves = np.array([24, 22, rng.uniform(7, 11), 18, rng.uniform(27, 36), rng.uniform(14, 22), 20, 27])
    profile = spline(np.column_stack([heights, halves]).tolist(), 120)
    half = np.interp(y, profile[:, 0], profile[:, 1]).astype(np.float32)
    rim = np.vstack(
        [np.column_stack([profile[:, 1], profile[:, 0]]), np.column_stack([-profile[:, 1], profile[:, 0]])[::-1]]
    )
    vessel = polygon_sdf(grid, rim)
    round_ = np.sqrt(np.maximum(half**2 - x**2, 0))
    around_it = np.arcsin(np.clip(x / half, -1, 1))
    flutes = rng.uniform(0.5, 1.6) * np.abs(np.cos(int(rng.integers(8, 18)) * around_it)) ** rng.uniform(0.5, 3)
    belly = smoothstep((y + 40) / 6) * smoothstep((rng.uniform(8, 30) - y) / 5)
    rings = sum(1.6 * np.exp(-(((y - at) / 1.4) ** 2)) for at in rng.uniform(-56, 56, int(rng.integers(3, 7))))
    z = np.where(vessel < 0, float(rng.uniform(0.35, 0.7)) * round_ + 3 - flutes * belly + rings, 0)
    sdf, z0 = vessel, np.zeros(grid.shape, np.float32)
    features: dict[str, Points] = {"lip": ring((0, 58), 32, 8), "foot": ring((0, -58), 30, 9)}
    breaks = [
        Break("lip", (0.0, 46.0), (0.0, 62.0)),
        Break("foot", (0.0, -48.0), (0.0, -64.0)),
    ]
    top, low, bow = rng.uniform(34, 48), rng.uniform(-6, 12), rng.uniform(16, 26)
    for side in (-1, 1):
        start = (side * float(np.interp(top, profile[:, 0], profile[:, 1]) - 3), top)
        end = (side * float(np.interp(low, profile[:, 0], profile[:, 1]) - 3), low)
        out = side * min(max(abs(start[0]), abs(end[0])) + bow, 66)
        loop = limb(grid, [start, (0.92 * out, top + 4), (out, 0.5 * (top + low)), end], [3, 2.8, 2.6, 3], count=24)
        z, sdf = smooth_max(z, np.where(loop.sdf < 0.5, dome(loop, 1.1) + 6, 0), 1.0), smooth_min(sdf, loop.sdf, 1.2)
        key = f"{'left' if side < 0 else 'right'} handle"
        features[key] = around([(0.6 * out, top + 3), (out, 0.5 * (top + low)), (0.8 * out, low)], 7)
        breaks.append(Break(key, (side * 24.0, 0.5 * (top + low)), (out + side * 4.0, 0.5 * (top + low))))
    return _mold("urn", seed, grid, sdf, np.maximum(z, 2.0), z0, features, breaks)


def _coat(rng: np.random.Generator, grid: Grid, sdf: Field) -> Field:
    """Fur, scales or a smooth hide."""
    x, y = grid.xy()
    kind, pitch, depth = int(rng.integers(3)), float(rng.uniform(2.5, 8)), float(rng.uniform(0.3, 0.9))
    if kind == 0:
        return np.zeros(grid.shape, np.float32)
    waves = 2.5 * noise(grid.shape, 22 / STEP_MM, rng)
    if kind == 1:
        hair = np.maximum(0, np.cos(2 * np.pi * (y + 0.3 * x + waves) / pitch)) ** 3
        return (-depth * hair * smoothstep(-sdf / 4)).astype(np.float32)
    scales = np.abs(np.sin(np.pi * (x + waves) / pitch) * np.sin(np.pi * (y - waves) / pitch))
    return (depth * scales * smoothstep(-sdf / 4)).astype(np.float32)


def _lifted(part: Limb, z: Field, z0: Field, sdf: Field, lift_mm: float) -> tuple[Field, Field, Field]:
    """A thin limb that rises from the mat towards its tip."""
    lift = lift_mm * smoothstep((part.along - 0.3) / 0.7)
    body = lift + 2 + dome(part, 1.1)
    inside = part.sdf < 0.5
    z0 = np.where(inside & (sdf > 0), np.clip(0.8 * lift, 0, body - 2), z0)
    return np.where(inside, smooth_max(z, body, 1.0), z), z0, smooth_min(sdf, part.sdf, 1.5)


def _mold(
    kind: str,
    seed: int,
    grid: Grid,
    sdf: Field,
    z: Field,
    z0: Field,
    features: dict[str, Points],
    breaks: list[Break],
) -> Mold:
    return Mold(
        f"{kind}-{seed}",
        f"{kind.capitalize()} {seed}",
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

"""Four more molds that nothing is ever tuned on or learnt from: fish, toadstools, trefoil, bee skep."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .mold import STEP_MM, Break, Mold, around, beyond, ring, rounded_edge
from .shapes import Grid, dome, limb, polygon_sdf, smooth_max, smooth_min, smoothstep, spline, text_sdf

__all__ = ["bee_skep", "scaly_fish", "toadstools", "trefoil_tracery"]

Points = NDArray[np.float64]


def scaly_fish() -> Mold:
    """A fish with rows of scales and rayed fins that rise from the mat."""
    grid = Grid.around((-90, 90), (-58, 58), STEP_MM)
    x, y = grid.xy()
    body = limb(grid, [(-46, 2), (-8, 4), (34, 0), (62, -2)], [8, 25, 22, 9], count=28)
    row = np.round(y / 4.0)
    across, down = (x / 6.0 + 0.5 * (row % 2)) % 1.0 - 0.5, y / 4.0 - row
    scales = np.sqrt(np.maximum(1 - (across / 0.5) ** 2, 0)) * (0.5 + down)
    z = dome(body, 0.72) + 3 + 0.8 * scales * smoothstep(-body.sdf / 3) * smoothstep((38 - x) / 3)
    sdf, z0 = body.sdf, np.zeros(grid.shape, np.float32)
    gill = np.abs(np.hypot(x - 62, y) - 26)
    z = z - 1.0 * np.exp(-((gill / 0.9) ** 2)) * (x < 44) * smoothstep((15 - np.abs(y)) / 4)
    eye = np.hypot(x - 53, y - 5)
    z = np.where(eye < 3.6, z + 1.6 * np.sqrt(np.maximum(1 - (eye / 3.6) ** 2, 0)), z)
    fins = {
        "tail fin": ([(-42, 2), (-62, 26), (-82, 34), (-70, 2), (-82, -32), (-62, -24)], (-42, 2), 6.0),
        "back fin": ([(-22, 20), (-26, 40), (-4, 50), (14, 46), (22, 38), (26, 18)], (4, 4), 3.0),
        "belly fin": ([(-2, -18), (-10, -42), (6, -46), (16, -36), (18, -18)], (10, -4), 4.5),
    }
    features: dict[str, Points] = {"mouth": ring((70, -2), 9, 9)}
    for name, (rim, root, rise) in fins.items():
        fin = polygon_sdf(grid, spline(rim, 200, closed=True))
        far = np.hypot(x - root[0], y - root[1])
        turn = np.arctan2(y - root[1], x - root[0])
        lift = rise * smoothstep((far - 18) / 30)
        rays = 0.9 * np.abs(np.cos(19 * turn)) ** 3 * smoothstep(-fin / 1.5)
        top = lift + 3.4 - rounded_edge(fin, 1.2) + rays
        here = (fin < 0) & (top > z)
        z0 = np.where((fin < 0) & (body.sdf > 0), 0.8 * lift, z0)
        z = np.where(here & (body.sdf > -6), top, z)
        sdf = smooth_min(sdf, fin, 1.0)
        features[name] = np.asarray(spline(rim, 40, closed=True)) * 1.04
    breaks = (
        Break("tail fin", (-50, 12), (-83, 35)),
        Break("tail fin", (-50, -10), (-83, -33)),
        Break("back fin", (0, 22), (-5, 51)),
        Break("belly fin", (7, -20), (4, -47)),
        Break("mouth", (56, -2), (72, -2)),
    )
    return _mold("scaly-fish", "Fish with scales", grid, sdf, z, z0, features, breaks)


def toadstools() -> Mold:
    """Three toadstools on a mound of grass blades."""
    grid = Grid.around((-70, 70), (-66, 68), STEP_MM)
    x, y = grid.xy()
    mound = polygon_sdf(
        grid, spline([(-58, -58), (-50, -46), (0, -38), (52, -45), (58, -58), (0, -61)], 200, closed=True)
    )
    z = np.where(mound < 0.5, 9 - rounded_edge(mound, 4), 0)
    sdf, z0 = mound, np.zeros(grid.shape, np.float32)
    features: dict[str, Points] = {}
    breaks = []
    for name, foot, neck, wide, high in (
        ("left toadstool", (-30, -46), (-37, -4), 24, 13),
        ("tall toadstool", (4, -44), (6, 34), 30, 20),
        ("small toadstool", (34, -46), (42, -16), 16, 10),
    ):
        stalk = limb(grid, [foot, np.add(np.multiply(0.5, np.add(foot, neck)), (3, 0)), neck], [7, 4.6, 3.6], count=14)
        z = smooth_max(z, np.where(stalk.sdf < 0.5, dome(stalk, 1.1) + 2, 0), 1.5)
        sdf = smooth_min(sdf, stalk.sdf, 2.5)
        u, v = (x - neck[0]) / wide, (y - neck[1]) / high
        cap = np.maximum(np.hypot(u, np.maximum(v, 0)) - 1, np.maximum(-v - 0.16, np.abs(u) - 1)) * high
        crown = 0.75 * wide * np.sqrt(np.maximum(1 - u**2 - 0.8 * np.maximum(v, 0) ** 2, 0)) + 3
        gills = 0.7 * np.abs(np.cos(26 * u)) * smoothstep((0.02 - v) / 0.05)
        warts = np.zeros_like(z)
        for k in range(7):
            at = (neck[0] + wide * 0.8 * np.sin(2.4 * k + wide), neck[1] + high * (0.2 + 0.09 * k))
            warts = np.maximum(warts, 1.4 * smoothstep((2.6 - np.hypot(x - at[0], y - at[1])) / 1.2))
        z = np.where(cap < 0, np.maximum(z, crown + warts - gills - rounded_edge(cap, 1.5)), z)
        sdf = smooth_min(sdf, cap, 0.8)
        features[name] = ring((float(neck[0]), neck[1] + 0.4 * high), wide + 3, high + 3)
        breaks += [
            Break(name, (neck[0] + 0.35 * side, neck[1] + 2.0), (neck[0] + 1.06 * side, neck[1] + 1.0))
            for side in (-wide, wide)
        ]
    for k, (at, end) in enumerate(
        (((-50, -50), (-60, -22)), ((-14, -45), (-18, -16)), ((20, -46), (24, -8)), ((52, -50), (62, -30)))
    ):
        blade = limb(grid, [at, np.multiply(0.5, np.add(at, end)), end], [3.2, 2.6, 1.2], count=8)
        lift = 4 * smoothstep((blade.along - 0.4) / 0.6)
        inside = blade.sdf < 0.4
        z0 = np.where(inside & (sdf > 0), 0.8 * lift, z0)
        z = np.where(inside, np.maximum(z, lift + 2.5 + dome(blade, 1.0)), z)
        sdf = smooth_min(sdf, blade.sdf, 0.8)
        features[f"blade {k + 1}"] = around([np.add(np.multiply(0.6, at), np.multiply(0.4, end)), end], [5, 4])
        breaks.append(
            Break(f"blade {k + 1}", tuple(np.add(np.multiply(0.7, at), np.multiply(0.3, end))), beyond(at, end, 1.5))
        )
    return _mold("toadstools", "Three toadstools", grid, sdf, z, z0, features, tuple(breaks))


def trefoil_tracery() -> Mold:
    """A pointed window of three pierced lobes, with ball flowers along its frame."""
    grid = Grid.around((-62, 62), (-68, 70), STEP_MM)
    x, y = grid.xy()
    radius = 92.0
    arch = np.maximum(np.hypot(x - 40, y + 24) - radius, np.hypot(x + 40, y + 24) - radius)
    arch = np.maximum(np.where(y > -24, arch, np.abs(x) - 52), -y - 62).astype(np.float32)
    hole = np.full(grid.shape, np.inf, np.float32)
    for at, wide in (((0, 22), 15.0), ((-18, -8), 14.0), ((18, -8), 14.0)):
        hole = np.minimum(hole, np.hypot(x - at[0], y - at[1]) - wide)
    for side in (-1, 1):
        lancet = np.maximum(np.abs(x - side * 22) - 10, np.maximum(-y - 50, y + 32))
        hole = np.minimum(hole, lancet)
    cusp = np.minimum(np.hypot(x, y - 2) - 4.0, hole + 100)
    hole = np.maximum(hole, -cusp)
    sdf = smooth_max(arch, -hole, 0.8)
    molding = 2.6 * np.sqrt(np.maximum(1 - ((hole - 3.4) / 3.0) ** 2, 0))
    step = 3.0 * smoothstep((arch + 9) / 1.0)
    z = 10 + molding + step - rounded_edge(sdf, 1.6)
    path = [
        (-46, -52),
        (-46, -28),
        (-45, -4),
        (-36, 22),
        (-22, 42),
        (0, 58),
        (22, 42),
        (36, 22),
        (45, -4),
        (46, -28),
        (46, -52),
    ]
    for at in path:
        r = np.hypot(x - at[0], y - at[1])
        flower = (
            3.6
            * np.sqrt(np.maximum(1 - (r / 4.2) ** 2, 0))
            * (0.75 + 0.25 * np.cos(5 * np.arctan2(y - at[1], x - at[0])))
        )
        z = np.where(r < 4.2, z + flower, z)
    features = {
        "point": ring((0, 58), 16, 12),
        "left foot": ring((-46, -56), 12, 12),
        "right foot": ring((46, -56), 12, 12),
        "middle post": ring((0, -40), 14, 16),
    }
    breaks = (
        Break("point", (0, 42), (0, 66)),
        Break("left foot", (-36, -46), (-54, -63)),
        Break("right foot", (36, -46), (54, -63)),
    )
    return _mold("trefoil-tracery", "Pierced trefoil", grid, sdf, z, np.zeros_like(sdf), features, breaks)


def bee_skep() -> Mold:
    """A straw hive of twisted coils on a bench with a lettered front, two bees beside it."""
    grid = Grid.around((-72, 72), (-66, 68), STEP_MM)
    x, y = grid.xy()
    half = 42 * np.sqrt(np.clip(1 - ((y + 30) / 88) ** 2, 0, 1)).astype(np.float32)
    profile_y = np.linspace(-34, 56, 120)
    profile_x = 42 * np.sqrt(np.clip(1 - ((profile_y + 30) / 88) ** 2, 0, 1))
    hive = polygon_sdf(
        grid, np.vstack([np.column_stack([profile_x, profile_y]), np.column_stack([-profile_x, profile_y])[::-1]])
    )
    coil = np.abs(np.cos(np.pi * y / 8.0)) ** 0.6
    straw = 0.5 * np.cos(2 * np.pi * (x + 0.9 * y) / 3.4) ** 2
    z = np.where(hive < 0, 0.6 * np.sqrt(np.maximum(half**2 - x**2, 0)) + 3 + 2.2 * coil + straw * coil, 0)
    door = np.maximum(np.hypot(x, np.maximum(y + 22, 0)) - 8, -y - 34)
    z = z - 4 * smoothstep(-door / 1.2)
    bench = polygon_sdf(grid, np.array([(-62, -34), (62, -34), (62, -54), (-62, -54)], float)) - 1.0
    z = np.where(bench < 0, np.maximum(z, 13 - rounded_edge(bench, 2)), z)
    letters = text_sdf(grid, "MEL", centre_xy=(0.0, -44.0), height_mm=11.0, stroke_mm=2.2)
    z = np.where(letters < 0.3, z + 1.8 * smoothstep((0.3 - letters) / 0.8), z)
    sdf, z0 = smooth_min(hive, bench, 0.6), np.zeros(grid.shape, np.float32)
    features: dict[str, Points] = {"top": ring((0, 54), 16, 12)}
    breaks = [Break("top", (0, 40), (0, 60))]
    for side in (-1, 1):
        leg = polygon_sdf(grid, np.array([(38, -50), (52, -50), (50, -63), (42, -63)], float) * [side, 1])
        sdf, z = smooth_min(sdf, leg, 1.5), np.where(leg < 0, np.maximum(z, 10 - rounded_edge(leg, 1.5)), z)
        key = f"{'left' if side < 0 else 'right'} leg"
        features[key] = ring((side * 46.0, -59.0), 10, 7)
        breaks.append(Break(key, (side * 46.0, -53.0), (side * 46.0, -65.0)))
        start, end = (side * 36.0, 6.0), (side * 62.0, 30.0 - 6 * side)
        bee = limb(grid, [start, np.multiply(0.55, np.add(start, end)), end], [3, 6.5, 2.0], count=12)
        lift = 6 * smoothstep((bee.along - 0.2) / 0.8)
        stripes = 0.7 * np.cos(2 * np.pi * 5 * bee.along) * smoothstep(-bee.sdf / 1.5)
        inside = bee.sdf < 0.4
        z0 = np.where(inside & (sdf > 0), 0.8 * lift, z0)
        z = np.where(inside, np.maximum(z, lift + 3 + dome(bee, 1.0) + stripes), z)
        sdf = smooth_min(sdf, bee.sdf, 1.0)
        key = f"{'left' if side < 0 else 'right'} bee"
        features[key] = around([np.add(np.multiply(0.6, start), np.multiply(0.4, end)), end], [9, 6])
        breaks.append(
            Break(key, tuple(np.add(np.multiply(0.75, start), np.multiply(0.25, end))), beyond(start, end, 1.5))
        )
    return _mold("bee-skep", "Bee skep on a bench", grid, sdf, z, z0, features, tuple(breaks))


def _mold(
    name: str,
    title: str,
    grid: Grid,
    sdf: NDArray[np.float32],
    z: NDArray[np.float32],
    z0: NDArray[np.float32],
    features: dict[str, Points],
    breaks: tuple[Break, ...],
) -> Mold:
    return Mold(
        name,
        title,
        "front",
        "silicone",
        "paste wax",
        grid,
        sdf.astype(np.float32),
        np.maximum(z, z0 + 2).astype(np.float32),
        z0.astype(np.float32),
        features,
        breaks,
    )

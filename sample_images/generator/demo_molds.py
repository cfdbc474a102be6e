"""The four demo molds: bird, leaf, finial, tile."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter

from .mold import STEP_MM, Break, Mold, around, beyond, ring, rounded_edge
from .shapes import Grid, dome, limb, noise, polygon_sdf, smooth_max, smooth_min, smoothstep, spline

__all__ = ["oak_leaf", "petal_finial", "rosette_tile", "wading_bird"]

Points = NDArray[np.float64]


def wading_bird() -> Mold:
    """A long-billed bird lying on its side; the bill hangs free over the mat."""
    grid = Grid.around((-66, 100), (-76, 88), STEP_MM)
    x, y = grid.xy()
    body = limb(grid, [(-32, 0), (-4, 7), (22, 16)], [13, 23, 16])
    tail = limb(grid, [(-28, 2), (-56, -9)], [11, 3.5])
    neck = limb(grid, [(20, 16), (36, 27), (38, 42), (29, 53), (31, 66), (42, 71)], [14, 9.5, 7, 6, 6.3, 8], count=28)
    head = limb(grid, [(40, 70), (47, 71)], [8.5, 6.5])
    bill = limb(grid, [(46, 71), (68, 70), (91, 63)], [4.2, 2.8, 1.2])
    leg_a = limb(grid, [(-4, -8), (-7, -32), (-3, -60)], [5, 3.1, 3.6])
    leg_b = limb(grid, [(9, -6), (14, -32), (8, -60)], [5, 3.1, 3.6])
    base_sdf = polygon_sdf(grid, np.array([(-28, -72), (34, -72), (32, -58), (-26, -58)], float)) - 1.5
    sdf = body.sdf
    for part, width in ((tail, 6), (neck, 5), (head, 3), (bill, 2.5), (leg_a, 3), (leg_b, 3)):
        sdf = smooth_min(sdf, part.sdf, width)
    sdf = smooth_min(sdf, base_sdf, 2.5)
    z = dome(body, 1.05)
    z = smooth_max(z, dome(tail, 0.75), 2.0)
    z = smooth_max(z, dome(neck, 1.0), 2.0)
    z = smooth_max(z, dome(head, 1.0) + 1, 1.2)
    lift = 7.0 * smoothstep((x - 46) / 40) * (bill.sdf < 4)
    z = smooth_max(z, dome(bill, 1.1) + lift, 1.0)
    for leg in (leg_a, leg_b):
        z = smooth_max(z, dome(leg, 1.2) + 1, 1.2)
    z = smooth_max(z, np.where(base_sdf < 0.5, 15 - rounded_edge(base_sdf, 4), 0), 1.0)
    z = gaussian_filter(z, 0.7 / STEP_MM)  # a modeller's thumb: no creases where limbs bend
    wing = limb(grid, [(13, 13), (-42, -3)], [13, 2.5])
    wing_height = 2.8 * smoothstep(-wing.sdf / 2.2)
    feathers = np.maximum(0.0, np.cos(2 * np.pi * (wing.along * 6 - 0.06 * wing.distance_mm))) ** 4
    rows = np.exp(-(((wing.distance_mm - 0.45 * wing.radius_mm) / 0.8) ** 2))
    z = z + wing_height - 0.8 * np.maximum(feathers * (wing.along > 0.2), 0.8 * rows) * smoothstep(-wing.sdf / 3)
    tail_lines = np.maximum(0.0, np.cos((y + 0.35 * (x + 30)) * 2 * np.pi / 4.0)) ** 6
    z = z - 0.7 * tail_lines * smoothstep((-tail.sdf) / 2) * (x < -34)
    eye = np.hypot(x - 44.5, y - 73)
    z = z - 1.3 * smoothstep((2.4 - eye) / 0.8) + 0.9 * smoothstep((1.3 - eye) / 0.8)
    z1 = (z + 1.2 + 0 * x).astype(np.float32)
    z1 = np.maximum(z1, lift + 1.2).astype(np.float32)
    z0 = np.minimum(np.where(bill.sdf < 1.0, lift, 0.0), z1 - 1.0).astype(np.float32)
    features = {
        "bill": around([(51, 71), (68, 70), (92, 63)], [6, 5, 4]),
        "head": ring((42, 71), 11, 10),
        "tail": around([(-40, -3), (-60, -10)], [13, 8]),
        "left leg": around([(-5, -16), (-7, -32), (-4, -56)], 5.5),
        "right leg": around([(11, -14), (14, -32), (9, -56)], 5.5),
        "base": np.array([(-31, -75), (37, -75), (35, -56), (-29, -56)], float),
    }
    breaks = (
        Break("bill", (46, 71), (92.5, 62.5)),
        Break("tail", (-36, -2), (-59.5, -10)),
        Break("head", (33, 62), (50, 72)),
    )
    return Mold(
        "wading-bird", "Wading bird, long bill", "side", "silicone", "paste wax", grid, sdf, z1, z0, features, breaks
    )


def oak_leaf() -> Mold:
    """A lobed leaf; the tips of its lobes curl up from the mat."""
    grid = Grid.around((-92, 90), (-54, 54), STEP_MM)
    x, y = grid.xy()
    upper = [
        (-48, 4),
        (-43, 14),
        (-34, 19),
        (-27, 12),
        (-19, 14),
        (-11, 33),
        (0, 42),
        (7, 33),
        (5, 18),
        (15, 17),
        (25, 36),
        (38, 42),
        (43, 31),
        (37, 17),
        (47, 13),
        (59, 25),
        (68, 22),
        (65, 11),
        (72, 7),
        (80, 1),
    ]
    lower = [
        (74, -8),
        (66, -12),
        (67, -22),
        (57, -26),
        (45, -14),
        (35, -17),
        (39, -32),
        (33, -41),
        (22, -36),
        (12, -18),
        (2, -18),
        (3, -33),
        (-5, -41),
        (-15, -34),
        (-21, -14),
        (-29, -12),
        (-37, -18),
        (-45, -13),
        (-49, -4),
    ]
    outline = spline(upper + lower, 400, closed=True)
    blade = polygon_sdf(grid, outline)
    stalk = limb(grid, [(-46, 0), (-64, -2), (-84, -9)], [4.2, 3.0, 2.6])
    sdf = smooth_min(blade, stalk.sdf, 3.0)
    lobes = {
        "first left lobe": (-34, 17),
        "second left lobe": (0, 39),
        "third left lobe": (38, 39),
        "fourth left lobe": (64, 22),
        "tip": (77, 0),
        "fourth right lobe": (62, -23),
        "third right lobe": (32, -38),
        "second right lobe": (-6, -38),
        "first right lobe": (-38, -16),
    }
    heights = (3, 10, 8, 5, 9, 6, 9, 7, 3)
    lift = np.zeros(grid.shape, np.float32)
    for (lx, ly), height in zip(lobes.values(), heights, strict=True):
        lift = np.maximum(lift, height * smoothstep(1.0 - np.hypot(x - lx, y - ly) / 24.0))
    relief = 4.5 * smoothstep(-blade / 9.0)
    roots = (-40, -26, 8, 42, 60, 42, 6, -30, -42)
    for (lx, ly), root in zip(lobes.values(), roots, strict=True):
        vein = limb(grid, [(root, 0), (0.5 * (root + lx) + 1.5, 0.5 * ly), (lx, ly)], [1.5, 1.1, 0.6], count=8)
        relief = (
            relief
            + 1.7 * np.exp(-((vein.distance_mm / vein.radius_mm) ** 2))
            - 0.5 * np.exp(-((vein.distance_mm / 4.0) ** 2))
        )
    rib = limb(grid, [(-50, 0), (10, 1), (80, 0)], [2.6, 2.0, 0.7])
    relief = (
        relief + 2.6 * np.exp(-((rib.distance_mm / rib.radius_mm) ** 2)) - 1.4 * np.exp(-((rib.distance_mm / 7.0) ** 2))
    )
    rng = np.random.default_rng(11)
    relief = relief + 0.12 * noise(grid.shape, 14, rng, octaves=2) * smoothstep(-blade / 3)
    z1 = 4.0 + lift + relief - 0.6 * rounded_edge(sdf, 1.6)
    z1 = smooth_max(np.where(blade < 3, z1, 0), dome(stalk, 1.3) + 1.8, 1.5)
    z0 = np.minimum(0.85 * lift * smoothstep((lift - 1.0) / 2), z1 - 2.5)
    z0 = np.maximum(z0, 0).astype(np.float32)
    features = {name: ring(centre, 11.5) for name, centre in lobes.items()}
    features["stalk"] = around([(-52, 0), (-64, -2), (-86, -9)], 6)
    inward = {
        "first left lobe": (-30, 6),
        "second left lobe": (-4, 14),
        "third left lobe": (28, 14),
        "fourth left lobe": (54, 10),
        "tip": (52, 0),
        "fourth right lobe": (52, -10),
        "third right lobe": (23, -14),
        "second right lobe": (-10, -14),
        "first right lobe": (-31, -6),
    }
    breaks = (
        *(Break(name, inward[name], beyond(inward[name], lobes[name], 3.5)) for name in lobes),
        Break("stalk", (-46, 0), (-86, -10)),
    )
    return Mold(
        "oak-leaf",
        "Oak leaf with curled tips",
        "front",
        "silicone",
        "none",
        grid,
        sdf,
        z1.astype(np.float32),
        z0,
        features,
        breaks,
    )


def petal_finial() -> Mold:
    """A turned finial lying on its back, with five spread petals."""
    grid = Grid.around((-90, 92), (-60, 60), STEP_MM)
    x, y = grid.xy()
    stations = [
        (-78, 30),
        (-70, 31),
        (-66, 29),
        (-64.5, 20),
        (-58, 15),
        (-52, 17),
        (-40, 27),
        (-30, 28),
        (-18, 20),
        (-11, 12),
        (-10, 16.5),
        (-8, 18),
        (-5, 18),
        (-3, 16.5),
        (-2, 12),
        (4, 13),
        (12, 20),
        (22, 26),
        (30, 24),
    ]
    along, radii = np.array(stations, float).T
    radius = PchipInterpolator(along, radii, extrapolate=False)(x)
    radius = np.where(np.isfinite(radius), radius, 0.0)
    fine = np.linspace(along[0], along[-1], 400)
    side = np.column_stack([fine, PchipInterpolator(along, radii)(fine)])
    turned_sdf = polygon_sdf(grid, np.vstack([side, side[::-1] * [1, -1]]))
    angle = np.arcsin(np.clip(y / np.maximum(radius, 1e-3), -1, 1))
    flutes = 0.9 * np.abs(np.sin(4.5 * angle)) * smoothstep((x + 55) / 6) * smoothstep((-16 - x) / 6)
    z = 0.9 * np.sqrt(np.maximum(radius**2 - y**2, 0)) - flutes * (np.abs(y) < radius)
    sdf = turned_sdf
    z0 = np.zeros(grid.shape, np.float32)
    petals = {
        "outer left petal": ([(12, 12), (34, 33), (50, 50)], [8, 9, 1.6], 0.45, 5.0, 6.0),
        "outer right petal": ([(12, -12), (34, -33), (50, -50)], [8, 9, 1.6], 0.45, 5.0, 6.0),
        "left petal": ([(10, 7), (44, 22), (72, 29)], [9, 10, 1.6], 0.5, 11.0, 6.0),
        "right petal": ([(10, -7), (44, -22), (72, -29)], [9, 10, 1.6], 0.5, 11.0, 6.0),
        "middle petal": ([(8, 0), (48, 0), (84, 0)], [10, 12, 1.6], 0.55, 19.0, 8.0),
    }
    features: dict[str, Points] = {}
    breaks = []
    for name, (axis, half_widths, ratio, base, tip_lift) in petals.items():
        petal = limb(grid, axis, half_widths, count=20)
        lift = (
            base * (1 - smoothstep((petal.along - 0.35) / 0.65))
            + tip_lift * smoothstep((petal.along - 0.4) / 0.6)
            + 2.0 * np.sin(np.pi * petal.along)
        )
        body = dome(petal, ratio) + lift + 1.0
        body = body - 1.1 * np.exp(-((petal.distance_mm / 0.9) ** 2)) * smoothstep((petal.along - 0.15) / 0.2)
        edge = np.exp(-(((petal.sdf + 1.2) / 0.8) ** 2))
        body = body + 0.7 * edge * (petal.along > 0.25)
        inside = petal.sdf < 0.6
        z = np.where(inside, np.maximum(z, body), z)
        free = inside & (turned_sdf > -1.0)
        z0 = np.where(
            free, np.minimum(np.maximum(tip_lift * smoothstep((petal.along - 0.55) / 0.45) - 1.0, 0), body - 2.5), z0
        )
        sdf = smooth_min(sdf, petal.sdf, 1.2)
        features[name] = around(
            axis[1:] if len(axis) < 3 else [axis[1], np.add(axis[1], axis[2]) / 2, axis[2]], [half_widths[1] + 2, 8, 4]
        )
        breaks.append(
            Break(name, tuple(np.add(axis[0], np.subtract(axis[1], axis[0]) * 0.8)), beyond(axis[1], axis[2], 2.0))
        )
    features["base disc"] = np.array([(-81, -34), (-63, -34), (-63, 34), (-81, 34)], float)
    features["collar"] = np.array([(-12, -21), (0, -21), (0, 21), (-12, 21)], float)
    z1 = np.maximum(z, z0) + 1.4
    z0 = np.clip(z0, 0, None)
    return Mold(
        "petal-finial",
        "Finial with petals, lying",
        "front",
        "latex",
        "soft soap",
        grid,
        sdf.astype(np.float32),
        z1.astype(np.float32),
        z0.astype(np.float32),
        features,
        tuple(breaks),
    )


def rosette_tile() -> Mold:
    """A square tile with a rope border and two rings of petals."""
    half = 60.0
    grid = Grid.around((-68, 68), (-68, 68), STEP_MM)
    x, y = grid.xy()
    corner = 5.0
    qx, qy = np.abs(x) - half + corner, np.abs(y) - half + corner
    sdf = (np.hypot(np.maximum(qx, 0), np.maximum(qy, 0)) + np.minimum(np.maximum(qx, qy), 0) - corner).astype(
        np.float32
    )
    z = 15.0 - 1.0 * rounded_edge(sdf, 1.5)
    z = z - 4.0 * smoothstep((-sdf - 12.5) / 1.5)
    across = -sdf - 7.5
    along = np.where(np.abs(x) > np.abs(y), y * np.sign(x), -x * np.sign(y))
    strand = np.sqrt(np.maximum(1 - (across / 4.6) ** 2, 0))
    twist = np.abs(np.cos(np.pi * (along / 7.5 + 0.11 * across)))
    z = z + strand * (1.6 + 2.6 * twist**0.6)
    r = np.hypot(x, y)
    z = z + 1.5 * np.exp(-(((r - 42.5) / 1.1) ** 2))
    features: dict[str, Points] = {}
    breaks = []
    for k in range(8):
        turn = np.pi / 4 * k + np.pi / 8
        direction = np.array([np.cos(turn), np.sin(turn)])
        petal = limb(grid, [direction * 10, direction * 27, direction * 40], [3, 9, 1.5], count=14)
        body = 11.0 + 0.55 * dome(petal, 1.0) + 2.2 * smoothstep((petal.along - 0.3) / 0.6) * (petal.sdf < 0) + 1.2
        body = body - 1.0 * np.exp(-((petal.distance_mm / 0.8) ** 2))
        z = np.where(petal.sdf < 0, np.maximum(z, body), z)
        name = f"outer petal {k + 1}"
        features[name] = around([direction * 14, direction * 28, direction * 40], [5, 9.5, 3])
        breaks.append(Break(name, tuple(direction * 14), tuple(direction * 42), 11.0))
    for k in range(8):
        turn = np.pi / 4 * k
        direction = np.array([np.cos(turn), np.sin(turn)])
        petal = limb(grid, [direction * 5, direction * 16, direction * 25], [3, 6.2, 1.2], count=12)
        body = 14.5 + 0.6 * dome(petal, 1.0) + 3.0 * smoothstep((petal.along - 0.2) / 0.7) * (petal.sdf < 0)
        body = body - 0.9 * np.exp(-((petal.distance_mm / 0.7) ** 2))
        z = np.where(petal.sdf < 0, np.maximum(z, body), z)
        name = f"inner petal {k + 1}"
        features[name] = around([direction * 9, direction * 17, direction * 25], [4, 6.5, 2.5])
        breaks.append(Break(name, tuple(direction * 8), tuple(direction * 26.5), 14.0))
    boss = np.sqrt(np.maximum(7.5**2 - r**2, 0))
    dots = np.maximum(0, np.cos(x * 2.2) * np.cos(y * 2.2)) ** 2
    z = np.where(r < 7.5, np.maximum(z, 16.5 + 0.7 * boss + 0.8 * dots), z)
    features["boss"] = ring((0, 0), 7.5)
    for name, sx, sy in (
        ("top left corner", -1, 1),
        ("top right corner", 1, 1),
        ("bottom right corner", 1, -1),
        ("bottom left corner", -1, -1),
    ):
        features[name] = np.array([(sx * 62, sy * 62), (sx * 62, sy * 40), (sx * 40, sy * 62)], float)
        breaks.append(Break(name, (sx * 34.0, sy * 34.0), (sx * 58.6, sy * 58.6)))
    return Mold(
        "rosette-tile",
        "Rosette tile, rope border",
        "front",
        "ABS",
        "form oil",
        grid,
        sdf,
        z.astype(np.float32),
        np.zeros_like(sdf),
        features,
        tuple(breaks),
    )

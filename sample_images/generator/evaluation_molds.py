"""Four molds that nothing was tuned on until 26 November 2026: shell, twig, star, snail."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .mold import STEP_MM, Break, Mold, around, ring, rounded_edge
from .shapes import Grid, dome, limb, polygon_sdf, smooth_max, smooth_min, smoothstep, text_sdf

__all__ = ["acorn_twig", "garden_snail", "scallop_shell", "star_tile"]

Points = NDArray[np.float64]


def scallop_shell() -> Mold:
    """A ribbed fan with two ears."""
    grid = Grid.around((-74, 74), (-58, 56), STEP_MM)
    x, y = grid.xy()
    px, py = x, y + 46.0
    r = np.hypot(px, py)
    theta = np.arctan2(px, py)
    reach = np.deg2rad(66)
    ribs = 13
    phase = theta / reach * ribs * np.pi / 2
    turns = np.linspace(-reach, reach, 400)
    rim = 91 * (1 - 0.2 * (turns / reach) ** 2) + 2.4 * np.abs(np.cos(turns / reach * ribs * np.pi / 2))
    fan = np.vstack([np.column_stack([rim * np.sin(turns), rim * np.cos(turns) - 46]), [(10, -44), (-10, -44)]])
    sdf = polygon_sdf(grid, fan)
    left_ear = polygon_sdf(grid, np.array([(-3, -50), (-27, -50), (-24, -41), (-30, -31), (-6, -32)], float)) - 0.8
    right_ear = polygon_sdf(grid, np.array([(3, -50), (27, -50), (24, -41), (30, -31), (6, -32)], float)) - 0.8
    edge = 91 * (1 - 0.2 * np.clip(theta / reach, -1, 1) ** 2)
    u = np.clip(r / edge, 0, 1)
    bulge = (
        24 * np.sin(np.pi * np.clip(u, 0, 1) ** 0.75) ** 0.8 * np.sqrt(np.maximum(1 - (theta / (1.08 * reach)) ** 2, 0))
    )
    rib = 2.6 * u * np.abs(np.cos(phase))
    growth = 0.45 * np.maximum(0, np.cos(2 * np.pi * r / 9.0)) ** 5
    z = np.where(np.abs(theta) < 1.05 * reach, bulge * 0.9 + rib + growth, 0) * smoothstep(-sdf / 1.5 + 0.2)
    ears = smooth_max(4.5 * smoothstep(-left_ear / 1.2), 4.5 * smoothstep(-right_ear / 1.2), 0.3)
    ears = ears + 0.5 * np.maximum(0, np.cos(2 * np.pi * y / 3.6)) ** 4 * (ears > 2)
    z = smooth_max(z, ears, 1.0)
    sdf = smooth_min(smooth_min(sdf, left_ear, 2), right_ear, 2)
    z1 = (z + 2.8).astype(np.float32)
    features = {
        "left ear": ring((-22, -42), 12),
        "right ear": ring((22, -42), 12),
        "left edge": ring((-60, -14), 15, 18),
        "right edge": ring((60, -14), 15, 18),
        "rim": ring((0, 42), 30, 12),
    }
    breaks = (
        Break("left ear", (-8, -40), (-31, -42)),
        Break("right ear", (8, -40), (31, -42)),
        Break("left edge", (-38, -15), (-67.5, -16)),
        Break("right edge", (38, -15), (67.5, -16)),
        Break("rim", (0, 12), (0, 47.5)),
    )
    return Mold(
        "scallop-shell",
        "Scallop shell",
        "front",
        "latex",
        "soft soap",
        grid,
        sdf.astype(np.float32),
        z1,
        np.zeros_like(z1),
        features,
        breaks,
    )


def acorn_twig() -> Mold:
    """A twig with two acorns and two leaves."""
    grid = Grid.around((-92, 84), (-56, 56), STEP_MM)
    x, y = grid.xy()
    twig = limb(grid, [(-84, -16), (-50, -4), (-10, -8), (30, 6), (72, 24)], [5.5, 5, 4.4, 3.6, 1.8], count=30)
    bumps = 0.6 * np.cos(2 * np.pi * twig.along * 9) ** 8
    sdf, z = twig.sdf, dome(twig, 1.3) + bumps * (twig.sdf < 0) + 2
    z0 = np.zeros(grid.shape, np.float32)
    for base, stem_tip, centre, end in (
        ((-38, -4), (-30, 12), (-25, 20), (-14, 44)),
        ((6, -5), (18, -20), (22, -25), (36, -45)),
    ):
        stem = limb(grid, [base, stem_tip], [2.8, 2.3])
        nut = limb(grid, [centre, np.add(centre, np.subtract(end, centre) * 0.6), end], [11.5, 10.5, 1.6], count=10)
        cap = limb(
            grid,
            [np.subtract(centre, np.subtract(end, centre) * 0.12), np.add(centre, np.subtract(end, centre) * 0.1)],
            [12, 13.5],
        )
        scales = 0.8 * np.maximum(0, np.cos((x + y) * 2 * np.pi / 4.4) * np.cos((x - y) * 2 * np.pi / 4.4)) ** 0.7
        z = smooth_max(z, dome(stem, 1.3) + 1.5, 1.5)
        z = np.maximum(z, np.where(nut.sdf < 0, dome(nut, 1.05) + 2, 0))
        z = np.maximum(z, np.where(cap.sdf < 0, dome(cap, 1.0) + 3 + scales, 0))
        sdf = smooth_min(smooth_min(smooth_min(sdf, stem.sdf, 2), nut.sdf, 1), cap.sdf, 0.8)
    for axis in ([(-62, -7), (-72, 14), (-70, 36)], [(34, 8), (30, 30), (44, 46)]):
        blade = limb(grid, axis, [2, 9.5, 1.4], count=14)
        lift = 6.0 * smoothstep((blade.along - 0.4) / 0.6)
        body = (
            lift
            + 4.5
            + 2.2 * smoothstep(-blade.sdf / 3)
            + 1.2 * np.exp(-((blade.distance_mm / 0.9) ** 2))
            - 0.4
            * np.maximum(0, np.cos(2 * np.pi * (blade.along * 7 - 0.06 * blade.distance_mm))) ** 2
            * smoothstep(-blade.sdf / 1.5)
        )
        z = np.where(blade.sdf < 0.8, np.maximum(z, body), z)
        z0 = np.where(blade.sdf < 0.8, 0.8 * lift, z0)
        sdf = smooth_min(sdf, blade.sdf, 0.8)
    features = {
        "upper acorn": around([(-26, 18), (-12, 48)], [14, 5]),
        "lower acorn": around([(21, -24), (38, -48)], [14, 5]),
        "twig end": around([(44, 12), (74, 25)], [6, 4]),
        "left leaf": around([(-70, 10), (-70, 38)], [12, 5]),
        "right leaf": around([(31, 26), (45, 48)], [12, 5]),
        "twig butt": around([(-72, -12), (-90, -18)], 8),
    }
    breaks = (
        Break("upper acorn", (-30, 12), (-12.5, 46.5)),
        Break("lower acorn", (18, -20), (37, -47)),
        Break("twig end", (34, 8), (74, 25)),
        Break("left leaf", (-68, 4), (-70, 38)),
        Break("right leaf", (32, 18), (45, 47)),
        Break("twig butt", (-60, -7), (-89, -18)),
    )
    z = np.maximum(z, z0 + 2.0)
    return Mold(
        "acorn-twig",
        "Twig with two acorns",
        "front",
        "silicone",
        "paste wax",
        grid,
        sdf.astype(np.float32),
        z.astype(np.float32),
        z0.astype(np.float32),
        features,
        breaks,
    )


def star_tile() -> Mold:
    """An eight-pointed star with raised lettering."""
    grid = Grid.around((-78, 78), (-78, 78), STEP_MM)
    turns = np.pi / 8 * np.arange(16) + np.pi / 2
    radii = np.where(np.arange(16) % 2 == 0, 73.0, 53.0)
    outline = np.column_stack([radii * np.cos(turns), radii * np.sin(turns)])
    sdf = polygon_sdf(grid, outline) - 0.6
    z = 13.0 - 0.8 * rounded_edge(sdf, 1.6) - 3.0 * smoothstep((-sdf - 5.5) / 1.4)
    z = z + 1.4 * np.exp(-(((sdf + 9.5) / 1.0) ** 2))
    letters = text_sdf(grid, "GARTEN", centre_xy=(0, -2), height_mm=17, stroke_mm=2.6)
    z = z + 2.6 * smoothstep(-letters / 0.9 + 0.3)
    for cy, sign in ((29, 1), (-31, -1)):
        sprig = limb(grid, [(-26, cy - 5 * sign), (0, cy + 2 * sign), (26, cy - 5 * sign)], [1.2, 1.8, 1.2], count=14)
        z = smooth_max(z, 10 + np.where(sprig.sdf < 1, 1.4 * dome(sprig, 1.2), 0), 0.4)
        for k in range(-3, 4):
            for side in (-1, 1):
                bx, by = 7.5 * k, cy + 2 * sign - 0.10 * k * k * sign * 6
                leaf = limb(
                    grid, [(bx, by), (bx + 2.5, by + 4.5 * side), (bx + 5.0, by + 8.0 * side)], [0.8, 2.3, 0.5], count=6
                )
                z = np.where(leaf.sdf < 0, np.maximum(z, 10 + 1.1 * dome(leaf, 1.0) + 0.8), z)
    features, breaks = {}, []
    for k in range(8):
        tip = np.array([np.cos(turns[2 * k]), np.sin(turns[2 * k])])
        features[f"point {k + 1}"] = around([tip * 48, tip * 76], [26, 3])
        breaks.append(Break(f"point {k + 1}", tuple(tip * 40), tuple(tip * 73.6)))
    features["lettering"] = np.array([(-46, -13), (46, -13), (46, 10), (-46, 10)], float)
    return Mold(
        "star-tile",
        "Star tile, lettered",
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


def garden_snail() -> Mold:
    """A snail with a coiled shell and two thin horns."""
    grid = Grid.around((-92, 92), (-52, 62), STEP_MM)
    x, y = grid.xy()
    foot = limb(grid, [(-84, -40), (-40, -32), (20, -31), (52, -22), (64, 4)], [2.0, 8, 10, 9.5, 8], count=26)
    sdf, z = foot.sdf, dome(foot, 1.15) + 1.5
    ridges = 0.45 * np.cos(2 * np.pi * foot.along * 26)
    z = z + ridges * (foot.sdf < -1) * (foot.along < 0.75)
    turns = np.linspace(0, 2 * np.pi * 2.6, 60)
    growth = np.exp(0.1 * turns)
    spiral = np.column_stack([-8 - 5.6 * growth * np.cos(turns + 0.6), 12 + 5.6 * growth * np.sin(turns + 0.6)])
    shell = limb(grid, spiral, 3.0 * growth, count=90)
    coil = dome(shell, 1.0) * 0.95 + 13 * (1 - smoothstep(np.hypot(x + 8, y - 12) / 40)) + 4
    coil = coil - 0.6 * np.maximum(0, np.cos(2 * np.pi * shell.along**1.6 * 34)) ** 4
    z = np.where(shell.sdf < 0, np.maximum(z, coil), z)
    eye = limb(grid, [(-9, 12), (-7.5, 12)], [4.5, 4.5])
    z = np.where(eye.sdf < 0, np.maximum(z, 16.5 + dome(eye, 0.9)), z)
    sdf = smooth_min(np.minimum(sdf, eye.sdf), shell.sdf, 1.2)
    z0 = np.zeros(grid.shape, np.float32)
    horns = {"upper horn": [(64, 8), (68, 24), (66, 42)], "lower horn": [(67, 6), (78, 18), (84, 34)]}
    for axis in horns.values():
        horn = limb(grid, axis, [3.0, 2.0, 1.7], count=14)
        knob = limb(grid, [axis[-1], np.add(axis[-1], (0.1, 0.4))], [2.7, 2.7])
        lift = 7.0 * smoothstep((horn.along - 0.1) / 0.9)
        body = np.maximum(dome(horn, 1.0), dome(knob, 1.0)) + lift + 1.5
        inside = np.minimum(horn.sdf, knob.sdf) < 0.6
        z = np.where(inside, np.maximum(z, body), z)
        z0 = np.where(inside & (foot.sdf > -0.5), lift, z0)
        sdf = smooth_min(smooth_min(sdf, horn.sdf, 1.2), knob.sdf, 0.8)
    mouth = limb(grid, [(62, -4), (72, -2)], [6, 3])
    z = smooth_max(z, dome(mouth, 1.0) + 1.5, 1.0)
    sdf = smooth_min(sdf, mouth.sdf, 2)
    features = {name: around(axis, 5) for name, axis in horns.items()}
    features |= {
        "tail": around([(-48, -33), (-88, -41)], [11, 5]),
        "shell": ring((-10, 14), 44, 42),
        "head": ring((64, 0), 11),
    }
    breaks = (
        Break("upper horn", (64, 6), (66, 45)),
        Break("lower horn", (66, 5), (84.5, 37)),
        Break("tail", (-36, -32), (-86.5, -40.5)),
    )
    z = np.maximum(z, z0 + 1.5)
    return Mold(
        "garden-snail",
        "Garden snail",
        "side",
        "silicone",
        "none",
        grid,
        sdf.astype(np.float32),
        z.astype(np.float32),
        np.minimum(z0, z - 1.4).astype(np.float32),
        features,
        breaks,
    )

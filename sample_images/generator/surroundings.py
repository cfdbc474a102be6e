"""The photo mat, the bench under it, and the light over it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.mat import MARKER_MARGIN_MM, MARKER_SIDE_MM, MAT_LAYOUTS
from inspector.imaging.speckle import mat_raster

from .shapes import noise, smoothstep

__all__ = ["BENCHES", "LIGHTS", "MAT_TINTS", "Lamp", "Light", "bench_picture", "light_named", "mat_picture"]

MAT_MM = (297.0, 210.0)
MAT_PX_PER_MM = 10
MAT_TINTS = {"white": 0.80, "light grey": 0.55, "mid grey": 0.30}
INK = 0.035  # linear reflectance of black print
BENCH_MM = (500.0, 450.0)  # one picture; the bench repeats it mirrored
BENCHES = ("oak board", "pale board", "concrete slab", "dark cloth", "linen cloth", "green board")
LIGHTS = ("soft window", "overcast dome", "hard lamp", "two lamps", "flash", "low raking", "ceiling tube")


@dataclass(frozen=True, slots=True, eq=False)
class Lamp:
    """A shining rectangle that faces the piece; ``share`` is the light it gives there."""

    at_mm: tuple[float, float, float]
    half_size_mm: tuple[float, float]
    share: float
    colour: tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """All light of a scene."""

    name: str
    lamps: tuple[Lamp, ...]
    room: NDArray[np.float32]  # (16, 32, 3) radiance around; row 0 is overhead


def mat_picture(
    tint: str, speckle: bool, rng: np.random.Generator, *, wet_at: tuple[float, float] | None
) -> NDArray[np.float32]:
    """Linear reflectance of the printed mat, a little used."""
    raster = mat_raster("A4", px_per_mm=MAT_PX_PER_MM, speckle=speckle).astype(np.float32) / 255
    height, width = raster.shape
    paper = np.float32(MAT_TINTS["white"])
    ground = np.full(raster.shape, MAT_TINTS[tint], np.float32)
    reach = round((MARKER_SIDE_MM / 2 + MARKER_MARGIN_MM) * MAT_PX_PER_MM)
    for x_mm, y_mm in MAT_LAYOUTS["A4"].marker_centres_xy_mm:
        col, row = round(width / 2 + x_mm * MAT_PX_PER_MM), round(height / 2 + y_mm * MAT_PX_PER_MM)
        ground[max(row - reach, 0) : row + reach, max(col - reach, 0) : col + reach] = paper
    sheet = INK + (ground - INK) * raster
    sheet = cv2.GaussianBlur(sheet, (0, 0), 0.8)
    use = 1 + 0.012 * noise((height // 4, width // 4), 220, rng, octaves=4)
    grime = smoothstep((noise((height // 4, width // 4), 90, rng, octaves=5) - 1.7) / 0.8)
    worn = cv2.resize((use - 0.10 * grime).astype(np.float32), (width, height))
    sheet = sheet * worn
    crumbs = rng.integers(0, 45)
    for _ in range(int(crumbs)):
        centre = (int(rng.uniform(0, width) * 16), int(rng.uniform(0, height) * 16))
        axes = rng.uniform(1.2, 6.0, 2)
        cv2.ellipse(
            sheet,
            centre,
            (int(16 * axes[0]), int(16 * axes[1])),
            float(rng.uniform(0, 180)),
            0,
            360,
            float(rng.uniform(0.12, 0.42)),
            -1,
            cv2.LINE_AA,
            4,
        )
    colour = sheet[..., None] * np.array([1.0, 0.995, 0.975], np.float32)
    if wet_at is not None:
        yy, xx = np.mgrid[: height // 4, : width // 4].astype(np.float32) / (MAT_PX_PER_MM / 4)
        r = np.hypot(xx - MAT_MM[0] / 2 - wet_at[0], (yy - MAT_MM[1] / 2 + wet_at[1]) * 1.2) / rng.uniform(35, 70)
        damp = smoothstep((1 - r + 0.15 * noise(r.shape, 60, rng, octaves=4)) / 0.12) * 0.28
        colour = colour * (1 - cv2.resize(damp.astype(np.float32), (width, height)))[..., None]
    return np.clip(colour, 0.02, 0.9).astype(np.float32)


def bench_picture(kind: str, rng: np.random.Generator) -> NDArray[np.float32]:
    """Linear reflectance of a bench top."""
    scale = 4
    shape = (int(BENCH_MM[1] * scale), int(BENCH_MM[0] * scale))
    yy, xx = np.mgrid[: shape[0], : shape[1]].astype(np.float32) / scale
    fine = noise(shape, 4, rng)
    if kind in ("oak board", "pale board"):
        bend = 6 * noise((shape[0] // 8, shape[1] // 8), 60, rng, octaves=2)
        stretched = cv2.resize(noise((shape[0] // 2, shape[1] // 32), 10, rng, octaves=4), (shape[1], shape[0]))
        rings = np.sin((yy + cv2.resize(bend, (shape[1], shape[0]))) * 0.42 + 2.2 * stretched)
        pores = cv2.resize(noise((shape[0], shape[1] // 24), 2.4, rng), (shape[1], shape[0]))
        tone = 1 + 0.13 * rings + 0.07 * stretched - 0.10 * smoothstep((pores - 0.9) / 0.6) + 0.02 * fine
        planks = np.floor(yy / 95)
        tone = tone * (1 + 0.05 * np.sin(planks * 12.9)) * (1 - 0.6 * np.exp(-((((yy % 95) - 1) / 0.5) ** 2)))
        base = (0.36, 0.235, 0.135) if kind == "oak board" else (0.60, 0.50, 0.36)
    elif kind == "concrete slab":
        tone = (
            1
            + 0.10 * noise(shape, 300, rng, octaves=5)
            + 0.05 * fine
            - 0.4 * smoothstep((noise(shape, 9, rng) - 2.3) / 0.4)
        )
        base = (0.36, 0.355, 0.34)
    elif kind in ("dark cloth", "linen cloth"):
        weave = np.sin(xx * 2 * np.pi / 1.1 + 0.5 * noise(shape, 40, rng)) * np.sin(
            yy * 2 * np.pi / 1.1 + 0.5 * noise(shape, 40, rng)
        )
        folds = noise(shape, 500, rng, octaves=3)
        tone = 1 + 0.16 * weave + 0.07 * folds + 0.04 * fine
        base = (0.055, 0.06, 0.075) if kind == "dark cloth" else (0.52, 0.47, 0.38)
    else:
        tone = 1 + 0.05 * noise(shape, 160, rng, octaves=5) + 0.02 * fine
        tone = tone - 0.25 * smoothstep((noise(shape, 26, rng, octaves=2) - 2.4) / 0.3)
        base = (0.12, 0.20, 0.15)
    return np.clip(tone[..., None] * np.array(base, np.float32), 0.02, 0.88).astype(np.float32)


def light_named(name: str, rng: np.random.Generator, camera_centre_mm: NDArray[np.float64]) -> Light:
    """Set up one of the kinds of light, varied."""
    day, warm, tube = (0.93, 1.0, 1.08), (1.25, 1.0, 0.68), (1.0, 1.02, 0.90)
    side = rng.uniform(0, 2 * np.pi)

    def at(distance: float, elevation_deg: float, azimuth: float) -> tuple[float, float, float]:
        e = np.deg2rad(elevation_deg)
        return (
            float(distance * np.cos(e) * np.cos(azimuth)),
            float(distance * np.cos(e) * np.sin(azimuth)),
            float(distance * np.sin(e)),
        )

    lamps: list[Lamp] = []
    ambient, ambient_colour = 0.3, day
    if name == "soft window":
        lamps.append(
            Lamp(
                at(rng.uniform(1100, 1700), rng.uniform(28, 52), side),
                (rng.uniform(350, 600), rng.uniform(350, 700)),
                1.0,
                day,
            )
        )
        ambient = rng.uniform(0.25, 0.5)
    elif name == "overcast dome":
        ambient = 1.0
        lamps.append(Lamp(at(2500, rng.uniform(55, 80), side), (1200, 1200), rng.uniform(0.1, 0.35), day))
    elif name == "hard lamp":
        lamps.append(Lamp(at(rng.uniform(650, 1000), rng.uniform(28, 50), side), (rng.uniform(12, 30),) * 2, 1.0, warm))
        ambient, ambient_colour = rng.uniform(0.14, 0.3), day if rng.random() < 0.5 else warm
    elif name == "two lamps":
        lamps.append(Lamp(at(rng.uniform(700, 1100), rng.uniform(35, 55), side), (rng.uniform(30, 80),) * 2, 0.6, warm))
        lamps.append(
            Lamp(
                at(rng.uniform(700, 1100), rng.uniform(35, 55), side + rng.uniform(1.8, 3.6)),
                (rng.uniform(30, 80),) * 2,
                rng.uniform(0.3, 0.6),
                warm if rng.random() < 0.7 else day,
            )
        )
        ambient = rng.uniform(0.15, 0.35)
    elif name == "flash":
        beside = rng.uniform(12, 25)
        lamps.append(
            Lamp(
                (float(camera_centre_mm[0] + beside), float(camera_centre_mm[1] + 5), float(camera_centre_mm[2] + 2)),
                (3.5, 3.5),
                1.0,
                (1.0, 1.0, 1.02),
            )
        )
        ambient, ambient_colour = rng.uniform(0.12, 0.35), warm
    elif name == "low raking":
        lamps.append(
            Lamp(
                at(rng.uniform(700, 1000), rng.uniform(13, 22), side),
                (rng.uniform(20, 60),) * 2,
                1.0,
                warm if rng.random() < 0.6 else day,
            )
        )
        ambient = rng.uniform(0.25, 0.5)
    else:
        lamps.append(Lamp(at(1700, rng.uniform(60, 85), side), (rng.uniform(500, 700), 25), 1.0, tube))
        ambient, ambient_colour = rng.uniform(0.3, 0.6), tube
    rows = np.linspace(1.15, 0.55, 16, dtype=np.float32)[:, None]
    room = rows * np.clip(1 + 0.35 * noise((16, 32), 9, rng), 0.25, 2.2)
    # The photographer keeps light away from one side.
    turn = np.linspace(-np.pi, np.pi, 32, dtype=np.float32) - rng.uniform(-np.pi, np.pi)
    room = room * (1 - 0.55 * np.exp(-((np.angle(np.exp(1j * turn)) / 0.6) ** 2)))[None, :]
    room = ambient / np.pi * room / max(float(room[:8].mean()), 1e-3)
    return Light(name, tuple(lamps), (room[..., None] * np.array(ambient_colour, np.float32)).astype(np.float32))

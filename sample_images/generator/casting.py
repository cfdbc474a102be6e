"""What makes each casting of a mold a little different: surface, pits, colour, damp, bloom.

All of it is normal and none of it is a defect.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from .defects import Relief
from .mold import Mold
from .shapes import noise, smoothstep

__all__ = ["MIX_COLOURS", "CastingStyle", "Skin", "cast", "skin"]

Field = NDArray[np.float32]

# Linear reflectance of the dry surface of invented mixes.
MIX_COLOURS: dict[str, tuple[float, float, float]] = {
    "grey": (0.33, 0.325, 0.31),
    "light grey": (0.46, 0.455, 0.44),
    "dark grey": (0.19, 0.19, 0.19),
    "buff": (0.47, 0.40, 0.29),
    "sand": (0.54, 0.46, 0.35),
    "reddish": (0.36, 0.22, 0.16),
    "near white": (0.68, 0.67, 0.63),
    "slate": (0.15, 0.165, 0.18),
}


@dataclass(frozen=True, slots=True)
class CastingStyle:
    """How one casting turned out."""

    mix: str
    grain_mm: float = 0.025
    bugholes: int = 5
    stains: int = 1
    wet: float = 0.0  # share of the surface that is still damp, 0 to 1
    bloom: float = 0.0  # strength of efflorescence, 0 to 1
    dust: float = 0.0
    sheen: float = 0.0  # of release agent, 0 to 1
    seam: bool = False  # a thin mold line under 0.5 mm


@dataclass(frozen=True, slots=True, eq=False)
class Skin:
    """Colour and gloss over the grid of a relief."""

    colour: NDArray[np.float32]  # (ny, nx, 3) linear reflectance
    roughness: Field  # (ny, nx)
    wet: Field  # (ny, nx) 0 to 1


def cast(mold: Mold, style: CastingStyle, *, step_mm: float, rng: np.random.Generator) -> Relief:
    """A good casting of a mold."""
    grid = mold.grid.resampled(step_mm)
    sdf, z1, z0 = (mold.grid.resample(f, grid) for f in (mold.sdf, mold.z1, mold.z0))
    sdf = sdf + rng.uniform(0.04, 0.09) * noise(grid.shape, 14 / step_mm, rng, octaves=3)
    z1 = z1 + rng.uniform(0.05, 0.13) * noise(grid.shape, 30 / step_mm, rng, octaves=2)
    z1 = z1 + style.grain_mm * (
        0.7 * noise(grid.shape, 0.7 / step_mm, rng) + 0.7 * noise(grid.shape, 2.2 / step_mm, rng)
    )
    if style.seam:
        z1, sdf = _seam(z1, sdf, grid.xy(), mold, rng)
    z1 = z1 - _bugholes(grid.shape, sdf, step_mm, style.bugholes, rng)
    z1 = np.maximum(z1, z0 + 0.5)
    return Relief(grid, sdf.astype(np.float32), z1.astype(np.float32), z0, np.zeros(grid.shape, np.float32))


def skin(relief: Relief, style: CastingStyle, rng: np.random.Generator) -> Skin:
    """Colour and gloss of a casting; fresh fractures show the inside of the mix."""
    shape, step = relief.grid.shape, relief.grid.step_mm
    base = np.array(MIX_COLOURS[style.mix], np.float32) * np.float32(rng.uniform(0.9, 1.1))
    tone = (
        1
        + 0.06 * noise(shape, 45 / step, rng, octaves=2)
        + 0.045 * noise(shape, 9 / step, rng, octaves=3)
        + 0.035 * noise(shape, 0.8 / step, rng)
    )
    colour = base * tone[..., None]
    warmth = 0.025 * noise(shape, 35 / step, rng, octaves=2)
    colour = colour * (1 + warmth[..., None] * np.array([1.0, 0.1, -1.2], np.float32))
    specks = noise(shape, 0.9 / step, rng)
    colour = (
        colour * (1 - 0.45 * smoothstep((specks - 2.4) / 0.5) + 0.35 * smoothstep((-2.5 - specks) / 0.5))[..., None]
    )
    hollow = gaussian_filter(relief.z1, 1.6 / step) - relief.z1
    colour = colour * (1 - 0.22 * smoothstep(hollow / 0.9) + 0.05 * smoothstep(-hollow / 0.9))[..., None]
    for _ in range(style.stains):
        spot = _blob(shape, step, rng, rng.uniform(8, 26))
        tint = np.array([rng.uniform(0.82, 0.98), rng.uniform(0.78, 0.95), rng.uniform(0.65, 0.92)], np.float32)
        colour = colour * (1 - spot[..., None] * (1 - tint))
    if style.bloom > 0:
        veil = smoothstep((noise(shape, 28 / step, rng, octaves=4) - 0.9 + 1.1 * style.bloom) / 1.4)
        veil = veil * np.clip(0.65 + 0.2 * noise(shape, 1.2 / step, rng, octaves=2), 0, 1) * 0.7 * style.bloom
        colour = colour + veil[..., None] * (np.array([0.74, 0.74, 0.72], np.float32) - colour)
    if style.dust > 0:
        up = 1 / np.sqrt(1 + sum(g**2 for g in np.gradient(gaussian_filter(relief.z1, 0.5 / step), step)))
        powder = (
            style.dust
            * smoothstep((up - 0.75) / 0.25)
            * np.clip(0.4 + 0.3 * noise(shape, 6 / step, rng, octaves=4), 0, 1)
        )
        colour = colour + (0.55 * powder)[..., None] * (np.array([0.55, 0.53, 0.49], np.float32) - colour)
    inside = (
        base
        * (0.86 * (1 + 0.05 * noise(shape, 3 / step, rng, octaves=3) + 0.05 * noise(shape, 0.6 / step, rng)))[..., None]
    )
    for stones, tint in ((2.6, (0.55, 0.52, 0.48)), (2.0, (1.25, 1.2, 1.1)), (1.3, (0.42, 0.40, 0.40))):
        grains = smoothstep((noise(shape, stones / step, rng) - 1.25) / 0.25)
        inside = inside * (1 + grains[..., None] * (np.array(tint, np.float32) - 1))
    fresh = relief.fracture[..., None]
    colour = colour * (1 - fresh) + inside * fresh
    roughness = np.full(shape, 0.75, np.float32) + 0.04 * noise(shape, 8 / step, rng)
    wet = np.zeros(shape, np.float32)
    if style.wet > 0:
        field = noise(shape, 40 / step, rng, octaves=4)
        wet = smoothstep((field - np.quantile(field, 1 - style.wet)) / 0.35).astype(np.float32)
        colour = colour * (1 - wet * 0.42)[..., None]
        roughness = roughness - 0.45 * wet
    if style.sheen > 0:
        film = style.sheen * smoothstep((noise(shape, 24 / step, rng, octaves=2) + 0.4) / 1.2)
        roughness = roughness - 0.42 * film * (1 - relief.fracture)
        colour = colour * (1 - 0.1 * film)[..., None]
    return Skin(np.clip(colour, 0.02, 0.9).astype(np.float32), np.clip(roughness, 0.18, 0.95).astype(np.float32), wet)


def _bugholes(shape: tuple[int, int], sdf: Field, step: float, count: int, rng: np.random.Generator) -> Field:
    pits = np.zeros(shape, np.float32)
    rows, cols = np.nonzero(sdf < -2.0)
    for _ in range(count):
        at = int(rng.integers(len(rows)))
        radius = float(np.clip(rng.lognormal(np.log(0.55), 0.45), 0.3, 1.4))
        reach = int(np.ceil(1.5 * radius / step))
        r0, c0 = max(rows[at] - reach, 0), max(cols[at] - reach, 0)
        window = pits[r0 : rows[at] + reach + 1, c0 : cols[at] + reach + 1]
        yy, xx = np.mgrid[r0 : r0 + window.shape[0], c0 : c0 + window.shape[1]]
        squeeze = rng.uniform(0.8, 1.25)
        d2 = (((yy - rows[at]) * squeeze) ** 2 + ((xx - cols[at]) / squeeze) ** 2) * step**2 / radius**2
        np.maximum(window, radius * rng.uniform(0.6, 1.2) * np.sqrt(np.clip(1 - d2, 0, 1)), out=window)
    return pits


def _blob(shape: tuple[int, int], step: float, rng: np.random.Generator, radius_mm: float) -> Field:
    yy, xx = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    cy, cx = rng.uniform(0.15, 0.85) * shape[0], rng.uniform(0.15, 0.85) * shape[1]
    r = np.hypot(yy - cy, xx - cx) * step / radius_mm + 0.25 * noise(shape, 0.7 * radius_mm / step, rng, octaves=4)
    return smoothstep((1 - r) / 0.5) * np.float32(rng.uniform(0.3, 1.0))


def _seam(z1: Field, sdf: Field, xy: tuple[Field, Field], mold: Mold, rng: np.random.Generator) -> tuple[Field, Field]:
    """A mold line over the piece and a trace of flash at the outline, both under 0.5 mm."""
    x, y = xy
    turn = rng.uniform(-0.2, 0.2)
    middle = 0.5 * (mold.grid.y0_mm + mold.grid.y0_mm + mold.grid.step_mm * mold.grid.ny)
    across = (y - middle - rng.uniform(-12, 12)) * np.cos(turn) - x * np.sin(turn)
    height = 0.22 * np.clip(0.7 + 0.5 * noise(z1.shape, 60, rng, octaves=2), 0, 1.2)
    z1 = z1 + height * np.exp(-((across / 0.22) ** 2))
    trace = 0.35 * np.clip(noise(z1.shape, 90, rng, octaves=2) - 0.4, 0, 1)
    return z1.astype(np.float32), (sdf - trace * (z1 < 12)).astype(np.float32)

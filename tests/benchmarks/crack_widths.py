"""How exactly the width of a crack is measured: cracks of analytically known width, in pixels.

A straight crack of width w, blurred by a Gaussian, covers a point at distance d from its middle by the difference of
two normal distributions; a pixel shows the mean over its area. On drawn concrete its course is found and its width
measured as in a photo. On photographs that scikit-image carries the course is given: whether a crack is found among
bricks or blades of grass depends on references, which ``real_photographs`` gives.

    python -m tests.benchmarks.crack_widths
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from skimage import data

from inspector.comparing.hairlines import find_hairlines, line_strength
from inspector.imaging.light import DISPLAY_GAMMA
from inspector.inspection.candidates import LINE_HIGH, LINE_LOW, SHORTEST_LINE_MM
from inspector.inspection.crack_size import CRACK_REFLECTANCE, crack_size_px
from tests.drawn_lines import concrete

WIDTHS_PX = (1.0, 1.5, 2.0, 3.0, 4.0)
BLURS_PX = (0.5, 1.0, 1.5, 2.0)
ANGLES_DEG = (4.0, 27.0, 50.0, 73.0, 96.0, 119.0, 142.0, 165.0)
SHAPE = (300, 300)
PX_PER_MM = 5.0
LENGTH_PX = 200.0
NOISE = 2.0  # grey levels, one standard deviation
SUBPIXELS = 4
BRIGHTNESS = 0.4  # mean reflectance that a photograph's surface is brought to
# A line that was found is the crack when most of it runs within this distance.
BESIDE_PX = 3.0
CONCRETE = "drawn concrete"
PHOTOGRAPHS = ("brick", "gravel", "grass", "moon")


@dataclass(frozen=True, slots=True)
class WidthErrors:
    """Measured less true width of cracks of one width under one blur."""

    surface: str
    width_px: float
    blur_px: float
    tried: int
    errors_px: tuple[float, ...]  # of those that were found

    @property
    def median_px(self) -> float | None:
        """Median absolute error, None where no crack was found."""
        return float(np.median(np.abs(self.errors_px))) if self.errors_px else None


def width_errors(
    surface: str, *, widths_px: Sequence[float] = WIDTHS_PX, blurs_px: Sequence[float] = BLURS_PX
) -> list[WidthErrors]:
    """Cracks of each width under each blur at eight angles, each at another place of the surface."""
    rows = []
    for width_px in widths_px:
        for blur_px in blurs_px:
            errors = []
            for number, angle_deg in enumerate(ANGLES_DEG):
                gray = _picture(surface, width_px, blur_px, angle_deg, number)
                path_xy = _course_found(gray, angle_deg) if surface == CONCRETE else _course(angle_deg)
                if path_xy is not None:
                    errors.append(crack_size_px(gray, path_xy, px_per_mm=PX_PER_MM)[1] - width_px)
            rows.append(WidthErrors(surface, width_px, blur_px, len(ANGLES_DEG), tuple(errors)))
    return rows


def reflectance_of(name: str) -> NDArray[np.float64]:
    """A photograph of scikit-image as reflectance of a surface, shape (512, 512), with a mean of 0.4."""
    light = (getattr(data, name)().astype(float) / 255) ** DISPLAY_GAMMA
    return np.clip(light * (BRIGHTNESS / light.mean()), 0.02, 0.95)


def _picture(surface: str, width_px: float, blur_px: float, angle_deg: float, number: int) -> NDArray[np.uint8]:
    rng = np.random.default_rng(number)
    if surface == CONCRETE:
        reflectance = concrete(SHAPE, seed=number)
    else:
        whole = reflectance_of(surface)
        top, left = rng.integers(0, np.array(whole.shape) - SHAPE)
        reflectance = whole[top : top + SHAPE[0], left : left + SHAPE[1]]
    light = cv2.GaussianBlur(reflectance, (0, 0), blur_px)
    light = light * (1 - (1 - CRACK_REFLECTANCE) * _cover(width_px, blur_px, angle_deg))
    value = 255 * np.clip(light, 0, 1) ** (1 / DISPLAY_GAMMA) + rng.normal(0, NOISE, SHAPE)
    return np.clip(np.round(value), 0, 255).astype(np.uint8)


def _cover(width_px: float, blur_px: float, angle_deg: float) -> NDArray[np.float64]:
    """Share of each pixel that the blurred crack takes."""
    fine = (np.arange(SHAPE[0] * SUBPIXELS) + 0.5) / SUBPIXELS - 0.5 - (SHAPE[0] - 1) / 2
    x, y = np.meshgrid(fine, fine)
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    across, along = c * y - s * x, c * x + s * y
    near = np.abs(across) < width_px / 2 + 9 * blur_px  # beyond, less than 1e-18 of a pixel is taken
    across, along = across[near], along[near]
    band = np.zeros(x.shape)
    band[near] = ndtr((across + width_px / 2) / blur_px) - ndtr((across - width_px / 2) / blur_px)
    band[near] *= ndtr((along + LENGTH_PX / 2) / blur_px) - ndtr((along - LENGTH_PX / 2) / blur_px)
    return band.reshape(SHAPE[0], SUBPIXELS, SHAPE[1], SUBPIXELS).mean(axis=(1, 3))


def _course(angle_deg: float) -> NDArray[np.float64]:
    """The middle of the crack, shape (n, 2), less its last tenth at both ends."""
    along = np.linspace(-0.4, 0.4, 60)[:, None] * LENGTH_PX
    return (np.array(SHAPE[::-1]) - 1) / 2 + along * [np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))]


def _course_found(gray: NDArray[np.uint8], angle_deg: float) -> NDArray[np.float64] | None:
    """The longest line that runs along the crack, as the engine finds it; None without one."""
    lines = find_hairlines(
        line_strength(gray, np.full(SHAPE, 255, np.uint8), px_per_mm=PX_PER_MM),
        px_per_mm=PX_PER_MM,
        low=LINE_LOW,
        high=LINE_HIGH,
        shortest_mm=SHORTEST_LINE_MM,
    )
    normal = np.array([-np.sin(np.radians(angle_deg)), np.cos(np.radians(angle_deg))])
    middle = (np.array(SHAPE[::-1]) - 1) / 2
    on_it = [line for line in lines if np.median(np.abs((line.path_xy - middle) @ normal)) < BESIDE_PX]
    return max(on_it, key=lambda line: line.length_px).path_xy if on_it else None


def width_table(errors: Sequence[WidthErrors]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Head and rows: median absolute error in px by surface, width and blur, and how many were found if not all."""
    blurs = sorted({one.blur_px for one in errors})
    head = ("surface", "true width, px", *(f"blur {blur:g} px" for blur in blurs))
    rows = []
    for surface in dict.fromkeys(one.surface for one in errors):
        for width in sorted({one.width_px for one in errors}):
            cells = [
                _told(one)
                for blur in blurs
                for one in errors
                if (one.surface, one.width_px, one.blur_px) == (surface, width, blur)
            ]
            rows.append((surface, f"{width:g}", *cells))
    return head, rows


def _told(one: WidthErrors) -> str:
    if one.median_px is None:
        return "not found"
    found = len(one.errors_px)
    return f"{one.median_px:.2f}" + ("" if found == one.tried else f" ({found} of {one.tried} found)")


if __name__ == "__main__":
    table_head, table_rows = width_table([one for surface in (CONCRETE, *PHOTOGRAPHS) for one in width_errors(surface)])
    for line in (table_head, *table_rows):
        print("".join(f"{cell:>24}" for cell in line))

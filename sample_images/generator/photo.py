"""From linear radiance to the JPEG that a phone would have stored."""

from __future__ import annotations

from io import BytesIO

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from .plan import PhotoPlan
from .surroundings import Light

__all__ = ["develop", "encode"]


def develop(
    radiance: NDArray[np.float32], plan: PhotoPlan, light: Light, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Expose, blur, add noise and tone a picture: (h, w, 3) uint8 RGB as displayed."""
    height, width = radiance.shape[:2]
    tint = sum(lamp.share * np.array(lamp.colour) for lamp in light.lamps) + np.pi * light.room[:8].mean(axis=(0, 1))
    tint = tint / tint.mean()
    gains = tint ** -rng.uniform(0.72, 1.0) * rng.normal(1, 0.012, 3)
    picture = np.clip(radiance, 0, None) * (gains / gains.mean()).astype(np.float32)
    luma = picture @ np.array([0.25, 0.6, 0.15], np.float32)
    middle = luma[height // 8 : -height // 8, width // 8 : -width // 8]
    gain = (
        min(0.38 / float(middle.mean()), 0.90 / float(np.quantile(middle[::4, ::4], 0.985))) * 2.0**plan.exposure_stops
    )
    picture = picture * np.float32(gain)
    yy, xx = np.mgrid[:height, :width].astype(np.float32)
    r2 = ((xx - width / 2) ** 2 + (yy - height / 2) ** 2) / (0.25 * (width**2 + height**2))
    picture *= (1 - rng.uniform(0.06, 0.24) * r2)[..., None]
    picture = np.minimum(picture, 4.0)
    picture = cv2.GaussianBlur(picture, (0, 0), plan.blur_px)
    if rng.random() < 0.35:
        picture = cv2.filter2D(picture, -1, _shake(rng.uniform(1.0, 2.4) * width / 2400, rng.uniform(0, np.pi)))
    # Shot and read noise of a small sensor, already smoothed a little by its demosaicing.
    grain = cv2.GaussianBlur(rng.standard_normal(picture.shape, dtype=np.float32), (0, 0), 0.55) * 1.8
    picture += grain * np.sqrt(np.maximum(picture, 0) * 1.6e-4 + 1.2e-6) * np.float32(plan.noise)
    picture = np.clip(picture, 0, 1)
    picture = np.where(
        picture <= 0.0031308, 12.92 * picture, 1.055 * np.power(np.maximum(picture, 1e-6), 1 / 2.4) - 0.055
    )
    contrast = rng.uniform(0.3, 1.0)
    picture = picture + contrast * (picture - 0.5) * picture * (1 - picture) * 1.2
    soft = cv2.GaussianBlur(picture, (0, 0), 1.1 * max(1.0, width / 3000))
    picture = picture + np.float32(rng.uniform(0.15, 0.6)) * (picture - soft)
    return np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)


def encode(picture: NDArray[np.uint8], plan: PhotoPlan) -> bytes:
    """The JPEG file, with the EXIF of an unnamed phone unless the plan has none."""
    image = Image.fromarray(picture)
    exif = Image.Exif()
    if plan.stored_turned and plan.exif:
        image = image.transpose(Image.Transpose.ROTATE_90)  # to be turned clockwise for display
        exif[0x0112] = 6
    if plan.exif:
        details = exif.get_ifd(0x8769)
        details[0x9003] = plan.taken_at
        details[0xA405] = round(plan.focal_35mm)
        details[0xA002], details[0xA003] = image.size
    data = BytesIO()
    options = {"exif": exif.tobytes()} if plan.exif else {}
    image.save(data, "JPEG", quality=plan.quality, subsampling=2 if plan.quality < 90 else 0, optimize=True, **options)
    return data.getvalue()


def _shake(length_px: float, angle: float) -> NDArray[np.float32]:
    reach = int(np.ceil(length_px)) + 1
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    for t in np.linspace(-0.5, 0.5, 41):
        x, y = reach + t * length_px * np.cos(angle), reach + t * length_px * np.sin(angle)
        x0, y0 = int(x), int(y)
        for dy, wy in ((0, 1 - (y - y0)), (1, y - y0)):
            for dx, wx in ((0, 1 - (x - x0)), (1, x - x0)):
                if wx * wy > 0:
                    kernel[y0 + dy, x0 + dx] += wx * wy
    return kernel / kernel.sum()

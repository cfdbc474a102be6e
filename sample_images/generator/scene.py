"""Path-trace a prepared scene with Mitsuba 3, and find what each pixel sees.

Mitsuba is needed only here.  The variant (``scalar_rgb``, ``llvm_ad_rgb``, ``cuda_ad_rgb``) must
be set before.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from .camera import Camera
from .surroundings import BENCH_MM, MAT_MM, Light

PATHS_AT_ONCE = 200_000_000  # keeps a pass under about 8 GB on a graphics card

__all__ = ["render_photo", "visible_points"]


def _bitmap(picture: NDArray[np.float32], wrap: str = "mirror") -> dict[str, Any]:
    channels = np.ascontiguousarray(picture, dtype=np.float32)
    return {"type": "bitmap", "bitmap": mi.Bitmap(channels), "raw": True, "wrap_mode": wrap}


def _sensor(camera: Camera) -> dict[str, Any]:
    pose = np.eye(4)
    right, down, forward = camera.world_to_camera
    pose[:3, 0], pose[:3, 1], pose[:3, 2], pose[:3, 3] = -right, -down, forward, camera.centre_mm
    return {
        "type": "perspective",
        "fov_axis": "x",
        "near_clip": 1.0,
        "far_clip": 1e5,
        "fov": float(2 * np.degrees(np.arctan(0.5 * camera.width_px / camera.focal_px))),
        "to_world": mi.ScalarTransform4f(pose),
        "film": {
            "type": "hdrfilm",
            "width": camera.width_px,
            "height": camera.height_px,
            "rfilter": {"type": "box"},
            "component_format": "float32",
        },
        "sampler": {"type": "independent"},
    }


def render_photo(
    piece: Path,
    colour: NDArray[np.float32],
    roughness: NDArray[np.float32],
    mat: NDArray[np.float32] | None,
    bench: NDArray[np.float32],
    light: Light,
    camera: Camera,
    *,
    samples: int,
    seed: int,
) -> NDArray[np.float32]:
    """Linear radiance, (h, w, 3), that the camera sees.

    Colour pictures of the piece lie over its grid, row 0 at the smallest y; those of mat and bench
    as printed, row 0 at the top.
    """
    transform = mi.ScalarTransform4f
    scene: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 5, "rr_depth": 6},
        "sensor": _sensor(camera),
        "piece": {
            "type": "ply",
            "filename": str(piece),
            "face_normals": True,
            "bsdf": {
                "type": "twosided",
                "inner": {
                    "type": "principled",
                    "base_color": _bitmap(colour),
                    "roughness": _bitmap(roughness[..., None]),
                    "specular": 0.35,
                },
            },
        },
        "bench": {
            "type": "rectangle",
            "to_world": transform().translate([0, 0, -0.25]).scale([1500, 1350, 1]),
            "bsdf": {
                "type": "twosided",
                "inner": {
                    "type": "principled",
                    "base_color": {
                        **_bitmap(bench[::-1]),
                        "to_uv": transform().scale([3000 / BENCH_MM[0], 2700 / BENCH_MM[1], 1]),
                    },
                    "roughness": 0.6,
                    "specular": 0.25,
                },
            },
        },
        "room": {
            "type": "envmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(light.room)),
            "to_world": transform().rotate([1, 0, 0], 90),
        },
    }
    if mat is not None:
        scene["mat"] = {
            "type": "rectangle",
            "to_world": transform().scale([MAT_MM[0] / 2, MAT_MM[1] / 2, 1]),
            "bsdf": {"type": "twosided", "inner": {"type": "diffuse", "reflectance": _bitmap(mat[::-1], "clamp")}},
        }
    for k, lamp in enumerate(light.lamps):
        area = 4 * lamp.half_size_mm[0] * lamp.half_size_mm[1]
        distance = float(np.linalg.norm(lamp.at_mm))
        radiance = lamp.share * distance**2 / area / max(lamp.at_mm[2] / distance, 0.3)
        up = [0.0, 0.0, 1.0] if abs(lamp.at_mm[2]) < 0.98 * distance else [0.0, 1.0, 0.0]
        scene[f"lamp{k}"] = {
            "type": "rectangle",
            "to_world": transform()
            .look_at(origin=list(lamp.at_mm), target=[0.0, 0.0, 0.0], up=up)
            .scale([lamp.half_size_mm[0], lamp.half_size_mm[1], 1]),
            "emitter": {
                "type": "area",
                "radiance": {"type": "rgb", "value": [float(c * radiance) for c in lamp.colour]},
            },
        }
    loaded = mi.load_dict(scene)
    passes = -(-camera.width_px * camera.height_px * samples // PATHS_AT_ONCE)
    each = -(-samples // passes)
    return sum(np.array(mi.render(loaded, spp=each, seed=(seed + k) % 2**32))[..., :3] for k in range(passes)) / passes


def visible_points(piece: Path, camera: Camera, *, seed: int) -> NDArray[np.float32]:
    """World position that each pixel sees on the piece alone, (h, w, 3); NaN beside it.

    Two pieces seen with the same seed are met by the same rays.
    """
    scene = mi.load_dict(
        {
            "type": "scene",
            "integrator": {"type": "aov", "aovs": "position:position,distance:depth"},
            "sensor": _sensor(camera),
            "piece": {"type": "ply", "filename": str(piece), "face_normals": True},
        }
    )
    channels = np.array(mi.render(scene, spp=1, seed=seed))
    position, distance = channels[..., -4:-1].copy(), channels[..., -1]
    position[distance <= 0] = np.nan
    return position

"""The hand-held camera: a pinhole over the mat.

World: mm, origin in the middle of the mat, x to the right, y up the sheet, z towards the viewer.
Mat coordinates in the ground truth have y down the sheet, as OpenCV's images.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Camera", "aim", "focal_px"]

DIAGONAL_35MM = 43.267  # of a 36 x 24 mm frame; CIPA DC-008 defines the 35 mm equivalent by it


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """A pinhole camera with square pixels and its centre in the middle of the photo."""

    width_px: int
    height_px: int
    focal_px: float
    world_to_camera: NDArray[np.float64]  # (3, 3) rotation; rows: right, down, forward
    centre_mm: NDArray[np.float64]  # (3,)

    def project(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pixels of world points; a pixel's centre has whole coordinates."""
        local = (np.asarray(points, float) - self.centre_mm) @ self.world_to_camera.T
        flat = local[:, :2] / local[:, 2:] * self.focal_px
        return flat + np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    def photo_from_mat(self) -> NDArray[np.float64]:
        """Homography from mat mm (y down) to pixels."""
        k = np.array(
            [[self.focal_px, 0, (self.width_px - 1) / 2], [0, self.focal_px, (self.height_px - 1) / 2], [0, 0, 1]]
        )
        basis = np.column_stack(
            [self.world_to_camera[:, 0], -self.world_to_camera[:, 1], -self.world_to_camera @ self.centre_mm]
        )
        matrix = k @ basis
        return matrix / matrix[2, 2]

    def tilt_deg(self) -> float:
        """Angle between the line of sight and the vertical."""
        return float(np.degrees(np.arccos(np.clip(-self.world_to_camera[2, 2], -1, 1))))

    def px_per_mm(self) -> float:
        """Scale on the mat in the middle of the photo."""
        mat_from_photo = np.linalg.inv(self.photo_from_mat())
        middle = np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

        def on_mat(point: NDArray[np.float64]) -> NDArray[np.float64]:
            v = mat_from_photo @ [*point, 1.0]
            return v[:2] / v[2]

        right, down = np.array([0.5, 0.0]), np.array([0.0, 0.5])
        jacobian = np.column_stack(
            [
                on_mat(middle + right) - on_mat(middle - right),
                on_mat(middle + down) - on_mat(middle - down),
            ]
        )
        return float(1 / np.sqrt(abs(np.linalg.det(jacobian))))


def focal_px(focal_35mm: float, width_px: int, height_px: int) -> float:
    """Focal length in pixels of a 35 mm equivalent."""
    return focal_35mm / DIAGONAL_35MM * float(np.hypot(width_px, height_px))


def aim(
    width_px: int,
    height_px: int,
    focal_35mm: float,
    *,
    px_per_mm: float,
    target_xy: tuple[float, float],
    tilt_deg: float,
    tilt_towards_deg: float,
    roll_deg: float,
) -> Camera:
    """A camera that looks at a point of the mat from the distance that gives a scale."""
    focal = focal_px(focal_35mm, width_px, height_px)
    tilt, towards = np.deg2rad(tilt_deg), np.deg2rad(tilt_towards_deg)
    back = np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), np.cos(tilt)])
    forward = -back
    up_hint = np.array([np.sin(np.deg2rad(roll_deg)), np.cos(np.deg2rad(roll_deg)), 0.0])
    right = np.cross(forward, up_hint)
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    rotation = np.stack([right, down, forward])
    distance = focal / px_per_mm
    centre = np.array([*target_xy, 0.0]) + distance * back
    camera = Camera(width_px, height_px, focal, rotation, centre)
    # Tilt changes the scale in the middle a little; correct the distance once.
    centre = np.array([*target_xy, 0.0]) + distance * camera.px_per_mm() / px_per_mm * back
    return Camera(width_px, height_px, focal, rotation, centre)

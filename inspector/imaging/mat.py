"""Where the photo mat lies in a photo: scale, rectification and the camera's place over it.

The mat is a sheet of A4 or A3 paper with four ArUco markers. Mat coordinates are millimetres on the
sheet, origin at its centre, x to the right and y downwards as it is read; heights above it are positive
towards the camera.

Method: markers by ``cv2.aruco`` on a reduced copy, corners refined on the full photo; a homography by
least squares over all seen corners; the camera by minimising the reprojection error of the corners over
pose and focal length, with a weak prior on the focal length where EXIF has none (a flat target seen
almost square-on says little about it).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from inspector.imaging.light import DISPLAY_GAMMA
from inspector.imaging.reducing import reduce_whole

__all__ = [
    "MARKER_MARGIN_MM",
    "MARKER_SIDE_MM",
    "MAT_LAYOUTS",
    "Camera",
    "MatLayout",
    "MatSighting",
    "Paper",
    "find_mat",
]

Paper = Literal["A4", "A3"]

MARKER_SIDE_MM = 24.0
MARKER_MARGIN_MM = 3.0
FEWEST_MARKERS = 2  # three make a good fit, two a usable one
MARKER_DICTIONARY = cv2.aruco.DICT_4X4_50

# Markers are 24 mm wide, six cells: where the sheet fills a photo, 1000 px leave each cell 13 px. Where that does not
# show all four, a larger copy may.
DETECTION_LONG_SIDES_PX = (1000, 1600)
# Main cameras of phones lie between 23 and 30 mm (35 mm equivalent): 0.72 of the long side, give or take a fifth.
TYPICAL_FOCAL_PER_LONG_SIDE = 0.75
TYPICAL_FOCAL_LOG_SD = 0.20
# Lenses are focused and cropped after EXIF was written; a few per cent remain.
EXIF_FOCAL_LOG_SD = 0.03
# What a refined corner is good for; also the robust scale of the pose fit.
CORNER_SD_PX = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class MatLayout:
    """A printed mat: the page, and where its markers are."""

    paper: Paper
    page_mm: tuple[float, float]  # width, height
    marker_ids: tuple[int, int, int, int]  # clockwise from the top left
    centres_mm: tuple[float, float]  # width, height of the rectangle of marker centres

    @property
    def marker_centres_xy_mm(self) -> NDArray[np.float64]:
        """Marker centres in mat coordinates, shape (4, 2), clockwise from the top left. [mm]"""
        half_width, half_height = self.centres_mm[0] / 2, self.centres_mm[1] / 2
        return np.array(
            [
                [-half_width, -half_height],
                [half_width, -half_height],
                [half_width, half_height],
                [-half_width, half_height],
            ]
        )

    def marker_corners_xy_mm(self, marker_id: int) -> NDArray[np.float64]:
        """Corners of one marker's black square, shape (4, 2), clockwise from its top left. [mm]"""
        centre = self.marker_centres_xy_mm[self.marker_ids.index(marker_id)]
        half = MARKER_SIDE_MM / 2
        return centre + np.array([[-half, -half], [half, -half], [half, half], [-half, half]])


MAT_LAYOUTS: dict[Paper, MatLayout] = {
    "A4": MatLayout("A4", (297.0, 210.0), (10, 11, 12, 13), (260.0, 180.0)),
    "A3": MatLayout("A3", (420.0, 297.0), (20, 21, 22, 23), (380.0, 260.0)),
}


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """A pinhole camera over the mat."""

    focal_px: float
    centre_mm: NDArray[np.float64]  # (3,) camera centre in mat coordinates, z above the sheet
    tilt_deg: float  # angle between the optical axis and the sheet's normal


@dataclass(frozen=True, slots=True, eq=False)
class MatSighting:
    """The mat as seen in one photo."""

    layout: MatLayout
    marker_ids: tuple[int, ...]  # those seen
    photo_from_mat: NDArray[np.float64]  # (3, 3) homography, mm on the sheet to px
    residual_px: float  # root mean square distance of the marker corners from the homography
    px_per_mm: float  # at the centre of the mat, geometric mean of both directions
    camera: Camera


def find_mat(gray: NDArray[np.uint8], *, focal_px: float | None = None) -> MatSighting | None:
    """Find the photo mat.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
        The photo.
    focal_px : float, optional
        Focal length from EXIF; estimated together with the pose if not given. [px]

    Returns
    -------
    MatSighting or None
        None when fewer than two of the four markers of one mat are seen.
    """
    layout, corners_by_id = _find_markers(gray)
    if layout is None or len(corners_by_id) < FEWEST_MARKERS:
        return None
    ids = tuple(sorted(corners_by_id))
    mat_xy = np.concatenate([layout.marker_corners_xy_mm(i) for i in ids])
    photo_xy = np.concatenate([corners_by_id[i] for i in ids])
    photo_from_mat, _ = cv2.findHomography(mat_xy, photo_xy, 0)
    if photo_from_mat is None:
        return None
    error_xy = cv2.perspectiveTransform(mat_xy[None], photo_from_mat)[0] - photo_xy
    residual_px = float(np.sqrt(np.mean(np.sum(error_xy**2, axis=1))))
    height_px, width_px = gray.shape
    camera = _locate_camera(mat_xy, photo_xy, photo_from_mat, (width_px, height_px), focal_px)
    return MatSighting(
        layout=layout,
        marker_ids=ids,
        photo_from_mat=np.asarray(photo_from_mat, dtype=np.float64),
        residual_px=residual_px,
        px_per_mm=_px_per_mm(photo_from_mat),
        camera=camera,
    )


def _find_markers(gray: NDArray[np.uint8]) -> tuple[MatLayout | None, dict[int, NDArray[np.float64]]]:
    """Corners by marker id, of the mat of which most markers are seen."""
    seen: dict[int, NDArray[np.float64]] = {}
    for long_side_px in DETECTION_LONG_SIDES_PX:
        seen = _detect_markers(gray, long_side_px)
        if any(all(i in seen for i in layout.marker_ids) for layout in MAT_LAYOUTS.values()):
            break
    layout = max(MAT_LAYOUTS.values(), key=lambda m: sum(i in seen for i in m.marker_ids))
    found = {i: _refine_corners(gray, seen[i]) for i in layout.marker_ids if i in seen}
    return (layout if found else None), found


def _detect_markers(gray: NDArray[np.uint8], long_side_px: int) -> dict[int, NDArray[np.float64]]:
    """Rough corners by marker id, looked for on the photo made so small."""
    times = max(1, int(max(gray.shape) / long_side_px))
    reduced, _ = reduce_whole(gray, times)
    scale = min(1.0, long_side_px / max(reduced.shape))
    small = reduced if scale == 1.0 else cv2.resize(reduced, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    scale /= times
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.adaptiveThreshWinSizeMin = 11
    parameters.adaptiveThreshWinSizeMax = 51
    parameters.adaptiveThreshWinSizeStep = 20
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARKER_DICTIONARY), parameters)
    corners, ids, _ = detector.detectMarkers(small)
    if ids is None:
        return {}
    # Pixel centres lie at integers in OpenCV: scaling has to go through pixel edges.
    return {
        int(marker_id): (np.asarray(quad, dtype=np.float64).reshape(4, 2) + 0.5) / scale - 0.5
        for marker_id, quad in zip(np.asarray(ids).ravel().tolist(), corners, strict=True)
    }


def _refine_corners(gray: NDArray[np.uint8], quad_xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Corners to sub-pixel on the full photo, as crossings of lines fitted to the square's edges."""
    sides = np.roll(quad_xy, -1, axis=0) - quad_xy
    length_px = float(np.mean(np.linalg.norm(sides, axis=1)))
    reach_px = max(3.0, 0.06 * length_px)  # half a marker cell is 1/12 of the side
    lines = [_fit_edge(gray, quad_xy[k], quad_xy[(k + 1) % 4], reach_px) for k in range(4)]
    refined = quad_xy.copy()
    for k in range(4):
        before, after = lines[k - 1], lines[k]
        if before is None or after is None:
            continue
        crossing = np.cross(before, after)
        if abs(crossing[2]) > 1e-9:
            corner = crossing[:2] / crossing[2]
            if np.linalg.norm(corner - quad_xy[k]) < 2 * reach_px:
                refined[k] = corner
    return refined


def _fit_edge(
    gray: NDArray[np.uint8], start_xy: NDArray[np.float64], end_xy: NDArray[np.float64], reach_px: float
) -> NDArray[np.float64] | None:
    """Homogeneous line through the strongest step along one side of a marker (dark inside)."""
    along = end_xy - start_xy
    length = float(np.linalg.norm(along))
    if length < 8:
        return None
    outward = np.array([along[1], -along[0]]) / length  # corners run clockwise on the screen: this points outwards
    position = np.linspace(0.12, 0.88, 40)
    offset = np.arange(-reach_px, reach_px + 0.25, 0.5)
    points = start_xy + position[:, None, None] * along + offset[None, :, None] * outward
    profile = cv2.remap(gray, points.astype(np.float32), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    # In linear light: blur is symmetric there, while in display values it moves the edge towards the dark side.
    light = (profile.astype(np.float64) / 255) ** DISPLAY_GAMMA * 255
    slope = np.clip(np.diff(light, axis=1), 0, None)  # dark to light, outwards
    middle = (offset[1:] + offset[:-1]) / 2
    peak = middle[np.argmax(slope, axis=1)]
    weight = slope * (np.abs(middle[None, :] - peak[:, None]) <= 2.0)
    total = weight.sum(axis=1)
    good = total > 0.25 * np.median(total)
    if good.sum() < 10 or np.median(total) < 8:
        return None
    step = (weight * middle).sum(axis=1)[good] / total[good]
    # Robust straight line step = a + b * position: two rounds of trimming at three median deviations.
    where = position[good]
    keep = np.ones(where.size, dtype=bool)
    for _ in range(3):
        x, y = where[keep], step[keep]
        b = float(np.sum((x - x.mean()) * y) / np.sum((x - x.mean()) ** 2))
        a = float(y.mean() - b * x.mean())
        error = np.abs(step - a - b * where)
        keep = error <= max(0.3, 3 * float(np.median(error)))
    first = np.append(start_xy + a * outward, 1.0)
    last = np.append(end_xy + (a + b) * outward, 1.0)
    line: NDArray[np.float64] = np.cross(first, last)
    return line


def _px_per_mm(photo_from_mat: NDArray[np.float64]) -> float:
    """Linear scale at the mat's centre: the root of the area ratio."""
    square_mm = np.array([[[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]])
    square_px = cv2.perspectiveTransform(square_mm, photo_from_mat)[0]
    x, y = square_px.T
    area_px2 = abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2
    return float(np.sqrt(area_px2 / 4.0))


def _locate_camera(
    mat_xy: NDArray[np.float64],
    photo_xy: NDArray[np.float64],
    photo_from_mat: NDArray[np.float64],
    size_px: tuple[int, int],
    focal_px: float | None,
) -> Camera:
    """Pose and focal length by least squares on the corners, principal point in the middle."""
    long_side = max(size_px)
    prior_focal = focal_px if focal_px is not None else TYPICAL_FOCAL_PER_LONG_SIDE * long_side
    prior_sd = EXIF_FOCAL_LOG_SD if focal_px is not None else TYPICAL_FOCAL_LOG_SD
    centre = np.array([(size_px[0] - 1) / 2, (size_px[1] - 1) / 2])
    world = np.column_stack([mat_xy, np.zeros(len(mat_xy))])

    def camera_matrix(focal: float) -> NDArray[np.float64]:
        return np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])

    rotation, shift = _pose_from_homography(photo_from_mat, camera_matrix(prior_focal))

    def residuals(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        focal = prior_focal * np.exp(parameters[0])
        projected, _ = cv2.projectPoints(world, parameters[1:4], parameters[4:7], camera_matrix(focal), None)
        error = (projected.reshape(-1, 2) - photo_xy).ravel() / CORNER_SD_PX
        return np.append(error, parameters[0] / prior_sd)

    start = np.concatenate([[0.0], rotation, shift])
    scale = np.concatenate([[0.1], np.full(3, 0.1), np.full(3, max(1.0, float(np.linalg.norm(shift)) * 0.1))])
    fit = least_squares(residuals, start, x_scale=scale, loss="soft_l1", max_nfev=60)
    rotation_matrix, _ = cv2.Rodrigues(fit.x[1:4])
    centre_mat = -rotation_matrix.T @ fit.x[4:7]
    # Mat axes are x right, y down, so z = x cross y points into the table: heights are minus z.
    normal_in_camera = rotation_matrix[:, 2]
    tilt_deg = float(np.degrees(np.arccos(np.clip(abs(normal_in_camera[2]), 0, 1))))
    return Camera(
        focal_px=float(prior_focal * np.exp(fit.x[0])),
        centre_mm=np.array([centre_mat[0], centre_mat[1], -centre_mat[2]]),
        tilt_deg=tilt_deg,
    )


def _pose_from_homography(
    photo_from_mat: NDArray[np.float64], camera_matrix: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rotation vector and translation (Zhang 2000, section 3.1), as a start for the fit."""
    columns = np.linalg.inv(camera_matrix) @ photo_from_mat
    columns = columns / np.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1]))
    if columns[2, 2] < 0:
        columns = -columns
    first, second = columns[:, 0], columns[:, 1]
    left, _, right = np.linalg.svd(np.column_stack([first, second, np.cross(first, second)]))
    rotation_matrix = left @ np.diag([1.0, 1.0, float(np.linalg.det(left @ right))]) @ right
    rotation, _ = cv2.Rodrigues(rotation_matrix)
    return rotation.ravel(), columns[:, 2]

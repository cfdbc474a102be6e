"""Whether a dark line goes on over the mat: then it is no crack, but a hair, a thread or a straw on the piece.

A crack ends where the piece does. From where a line meets the outline the way on is looked for in a strip of the photo,
straight on but free to bend, as the way along which it is darkest (dynamic programming). The same is done beside it,
where no line is to be expected, so that a mat with a print or a bench with a grain is not taken for a hair.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import log_light

__all__ = ["goes_on_beyond"]

# The line's own direction and darkness are those of so much of it before the outline.
_BEFORE_MM = 6.0
# A line that stops farther than this from the outline does not reach it. The rim itself, and the shadow beside it, are
# passed over; then it has to be seen for so long.
_REACHES_MM, _RIM_MM, _SEEN_MM = 3.0, 1.0, 5.0
# Raster of the strip, along and across: the way bends by at most one step across for each step along.
_STEP_MM, _ASIDE_MM = 0.25, 0.125
# How wide the strip is to each side, and how far the way may stray from straight on.
_STRIP_MM, _STRAY_MM = 9.0, 2.0
# A line is as much darker than the surface so far to its sides.
_SIDES_MM = 0.75
# The same line is at least half as dark on the mat as on the piece, and twice as dark as any other way there: for three
# quarters of the way, since the specks of a print are dark too, but not all along. Less than so much is no line.
_AS_DARK, _DARKER_THAN_MAT, _INTERRUPTED, _LEAST_DARKNESS = 0.5, 2.0, 0.25, 0.03  # the last in log units


def goes_on_beyond(
    smooth: NDArray[np.uint8], path_xy: NDArray[np.float64], outside_mm: NDArray[np.float32], *, px_per_mm: float
) -> bool:
    """Whether a dark line that meets the outline goes on over what lies around the piece.

    Parameters
    ----------
    smooth : ndarray, shape (h, w), uint8
        The photo, less its finest noise.
    path_xy : ndarray, shape (n, 2), float64
        The line on the piece, from end to end. [px]
    outside_mm : ndarray, shape (k, l), float32
        How far outside the piece each place lies, 0 on it: the same picture on a raster of its own.
    px_per_mm : float
    """
    return any(_goes_on_from_end(smooth, path, outside_mm, px_per_mm) for path in (path_xy, path_xy[::-1]))


def _goes_on_from_end(
    smooth: NDArray[np.uint8], path_xy: NDArray[np.float64], outside_mm: NDArray[np.float32], px_per_mm: float
) -> bool:
    """The same for the path's last point."""
    end = path_xy[-1]
    last = path_xy[np.linalg.norm(path_xy - end, axis=1) <= _BEFORE_MM * px_per_mm]
    ahead = end - last[0]
    if len(last) < 2 or not ahead.any():
        return False
    ahead = ahead / np.linalg.norm(ahead)
    along_mm = np.arange(-_BEFORE_MM, _REACHES_MM + _RIM_MM + _SEEN_MM + _STEP_MM / 2, _STEP_MM)
    straight_on = end + along_mm[:, None] * px_per_mm * ahead
    height, width = smooth.shape
    inside_photo = ((straight_on >= 0) & (straight_on <= (width - 1, height - 1))).all(axis=1)
    size = np.array(outside_mm.shape[::-1])
    column, row = np.clip((straight_on + 0.5) * (size / (width, height)), 0, size - 1).astype(int).T
    out = np.flatnonzero((outside_mm[row, column] > _RIM_MM) & (along_mm > 0))
    seen = round(_SEEN_MM / _STEP_MM)
    if out.size == 0 or along_mm[out[0]] > _REACHES_MM + _RIM_MM or not inside_photo[: out[0] + seen].all():
        return False
    aside_mm = np.arange(-_STRIP_MM - _SIDES_MM, _STRIP_MM + _SIDES_MM + _ASIDE_MM / 2, _ASIDE_MM)
    places = straight_on[:, None] + aside_mm[:, None] * px_per_mm * np.array([-ahead[1], ahead[0]])
    strip = cv2.remap(smooth, places.astype(np.float32), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    darkness = _darkness(log_light(strip))
    stray = round(_STRAY_MM / _ASIDE_MM)
    ways = np.lib.stride_tricks.sliding_window_view(darkness, 2 * stray + 1, axis=1)[:, :: stray + 1]
    before, beyond = slice(0, round(_BEFORE_MM / _STEP_MM)), slice(int(out[0]), int(out[0]) + seen)
    middle = ways.shape[1] // 2
    on_piece = float(np.median(_darkest_way(ways[before, middle])))
    on_mat = [float(np.quantile(_darkest_way(ways[beyond, k]), _INTERRUPTED)) for k in range(ways.shape[1])]
    own = on_mat[middle]
    elsewhere = max(dark for k, dark in enumerate(on_mat) if abs(k - middle) >= 2)
    return on_piece > _LEAST_DARKNESS and own >= _AS_DARK * on_piece and own >= _DARKER_THAN_MAT * elsewhere


def _darkness(logs: NDArray[np.float32]) -> NDArray[np.float32]:
    """How much darker each place of a strip is than both its sides, (n, m) from (n, m and twice the sides)."""
    sides = round(_SIDES_MM / _ASIDE_MM)
    return np.minimum(logs[:, : -2 * sides], logs[:, 2 * sides :]) - logs[:, sides:-sides]


def _darkest_way(darkness: NDArray[np.float32]) -> NDArray[np.float32]:
    """Values along the way through all rows whose sum is largest, bending by one column a row at most."""
    total = darkness[0].copy()
    came_from = np.zeros(darkness.shape, dtype=np.intp)
    columns = np.arange(darkness.shape[1])
    for row in range(1, len(darkness)):
        padded = np.pad(total, 1, constant_values=-np.inf)
        around = np.stack([padded[:-2], padded[1:-1], padded[2:]])
        step = around.argmax(axis=0)
        came_from[row] = columns + step - 1
        total = around[step, columns] + darkness[row]
    column = int(total.argmax())
    way = np.empty(len(darkness), dtype=np.float32)
    for row in range(len(darkness) - 1, -1, -1):
        way[row] = darkness[row, column]
        column = int(came_from[row, column])
    return way

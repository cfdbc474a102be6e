"""Dark lines on a piece: where they run, how long and how wide they are.

A crack is a dark ridge: darker than both sides along a path much longer than wide. The second derivative of
log brightness is measured across twelve directions and averaged along each (an elongated line operator in
the manner of Freeman and Adelson's steerable filters, 1991), so that a faint line adds up while grain does
not. Maxima across the line are kept by hysteresis, thinned to paths, and joined over short gaps by the
cheapest way. Each path is then measured on the full photo: its width is the light missing across it, divided
by the depth of the line, which holds below one pixel (Steger 1998 discusses the bias that this avoids).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.graph import route_through_array
from skimage.morphology import skeletonize

from inspector.imaging.light import log_light
from inspector.imaging.side_by_side import side_by_side

__all__ = ["Hairline", "LineStrength", "find_hairlines", "line_strength", "path_through"]

DIRECTIONS = 12
# Cross-section of the line operator: lines of 0.1 to 0.8 mm, as they come out of the lens. [px of the raster]
SCALES_PX = (1.1, 1.9)
# The operator looks along this much of the line at once.
ALONG_MM = 3.2
# Local strength is compared with what the surface around shows: grain, pits and relief alike.
SURROUNDINGS_MM = 7.0
LONGEST_GAP_MM = 4.0
MOST_PATHS = 40
# One place in so many tells how strong the surface answers as a whole.
SAMPLED_EVERY = 8
# Means along a direction are taken over runs of so many pixels, then over runs of runs.
RUN_PX = 4


@dataclass(frozen=True, slots=True, eq=False)
class LineStrength:
    """How much each place looks like part of a dark line."""

    strength: NDArray[np.float32]  # (h, w) in robust standard deviations of the surface around
    direction: NDArray[np.uint8]  # (h, w) index of the direction along the line, of DIRECTIONS over 180 degrees


@dataclass(frozen=True, slots=True, eq=False)
class Hairline:
    """One dark line."""

    path_xy: NDArray[np.float64]  # (n, 2) px, from end to end
    length_px: float
    strength: float  # mean along the path, in standard deviations
    weakest_fifth: float  # 20th percentile of the strength along the path


def line_strength(gray: NDArray[np.uint8], mask: NDArray[np.uint8], *, px_per_mm: float) -> LineStrength:
    """Response of the elongated dark-line operator.

    Parameters
    ----------
    gray : ndarray, shape (h, w), uint8
    mask : ndarray, shape (h, w), uint8
        255 where lines are looked for; strength is 0 elsewhere.
    px_per_mm : float
    """
    left, top, width, height = cv2.boundingRect(mask)
    around = slice(top, top + height), slice(left, left + width)
    strength = np.zeros(gray.shape, dtype=np.float32)
    whole_direction = np.zeros(gray.shape, dtype=np.uint8)
    if width > 0:
        strength[around], whole_direction[around] = _strength_in(gray[around], mask[around], px_per_mm)
    return LineStrength(strength, whole_direction)


def _strength_in(
    gray: NDArray[np.uint8], mask: NDArray[np.uint8], px_per_mm: float
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    best, direction = _best_direction(log_light(gray), ALONG_MM * px_per_mm / 2)
    inside = (mask > 127).astype(np.float32)
    window = 2 * round(SURROUNDINGS_MM * px_per_mm / 2) + 1
    # Mean absolute value around, capped so that the line itself does not raise its own threshold much.
    some = best[mask > 127][::SAMPLED_EVERY]
    typical = float(np.median(np.abs(some))) if some.size else 1.0
    capped = np.minimum(np.abs(best), 4 * typical) * inside
    covered = cv2.blur(inside, (window, window)) + np.float32(1e-3)
    around = cv2.blur(capped, (window, window)) / covered
    strength = best / (np.float32(1.25) * (np.float32(0.7) * around + np.float32(0.3 * typical)) + np.float32(1e-4))
    return strength * inside, direction


def _best_direction(logs: NDArray[np.float32], half_length: float) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """The strongest answer over all directions, and which it was: in strips, one a thread."""
    height, width = logs.shape
    overlap = int(np.ceil(half_length + 4 * max(SCALES_PX))) + RUN_PX
    best = np.empty(logs.shape, dtype=np.float32)
    direction = np.empty(logs.shape, dtype=np.uint8)

    def look(strip: tuple[int, int]) -> None:
        top, bottom = strip
        above, below = max(0, top - overlap), min(height, bottom + overlap)
        inner = slice(top - above, bottom - above)
        second = [_second_derivatives(logs[above:below], sigma) for sigma in SCALES_PX]
        strongest = np.full((below - above, width), -1e3, dtype=np.float32)
        winner = np.zeros(strongest.shape, dtype=np.uint8)
        for k in range(DIRECTIONS):
            angle = np.pi * k / DIRECTIONS
            c, s = float(np.cos(angle)), float(np.sin(angle))
            # Curvature along the normal (-s, c), at the scale that answers most.
            normal = np.array([[s * s, -2 * s * c, c * c]], dtype=np.float32)
            across = cv2.max(*(cv2.transform(one, normal) for one in second))
            along = _mean_along(across, c, s, half_length)
            cv2.copyTo(np.full_like(winner, k), cv2.compare(along, strongest, cv2.CMP_GT), winner)
            cv2.max(strongest, along, dst=strongest)
        best[top:bottom], direction[top:bottom] = strongest[inner], winner[inner]

    strips = np.linspace(0, height, max(1, min(cv2.getNumThreads(), height // 64)) + 1).astype(int)
    side_by_side(look, pairwise(strips.tolist()))
    return best, direction


def find_hairlines(
    lines: LineStrength, *, px_per_mm: float, low: float, high: float, shortest_mm: float
) -> tuple[Hairline, ...]:
    """Paths of connected line maxima.

    Parameters
    ----------
    lines : LineStrength
        Already reduced where references show the same line.
    px_per_mm : float
    low, high : float
        Hysteresis thresholds, in standard deviations.
    shortest_mm : float
        Paths shorter than this are dropped.
    """
    thick = cv2.morphologyEx(_maxima_across(lines, low), cv2.MORPH_CLOSE, np.ones((3, 3), dtype=np.uint8))
    _, parts, boxes, _ = cv2.connectedComponentsWithStats(thick, connectivity=8)
    short_px = shortest_mm * px_per_mm
    shortest_path = max(6, 0.3 * short_px)
    paths = []
    for number in np.unique(parts[lines.strength >= high]).tolist():
        left, top, width, height, area = boxes[number, :5].tolist()
        if number == 0 or area < shortest_path:
            continue
        part = np.pad(parts[top : top + height, left : left + width] == number, 1)
        path = _longest_path(np.argwhere(skeletonize(part)) + np.array([top - 1, left - 1]))
        if len(path) >= shortest_path:
            paths.append(path)
    found = []
    for path in _joined(paths, lines.strength, LONGEST_GAP_MM * px_per_mm):
        smooth = _smoothed(path[:, ::-1].astype(np.float64))
        length = float(np.linalg.norm(np.diff(smooth, axis=0), axis=1).sum())
        if length < short_px:
            continue
        along = lines.strength[path[:, 0], path[:, 1]]
        found.append(Hairline(smooth, length, float(along.mean()), float(np.percentile(along, 20))))
    return tuple(sorted(found, key=lambda line: -line.length_px * line.strength))


def path_through(region: NDArray[np.bool_], strength: NDArray[np.float32]) -> NDArray[np.float64] | None:
    """The line through an elongated region: from one end of its skeleton to the other, where it is strongest.

    Parameters
    ----------
    region : ndarray, shape (h, w), bool
        One connected part.
    strength : ndarray, shape (h, w), float32
        Of the line, as `line_strength` gives it.

    Returns
    -------
    ndarray, shape (n, 2), or None
        Points in px from end to end; None where the region has no length.
    """
    spine = np.argwhere(skeletonize(region))
    if len(spine) < 2:
        return None
    ends = _longest_path(spine)[[0, -1]]
    cost = np.where(region, 1.0 / (0.3 + np.clip(strength, 0, 5)), 20.0)
    way, _ = route_through_array(cost, ends[0], ends[1], fully_connected=True, geometric=True)
    return _smoothed(np.array(way, dtype=np.float64)[:, ::-1])


def _second_derivatives(logs: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """xx, xy and yy derivatives at one scale, weighted so that a line of that width answers alike at each."""
    smooth = cv2.GaussianBlur(logs, (0, 0), sigma)
    gain = sigma**1.5 / 4
    xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3, scale=gain)
    xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3, scale=gain)
    yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3, scale=gain)
    return cv2.merge([xx, xy, yy])


def _mean_along(image: NDArray[np.float32], c: float, s: float, half_length: float) -> NDArray[np.float32]:
    """Mean along a direction, from places on whole pixels: short runs first, then runs of runs."""
    runs = max(1, round(2 * half_length / RUN_PX))
    reach = int(np.ceil(half_length)) + RUN_PX
    height, width = image.shape
    padded = cv2.copyMakeBorder(image, reach, reach, reach, reach, cv2.BORDER_REFLECT)
    inner = reach - RUN_PX
    short = _added(padded, RUN_PX, 1.0, c, s, RUN_PX, (height + 2 * inner, width + 2 * inner))
    total = _added(short, runs, float(RUN_PX), c, s, inner, (height, width))
    return np.asarray(cv2.multiply(total, 1 / (RUN_PX * runs)))


def _added(
    image: NDArray[np.float32], count: int, step: float, c: float, s: float, margin: int, shape: tuple[int, int]
) -> NDArray[np.float32]:
    """The sum of so many copies, each a step along a direction from the last, less a margin."""
    total: NDArray[np.float32] | None = None
    for t in range(count):
        offset = (t - (count - 1) / 2) * step
        dx, dy = round(offset * c), round(offset * s)
        part = image[margin + dy : margin + dy + shape[0], margin + dx : margin + dx + shape[1]]
        total = part.copy() if total is None else cv2.add(total, part, dst=total)
    assert total is not None
    return total


def _maxima_across(lines: LineStrength, low: float) -> NDArray[np.uint8]:
    """1 at places stronger than ``low`` and at least as strong as both neighbours across their line."""
    normal = np.pi * np.arange(DIRECTIONS) / DIRECTIONS + np.pi / 2
    right, down = np.round(np.cos(normal)).astype(int), np.round(np.sin(normal)).astype(int)
    padded = cv2.copyMakeBorder(lines.strength, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    rows, columns = np.divmod(np.flatnonzero(lines.strength > low), lines.strength.shape[1])
    across = lines.direction[rows, columns]
    here = lines.strength[rows, columns]
    one, other = (padded[rows + 1 + k * down[across], columns + 1 + k * right[across]] for k in (1, -1))
    peak = (here >= one) & (here >= other)
    maxima = np.zeros(lines.strength.shape, dtype=np.uint8)
    maxima[rows[peak], columns[peak]] = 1
    return maxima


def _longest_path(coords_rc: NDArray[np.intp]) -> NDArray[np.intp]:
    """The longest way through a skeleton, by two sweeps of nearest-neighbour steps over its graph."""
    index = {(int(r), int(c)): i for i, (r, c) in enumerate(coords_rc)}
    neighbours: list[list[int]] = []
    for r, c in index:
        around = [(r + dr, c + dc) for dr in (-1, 0, 1) for dc in (-1, 0, 1) if dr or dc]
        neighbours.append([index[p] for p in around if p in index])
    far, _ = _sweep(neighbours, 0)
    end, parents = _sweep(neighbours, far)
    path = [end]
    while parents[path[-1]] >= 0:
        path.append(parents[path[-1]])
    return coords_rc[path]


def _sweep(neighbours: list[list[int]], start: int) -> tuple[int, list[int]]:
    """Breadth first: the last point reached, and each point's parent."""
    parents = [-2] * len(neighbours)
    parents[start] = -1
    queue, last = [start], start
    for here in queue:
        last = here
        for other in neighbours[here]:
            if parents[other] == -2:
                parents[other] = here
                queue.append(other)
    return last, parents


def _joined(
    paths: list[NDArray[np.intp]], strength: NDArray[np.float32], longest_gap_px: float
) -> list[NDArray[np.intp]]:
    """Paths whose ends face each other over a short gap become one, along the cheapest way between them."""
    pool = sorted(paths, key=len, reverse=True)[:MOST_PATHS]
    while True:
        pair = _nearest_pair(pool, longest_gap_px)
        if pair is None:
            return pool
        first, second, used = pair
        bridge = _cheapest_way(strength, first[-1], second[0])
        whole = np.vstack([first, bridge[1:-1], second])
        pool = [path for k, path in enumerate(pool) if k not in used] + [whole]


def _nearest_pair(
    pool: list[NDArray[np.intp]], longest_gap_px: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], tuple[int, int]] | None:
    """The two paths with the shortest gap between ends that face each other, turned so that one leads to the other."""
    if len(pool) < 2:
        return None
    ends = np.array([end for path in pool for end in (path[0], path[-1])], dtype=float)  # two a path
    gaps = np.hypot(*(ends[:, None] - ends[None]).transpose(2, 0, 1))
    near = np.argwhere((gaps <= longest_gap_px) & (np.arange(len(ends))[:, None] < np.arange(len(ends))[None]))
    for a, b in sorted(near.tolist(), key=lambda ab: float(gaps[ab[0], ab[1]])):
        i, j = a // 2, b // 2
        if i == j:
            continue
        first = pool[i] if a % 2 else pool[i][::-1]  # has to end at end a
        second = pool[j][::-1] if b % 2 else pool[j]  # has to start at end b
        if _face_each_other(first, second):
            return first, second, (i, j)
    return None


def _face_each_other(first: NDArray[np.intp], second: NDArray[np.intp]) -> bool:
    """Whether the end of one path and the start of the next point at each other, within about 50 degrees."""
    jump = (second[0] - first[-1]).astype(float)
    gap = float(np.hypot(*jump))
    if gap < 1.5:
        return True
    reach = 8
    out = (first[-1] - first[max(0, len(first) - 1 - reach)]).astype(float)
    onward = (second[min(len(second) - 1, reach)] - second[0]).astype(float)
    for heading in (out, onward):
        size = float(np.hypot(*heading))
        if size == 0 or float(heading @ jump) / (size * gap) < 0.6:
            return False
    return True


def _cheapest_way(strength: NDArray[np.float32], start: NDArray[np.intp], end: NDArray[np.intp]) -> NDArray[np.intp]:
    low = np.maximum(np.minimum(start, end) - 4, 0)
    high = np.minimum(np.maximum(start, end) + 5, strength.shape)
    cost = 1.0 / (0.3 + np.clip(strength[low[0] : high[0], low[1] : high[1]], 0, 5))
    way, _ = route_through_array(cost, tuple(start - low), tuple(end - low), fully_connected=True, geometric=True)
    return np.asarray(way, dtype=np.intp) + low


def _smoothed(path_xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """A pixel staircase as a line: five-point mean, ends kept."""
    if len(path_xy) < 7:
        return path_xy
    padded = np.pad(path_xy, ((2, 2), (0, 0)), mode="edge")
    smooth = np.mean([padded[k : k + len(path_xy)] for k in range(5)], axis=0)
    smooth[[0, -1]] = path_xy[[0, -1]]
    return np.asarray(smooth)

"""Which part of a frame is the piece, judged from the photo alone.

Concrete and paper can have the same brightness, and a shadow on paper can be as dark as concrete. Three cues
tell them apart: brightness against the mat's own light (a smooth surface fitted to the free rim of the mat),
colour against the mat's, and fine texture, which a shadow does not have. Where the mat carries the known
print, its local correlation with what is seen replaces the texture. Seeds from these cues start GrabCut
(Rother, Kolmogorov and Blake 2004), which settles what they leave open.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.imaging.light import log_light
from inspector.imaging.mat import Paper
from inspector.imaging.rectifying import Frame
from inspector.imaging.side_by_side import both
from inspector.imaging.speckle import LOWER_STRIP_MM, speckle_dots

__all__ = ["SurfaceCues", "main_part", "outline_of", "segment_piece", "surface_cues"]

# About 20 of 255, where noise takes over.
DARKEST_LIGHT = 0.004
# Rim of the frame that is taken to show only mat (or only background).
RIM_ON_MAT_MM = 8.0
RIM_WITHOUT_MAT_MM = 9.0
MARKER_SQUARE_MM = 28.0
# Ruler and cautions stand in the lowest part of the mat, between the markers.
STRIP_MM = 12.0
# Windows of the cues: a few grains wide, a few dots of the print wide.
TEXTURE_WINDOW_MM = 2.6
TEXTURE_DETAIL_MM = 0.35
PRINT_WINDOW_MM = 0.9
# A print is there when at least this part of the rim agrees with it at 0.6 or better.
PRINT_SEEN_FRACTION = 0.35
SEGMENT_PX_PER_MM = 2.0
GRABCUT_ROUNDS = 3
SMALLEST_PIECE_MM2 = 300.0
# A looser candidate has to lie this much better on edges than a stricter one.
CLEARLY_BETTER = 1.05
NEARLY_AS_GOOD = 0.6
# Shadows seldom double a piece: a candidate smaller than this part of the largest is taken for a part of it.
LEAST_OF_WHOLE = 0.75


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceCues:
    """What each place of a frame looks like, compared with the mat (or background) around the piece."""

    tone: NDArray[np.float32]  # log of the brightness over the mat's there; 0 on lit mat
    hue: NDArray[np.float32]  # log of red over blue, less the mat's
    texture: NDArray[
        np.float32
    ]  # log of fine contrast over the mat's; with a seen print: 2 where mat hides, 0 where seen
    rim: NDArray[np.bool_]  # what the cues were taken from
    blocked: NDArray[np.bool_]  # markers and the printed strip of the mat: no piece is looked for there
    tone_spread: float  # robust standard deviation of tone on the rim
    hue_spread: float
    texture_spread: float
    print_seen: bool
    on_mat: bool


def surface_cues(frame_bgr: NDArray[np.uint8], frame: Frame) -> SurfaceCues:
    """Brightness, colour and texture of a rectified photo against those of its rim.

    Parameters
    ----------
    frame_bgr : ndarray, shape (h, w, 3), uint8
        The photo on ``frame``.
    frame : Frame
    """
    px_per_mm = frame.px_per_mm
    rim = _rim(frame)
    on_rim = np.flatnonzero(rim)
    gray = cv2.cvtColor(frame_bgr, cv2.COLOR_BGR2GRAY)
    agreement, (tone, tone_spread, hue) = both(
        lambda: _print_agreement(gray, frame, on_rim), lambda: _tone_and_hue(frame_bgr, on_rim)
    )
    if agreement is not None:
        print_seen, texture_spread = True, 0.2
        tone = cv2.blur(tone, (2 * round(0.8 * px_per_mm) + 1,) * 2)
        tone_spread = _spread(tone.ravel()[on_rim])
        texture = np.subtract(0.75, agreement, out=agreement)
        texture /= 0.5
        np.clip(texture, 0, 1, out=texture)
        texture *= 2.0
        undotted = _without_dots(frame)
        if undotted.any():
            # The strip with ruler and cautions has no dots: what differs from its white there counts as piece.
            white = float(np.median(tone[undotted]))
            texture[undotted] = np.where(np.abs(tone[undotted] - white) > max(0.12, 4 * tone_spread), 2.0, 0.0)
    else:
        texture = _fine_contrast(gray, px_per_mm)
        texture = texture - np.float32(np.median(texture[rim]))
        print_seen, texture_spread = False, _spread(texture[rim])
    return SurfaceCues(
        tone,
        hue,
        texture,
        rim,
        _blocked(frame),
        tone_spread,
        _spread(hue.ravel()[on_rim]),
        texture_spread,
        print_seen,
        frame.mat_from_frame is not None,
    )


def segment_piece(cues: SurfaceCues, *, px_per_mm: float, thorough: bool = True) -> NDArray[np.uint8]:
    """The piece in a frame.

    Parameters
    ----------
    cues : SurfaceCues
    px_per_mm : float
        Scale of the frame.
    thorough : bool
        Whether GrabCut may take its time. Without, the mask will do to find the piece, not to measure it.

    Returns
    -------
    ndarray, shape (h, w), uint8
        255 on the piece; all 0 when none is found.
    """
    shape = cues.tone.shape
    size = (
        max(1, round(shape[1] * SEGMENT_PX_PER_MM / px_per_mm)),
        max(1, round(shape[0] * SEGMENT_PX_PER_MM / px_per_mm)),
    )
    tone, hue, texture = (
        cv2.resize(c, size, interpolation=cv2.INTER_AREA) for c in (cues.tone, cues.hue, cues.texture)
    )
    rim = cv2.resize(cues.rim.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    outside = cv2.resize(cues.blocked.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0

    blank = outside | rim
    candidates = _candidates(tone, hue, texture, blank, cues, thorough)
    parts = [_main_part(_fill_small_holes(_open(candidate & ~outside, 0.6)), outside) for candidate in candidates]
    parts = [part for part in parts if part.sum() >= SMALLEST_PIECE_MM2 * SEGMENT_PX_PER_MM**2]
    piece = parts[0] if parts else np.zeros((size[1], size[0]), dtype=bool)
    if len(parts) > 1:
        piece = _best_part(parts, cv2.resize(_edge_contrast(cues), size, interpolation=cv2.INTER_AREA))
    full = cv2.resize(piece.astype(np.uint8) * 255, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.threshold(full, 127, 255, cv2.THRESH_BINARY)[1])


def main_part(seen: NDArray[np.bool_], outside: NDArray[np.bool_], *, px_per_mm: float) -> NDArray[np.uint8] | None:
    """The largest part of what may be the piece, 255 on it; None where nothing is as large as a piece.

    Parameters
    ----------
    seen : ndarray, shape (h, w), bool
    outside : ndarray, shape (h, w), bool
        Where no piece is looked for.
    px_per_mm : float
    """
    size = tuple(max(1, round(length * SEGMENT_PX_PER_MM / px_per_mm)) for length in seen.shape[::-1])
    small, never = (
        cv2.resize(one.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0 for one in (seen, outside)
    )
    part = _main_part(_open(small & ~never, 0.6), never)
    if part.sum() < SMALLEST_PIECE_MM2 * SEGMENT_PX_PER_MM**2:
        return None
    # Its outline is told at full scale, where opening took off thin ends, too.
    near = cv2.resize(cv2.dilate(part.astype(np.uint8), _disc(0.6)), seen.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return np.where(seen & ~outside & (near > 0), 255, 0).astype(np.uint8)


def _best_part(parts: list[NDArray[np.bool_]], edges: NDArray[np.float32]) -> NDArray[np.bool_]:
    """The candidate whose outline lies best on edges, unless it is only a part of one that does nearly as well."""
    scores = [_on_edges(part, edges) for part in parts]
    areas = [float(part.sum()) for part in parts]
    whole = max(area for area, score in zip(areas, scores, strict=True) if score >= NEARLY_AS_GOOD * max(scores))
    best, best_score = parts[0], 0.0
    for part, area, score in zip(parts, areas, scores, strict=True):
        complete = min(1.0, area / (LEAST_OF_WHOLE * whole))
        if score * complete > best_score * CLEARLY_BETTER:
            best, best_score = part, score * complete
    return best


def _candidates(
    tone: NDArray[np.float32],
    hue: NDArray[np.float32],
    texture: NDArray[np.float32],
    blank: NDArray[np.bool_],
    cues: SurfaceCues,
    thorough: bool,
) -> list[NDArray[np.bool_]]:
    """What the piece may be, from the strictest view of shadows to the loosest."""
    if cues.print_seen:
        return [_close((texture > 1.0) & ~blank, 0.8)]
    rough = texture > max(0.35, 4 * cues.texture_spread)
    coloured = np.abs(hue) > max(0.12, 4 * cues.hue_spread)
    off_tone = (np.abs(tone) > max(0.10, 4 * cues.tone_spread)) & ~blank
    bright = tone > max(0.12, 5 * cues.tone_spread)  # brighter than lit mat: no shadow does that
    seeds = (rough | coloured | bright) & (off_tone | rough) & ~blank
    candidates = []
    closed = _fill_holes(_close(seeds, 1.5))
    if closed.sum() > SMALLEST_PIECE_MM2 * SEGMENT_PX_PER_MM**2 / 3:
        if thorough:
            candidates.append(_grab(tone, hue, texture, closed, off_tone, blank, cues))
        # Smooth parts of the piece have the tone of its rough parts.
        core = tone[seeds & off_tone]
        if core.size > 50:
            middle, spread = float(np.median(core)), max(0.08, _spread(core))
            like = off_tone & (np.abs(tone - middle) < 2.5 * spread)
            candidates.append(_close(like | (seeds & off_tone), 0.6))
    if cues.on_mat:
        # Darker than lit mat by more and more: soft shadows fade out before the piece does.
        candidates.extend(
            _close((np.abs(tone) > darker) & ~blank, 0.6)
            for darker in (0.6, 0.45, 0.32, 0.22)
            if darker > 6 * cues.tone_spread
        )
        candidates.append(_close(off_tone | (rough & ~blank), 0.6))
        return candidates
    strange = _unlike_rim(tone, hue, texture, blank)
    if strange.any():
        if thorough:
            candidates.append(_close(_grab(tone, hue, texture, strange, off_tone, blank, cues), 0.6))
        candidates.append(_fill_holes(_close(strange, 1.5)))
    return candidates


def _unlike_rim(
    tone: NDArray[np.float32], hue: NDArray[np.float32], texture: NDArray[np.float32], rim: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Places of a look that a textured background (wood, cloth) does not have on its rim."""
    code = np.zeros(tone.shape, dtype=np.int32)
    for cue in (tone, hue, texture):
        low, high = np.percentile(cue[rim], [1, 99])
        width = max(float(high - low), 0.05) / 5
        code = code * 12 + np.clip((cue - low) / width + 3, 0, 11).astype(np.int32)
    histogram = np.bincount(code[rim], minlength=12**3).astype(np.float32).reshape(12, 12, 12)
    for axis in range(3):
        histogram = 0.25 * np.roll(histogram, 1, axis) + 0.5 * histogram + 0.25 * np.roll(histogram, -1, axis)
    seen = (histogram / histogram.sum()).ravel()[code]
    unlike = cv2.blur((seen < 5e-4).astype(np.float32), (7, 7)) > 0.6
    return unlike & ~rim


def _edge_contrast(cues: SurfaceCues) -> NDArray[np.float32]:
    """How steep brightness is at each place, log units a pixel of the frame, the best within a pixel or two."""
    smooth = cv2.GaussianBlur(cues.tone, (0, 0), 1.0)
    slope = cv2.magnitude(
        cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / 32), cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / 32)
    )
    return np.asarray(cv2.dilate(np.minimum(slope, 0.25), np.ones((5, 5), dtype=np.uint8)))


def _on_edges(mask: NDArray[np.bool_], edges: NDArray[np.float32]) -> float:
    """Mean edge contrast along the outline of a mask."""
    ring = mask & ~(cv2.erode(mask.astype(np.uint8), np.ones((3, 3), dtype=np.uint8)) > 0)
    return float(edges[ring].mean()) if ring.any() else 0.0


def outline_of(mask: NDArray[np.uint8]) -> NDArray[np.float64]:
    """The longest outline of a mask, shape (n, 2), x and y in pixels; empty for an empty mask."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return np.zeros((0, 2))
    return np.asarray(max(contours, key=cv2.contourArea), dtype=np.float64).reshape(-1, 2)


def _rim(frame: Frame) -> NDArray[np.bool_]:
    width, height = frame.size_px
    on_mat = frame.mat_from_frame is not None
    band = round((RIM_ON_MAT_MM if on_mat else RIM_WITHOUT_MAT_MM) * frame.px_per_mm)
    rim = np.zeros((height, width), dtype=bool)
    rim[:band] = rim[-band:] = True
    rim[:, :band] = rim[:, -band:] = True
    if on_mat:
        rim &= ~_corner_squares((height, width), round(MARKER_SQUARE_MM * frame.px_per_mm))
        rim[-band:] = False  # ruler and cautions stand there
    return rim


def _corner_squares(shape: tuple[int, int], side: int) -> NDArray[np.bool_]:
    corners = np.zeros(shape, dtype=bool)
    for rows in (slice(0, side), slice(shape[0] - side, shape[0])):
        for columns in (slice(0, side), slice(shape[1] - side, shape[1])):
            corners[rows, columns] = True
    return corners


def _blocked(frame: Frame) -> NDArray[np.bool_]:
    """Markers and the printed strip at the lower edge of a mat; nothing without one."""
    width, height = frame.size_px
    if frame.mat_from_frame is None:
        return np.zeros((height, width), dtype=bool)
    blocked = _corner_squares((height, width), round(MARKER_SQUARE_MM * frame.px_per_mm))
    blocked[-round(STRIP_MM * frame.px_per_mm) :] = True
    return blocked


def _tone_and_hue(
    frame_bgr: NDArray[np.uint8], on_rim: NDArray[np.intp]
) -> tuple[NDArray[np.float32], float, NDArray[np.float32]]:
    """Tone with its spread on the rim, and hue, as `SurfaceCues` has them; the rim as places row after row."""
    logs = log_light(cv2.blur(frame_bgr, (3, 3)), darkest=DARKEST_LIGHT)
    brightness = cv2.transform(logs, np.full((1, 3), 1 / 3, dtype=np.float32))
    tone, tone_spread = _against_smooth_light(brightness, on_rim)
    hue = cv2.blur(logs[..., 2] - logs[..., 0], (5, 5))
    hue -= np.float32(np.median(hue.ravel()[on_rim[::8]]))
    return tone, tone_spread, hue


def _against_smooth_light(
    brightness: NDArray[np.float32], on_rim: NDArray[np.intp]
) -> tuple[NDArray[np.float32], float]:
    """Brightness less a second-order surface fitted robustly to the rim (Tukey's biweight)."""
    height, width = brightness.shape
    ys, xs = np.divmod(on_rim[:: max(1, on_rim.size // 20000)], width)
    terms = _quadratic_terms((xs / width - 0.5).astype(np.float32), (ys / height - 0.5).astype(np.float32))
    exact = terms.astype(np.float64)
    target = brightness[ys, xs]
    weight = np.ones(target.shape, dtype=np.float32)
    coefficients: NDArray[np.floating] = np.zeros(6)
    for _ in range(8):
        weighted = (terms * (weight**2)[:, None]).T.astype(np.float64)
        coefficients = np.linalg.solve(weighted @ exact + 1e-9 * np.eye(6), weighted @ target)
        error = target - exact @ coefficients
        weight = np.clip(1 - (error / (3 * _spread(error) + 0.01)) ** 2, 0, 1).astype(np.float32)
    # The surface is smooth: one place in eight each way says it all.
    y, x = np.mgrid[0 : height // 8 + 2, 0 : width // 8 + 2].astype(np.float32) * 8
    small = _quadratic_terms(x / width - 0.5, y / height - 0.5) @ coefficients.astype(np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    surface = cv2.warpAffine(small, np.array([[1 / 8, 0, 0], [0, 1 / 8, 0]]), (width, height), flags=flags)
    return np.subtract(brightness, surface, out=surface), _spread(target - exact @ coefficients)


def _quadratic_terms(x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def _spread(values: NDArray[np.floating]) -> float:
    """Robust standard deviation: 1.4826 times the median absolute deviation, of 20,000 values at most."""
    some = values[:: max(1, values.size // 20000)]
    return float(1.4826 * np.median(np.abs(some - np.median(some))))


def _fine_contrast(gray: NDArray[np.uint8], px_per_mm: float) -> NDArray[np.float32]:
    """Log of the local median of the fine detail: a median, so that a lone edge does not count as texture."""
    detail = cv2.absdiff(gray, cv2.GaussianBlur(gray, (0, 0), TEXTURE_DETAIL_MM * px_per_mm))
    strong = cv2.convertScaleAbs(detail, alpha=8)
    window = 2 * round(TEXTURE_WINDOW_MM * px_per_mm / 2) + 1
    typical = cv2.medianBlur(strong, window)
    # A strong edge still reaches across half a window: what is narrower than the window is taken away.
    typical = cv2.morphologyEx(typical, cv2.MORPH_OPEN, np.ones((window, window), dtype=np.uint8))
    typical = cv2.blur(typical, (5, 5)).astype(np.float32)
    return np.log(typical + 3.0).astype(np.float32)


def _print_agreement(gray: NDArray[np.uint8], frame: Frame, on_rim: NDArray[np.intp]) -> NDArray[np.float32] | None:
    """Local correlation of the photo with the print that should be seen there; None where no print is seen."""
    if frame.mat_from_frame is None:
        return None
    paper: Paper = "A4" if frame.size_px[0] / frame.px_per_mm < 340 else "A3"
    printed = _windowed_print(paper, frame.size_px, frame.px_per_mm, tuple(frame.mat_from_frame.ravel().tolist()))
    sigma_px = printed.band.sigma_px
    top = _local_correlation(_windowed(gray[: len(printed.band.values)], sigma_px), printed.band)
    if np.mean(top.ravel()[on_rim[on_rim < top.size]] > 0.5) < PRINT_SEEN_FRACTION / 2:
        return None
    # Paper curls: the print may lie a pixel off where the markers put it.
    photo = _windowed(gray, sigma_px)
    best = _local_correlation(photo, printed.moved(0, 0))
    for move in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        cv2.max(best, _local_correlation(photo, printed.moved(*move)), dst=best)
    return best if np.mean(best.ravel()[on_rim] > 0.6) > PRINT_SEEN_FRACTION else None


def _without_dots(frame: Frame) -> NDArray[np.bool_]:
    """The strip between the lower markers."""
    assert frame.mat_from_frame is not None
    width, height = frame.size_px
    undotted = np.zeros((height, width), dtype=bool)
    undotted[-round((LOWER_STRIP_MM + 1.0) * frame.px_per_mm) :] = True
    return undotted & ~_corner_squares((height, width), round(MARKER_SQUARE_MM * frame.px_per_mm))


def _expected_print(
    paper: Paper, size_px: tuple[int, int], px_per_mm: float, mat_from_frame: NDArray[np.float64]
) -> NDArray[np.float32]:
    """The known dots on a frame, each a blob as wide as a dot seen through a lens; 0 on white."""
    dots = speckle_dots(paper)
    places = cv2.perspectiveTransform(dots.centres_xy_mm[None], np.linalg.inv(mat_from_frame))[0]
    width, height = size_px
    area = dots.diameters_mm**2
    corner = np.floor(places).astype(int)
    part = places - corner
    inside = (corner >= 0).all(axis=1) & (corner < (width - 1, height - 1)).all(axis=1)
    (x, y), (right, down), area = corner[inside].T, part[inside].T, area[inside]
    at = y * width + x
    places = np.concatenate([at, at + 1, at + width, at + width + 1])
    shares = np.concatenate([(1 - right) * (1 - down), right * (1 - down), (1 - right) * down, right * down])
    ink = np.bincount(places, shares * np.tile(area, 4), width * height)
    blurred = cv2.GaussianBlur(ink.reshape(height, width).astype(np.float32), (0, 0), 0.25 * px_per_mm)
    return np.asarray(blurred * np.float32(-1000))


@dataclass(frozen=True, slots=True, eq=False)
class _Windowed:
    """A picture with its mean and the inverse of its spread in Gaussian windows."""

    values: NDArray[np.float32]
    mean: NDArray[np.float32]
    sharpness: NDArray[np.float32]
    sigma_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _WindowedPrint:
    """The print that a frame should show, in the windows that it is looked for in; never written to."""

    band: _Windowed  # by itself along the upper rim, where it is looked for first
    widened: _Windowed  # the whole frame, repeated one pixel beyond its edges

    def moved(self, dy: int, dx: int) -> _Windowed:
        """The whole frame, shifted by a pixel at most."""
        height, width = self.widened.values.shape
        rows, columns = slice(1 - dy, height - 1 - dy), slice(1 - dx, width - 1 - dx)
        values, mean, sharpness = (
            one[rows, columns] for one in (self.widened.values, self.widened.mean, self.widened.sharpness)
        )
        return _Windowed(values, mean, sharpness, self.widened.sigma_px)


@lru_cache(maxsize=2)  # every photo of a mat is laid onto the same frame: one of A4, one of A3
def _windowed_print(
    paper: Paper, size_px: tuple[int, int], px_per_mm: float, mat_from_frame: tuple[float, ...]
) -> _WindowedPrint:
    expected = _expected_print(paper, size_px, px_per_mm, np.array(mat_from_frame).reshape(3, 3))
    sigma_px = PRINT_WINDOW_MM * px_per_mm
    whole = _windowed(expected, sigma_px)
    values, mean, sharpness = (
        cv2.copyMakeBorder(one, 1, 1, 1, 1, cv2.BORDER_REPLICATE) for one in (whole.values, whole.mean, whole.sharpness)
    )
    band = round(2 * RIM_ON_MAT_MM * px_per_mm)
    return _WindowedPrint(_windowed(expected[:band], sigma_px), _Windowed(values, mean, sharpness, sigma_px))


def _windowed(image: NDArray[np.uint8] | NDArray[np.float32], sigma_px: float) -> _Windowed:
    values = image.astype(np.float32)
    mean = _mean_around(values, sigma_px)
    squares = values * values
    spread = _mean_around(squares, sigma_px)
    spread -= np.multiply(mean, mean, out=squares)
    np.maximum(spread, 0, out=spread)
    spread += np.float32(1)
    np.sqrt(spread, out=spread)
    return _Windowed(values, mean, np.divide(1, spread, out=spread), sigma_px)


def _local_correlation(first: _Windowed, second: _Windowed) -> NDArray[np.float32]:
    """Pearson's correlation in Gaussian windows."""
    product = first.values * second.values
    together = _mean_around(product, first.sigma_px)
    together -= np.multiply(first.mean, second.mean, out=product)
    together *= first.sharpness
    together *= second.sharpness
    return together


def _mean_around(image: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    side = 2 * int(np.ceil(2.5 * sigma_px)) + 1
    return np.asarray(cv2.GaussianBlur(image, (side, side), sigma_px))


def _grab(
    tone: NDArray[np.float32],
    hue: NDArray[np.float32],
    texture: NDArray[np.float32],
    likely: NDArray[np.bool_],
    off_tone: NDArray[np.bool_],
    never: NDArray[np.bool_],
    cues: SurfaceCues,
) -> NDArray[np.bool_]:
    """GrabCut on the three cues as channels, inside the box around what may be piece."""
    channels = np.stack(
        [
            np.clip(128 + 70 * tone, 0, 255),
            np.clip(128 + 250 * hue, 0, 255),
            np.clip(60 + 70 * texture, 0, 255),
        ],
        axis=-1,
    ).astype(np.uint8)
    seeds = np.where(likely, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    core = cv2.erode(likely.astype(np.uint8), _disc(3.0)) > 0
    seeds[core] = cv2.GC_FGD if cues.print_seen else cv2.GC_PR_FGD
    seeds[never] = cv2.GC_BGD
    ys, xs = np.nonzero(likely | (off_tone & ~never))
    margin = round(12 * SEGMENT_PX_PER_MM)
    rows = slice(max(0, ys.min() - margin), ys.max() + margin)
    columns = slice(max(0, xs.min() - margin), xs.max() + margin)
    part = np.ascontiguousarray(seeds[rows, columns])
    if not np.any((part == cv2.GC_BGD) | (part == cv2.GC_PR_BGD)):
        return likely
    background, foreground = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.setRNGSeed(1)  # GrabCut starts with k-means
    cv2.grabCut(
        np.ascontiguousarray(channels[rows, columns]),
        part,
        None,
        background,
        foreground,
        GRABCUT_ROUNDS,
        cv2.GC_INIT_WITH_MASK,
    )
    mask = np.zeros(tone.shape, dtype=bool)
    mask[rows, columns] = (part == cv2.GC_FGD) | (part == cv2.GC_PR_FGD)
    if mask.sum() < 0.3 * likely.sum():
        return likely
    return mask


def _main_part(mask: NDArray[np.bool_], outside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The largest part, with what lies within 3 mm of it (a dark line can cut a piece in two)."""
    joined = cv2.dilate(mask.astype(np.uint8), _disc(1.5))
    count, labels = cv2.connectedComponents(joined)
    if count < 2:
        return mask
    areas = np.bincount(labels[mask & ~outside], minlength=count)
    areas[0] = 0
    return mask & (labels == int(np.argmax(areas)))


def _disc(radius_mm: float) -> NDArray[np.uint8]:
    radius = max(1, round(radius_mm * SEGMENT_PX_PER_MM))
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)))


def _close(mask: NDArray[np.bool_], radius_mm: float) -> NDArray[np.bool_]:
    return cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, _disc(radius_mm)) > 0


def _open(mask: NDArray[np.bool_], radius_mm: float) -> NDArray[np.bool_]:
    return cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, _disc(radius_mm)) > 0


def _fill_small_holes(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Holes of less than 60 mm2 are relief in shade; larger ones show the mat."""
    holes = _fill_holes(mask) & ~mask
    count, labels, stats, _ = cv2.connectedComponentsWithStats(holes.astype(np.uint8), connectivity=4)
    small = np.array([stats[k, cv2.CC_STAT_AREA] < 60 * SEGMENT_PX_PER_MM**2 for k in range(count)])
    small[0] = False
    return mask | small[labels]


def _fill_holes(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Everything that cannot be reached from the frame's edge without crossing the mask."""
    padded = np.pad(mask.astype(np.uint8), 1)
    flood = padded.copy()
    cv2.floodFill(flood, None, (0, 0), 1)
    return (padded > 0)[1:-1, 1:-1] | (flood == 0)[1:-1, 1:-1]

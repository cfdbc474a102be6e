"""Where each point of a reference lies in a photo, once the plane move is known.

On a grid of control points, patches of the reference are searched for in the photo, all shifts within reach, by
features that stay alike when the light moves (``aligning.likeness``). All patches together vote for one turn, shift and
change of size (the camera was nearer or farther): the one that their scores add up best for, as in a Hough transform
(Duda and Hart 1972), since a shadow misleads many patches, but not all in the same way. What is left is height: every
height shifts by its own amount when the camera moves, along a line that the mat tells (``aligning.parallax``). So each
place is free only along its line, and takes the height that the patches around it agree on best, as in stereo
(Scharstein and Szeliski 2002). Several references together tell the heights of a mold once (`estimate_heights`): a
later photo starts from these, and leaves them where it shows something else. Without a mat each place may go a little
way to any side.

Neither closes over a broken-off feature: patches on what is missing find nothing like themselves and have little say,
and heights change gently from place to place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from inspector.aligning.likeness import LIKENESS_PX_PER_MM, likeness_features
from inspector.aligning.parallax import Eye, shift_by_height
from inspector.imaging.side_by_side import side_by_side

__all__ = ["Heights", "Sighted", "Warp", "estimate_heights", "moved_rigidly", "refine_warp"]


@dataclass(frozen=True, slots=True)
class _Level:
    """One pass of the search, coarse to fine."""

    px_per_mm: float
    step_mm: float  # between control points
    patch_mm: float
    reach_mm: float


# Chosen on the tuning split by tests/benchmarks/alignment.py: the first bridges what the plane move leaves and the
# parallax of a hand-held camera; the next settles to a fraction of a millimetre.
_COARSE = _Level(1.0, 8.0, 20.0, 10.0)
_FINE = _Level(2.0, 6.0, 16.0, 4.0)
# Turns and changes of size that the vote starts from where the search is wide, and how far any goes.
_TURNS_DEG, _GROWTHS, _FARTHEST = (-2.0, -1.0, 0.0, 1.0, 2.0), (-0.025, 0.0, 0.025), 0.07
_WIDE_MM = 5.0
# As many of the clearest control points are asked which start is best.
_ASKED_FIRST = 100
# The outline may be that of a shadow: patches are cut from what lies this far inside it.
_INSIDE_MM = 1.0
# A patch that has less of the piece in it, or shows next to nothing, is not searched for.
_LEAST_AREA, _LEAST_VARIANCE = 0.2, 1e-3
# Heights above and below what all voted for that are tried, and what each squared mm of it costs in score.
_HEIGHTS_MM = np.arange(-30.0, 30.1, 1.5, dtype=np.float32)[:, None]
_HEIGHT_COST = 0.0002
# Where the heights of the mold are known, what lies beyond them costs so much more as photos that look along lines far
# apart have told them more firmly: so much for each squared mm that a mm of height shifts.
_FIRMNESS = 0.04
# What heights cost while they are not known yet.
_UNKNOWN_COST = 0.0005
# Votes and heights of several photos are found in turns.
_ROUNDS = 3
# Where the cameras are not known: the same for shifts to any side.
_ASIDE_MM = np.stack(np.meshgrid(*(np.arange(-2.0, 2.1, 0.25, dtype=np.float32),) * 2), axis=-1).reshape(-1, 2)
_ASIDE_COST = 0.03
# How cameras of which nobody knows may lean apart: shifts for a mm of height.
_LEANS = np.stack(np.meshgrid(*(np.arange(-0.4, 0.41, 0.08, dtype=np.float32),) * 2), axis=-1).reshape(-1, 2)
# Scores are added up over so much around each place, weighed against each other as sharply, and what comes of it
# carries as far again.
_AROUND_MM, _SHARPNESS, _CARRIES_MM = 4.0, 60.0, 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Warp:
    """A dense map from a box of the reference's frame to the photo's frame."""

    photo_xy: NDArray[np.float32]  # (height, width, 2) where each pixel of the box lies in the photo's frame
    agreement: float  # mean agreement of the control patches, 0 to 1
    features: NDArray[np.float32]  # (ceil(h / 2), ceil(w / 2), CHANNELS) of the photo, laid over the box


@dataclass(frozen=True, slots=True, eq=False)
class _Matches:
    """How well the patch at each control point agrees with the photo, over all shifts."""

    rows: NDArray[np.intp]  # of the raster, one for each row of control points
    columns: NDArray[np.intp]
    at: tuple[NDArray[np.intp], NDArray[np.intp]]  # row and column, among the control points, of those that have a say
    scores: NDArray[np.float32]  # (n, side, side)
    weight: NDArray[np.float32]  # (n,), about 1
    px_per_mm: float

    @property
    def shape(self) -> tuple[int, int]:
        return self.rows.size, self.columns.size

    def at_shifts(self, shifts_mm: NDArray[np.float32]) -> NDArray[np.float32]:
        """Scores (n, m) at shifts (n, m, 2), between pixels."""
        side = self.scores.shape[-1]
        place = np.clip(shifts_mm * np.float32(self.px_per_mm) + np.float32(side // 2), 0, side - 1.001)
        low = place.astype(np.intp)
        part = (place - low).astype(np.float32)
        number = np.arange(len(self.scores))[:, None]
        x, y, right, below = low[..., 0], low[..., 1], part[..., 0], part[..., 1]
        upper = self.scores[number, y, x] * (1 - right) + self.scores[number, y, x + 1] * right
        lower = self.scores[number, y + 1, x] * (1 - right) + self.scores[number, y + 1, x + 1] * right
        return np.asarray(upper * (1 - below) + lower * below, dtype=np.float32)


def moved_rigidly(box: tuple[int, int, int, int], photo_from_reference: NDArray[np.float64]) -> NDArray[np.float32]:
    """The map of a plane move over a box (left, top, width, height), shape (height, width, 2)."""
    left, top, width, height = box
    columns = np.arange(left, left + width, dtype=np.float32)
    rows = np.arange(top, top + height, dtype=np.float32)
    places = np.dstack(np.meshgrid(columns, rows)).reshape(1, -1, 2)
    return np.asarray(cv2.perspectiveTransform(places, photo_from_reference), dtype=np.float32).reshape(
        height, width, 2
    )


def refine_warp(
    reference_features: NDArray[np.float32],
    reference_mask: NDArray[np.uint8],
    photo_gray: NDArray[np.uint8],
    start_xy: NDArray[np.float32],
    network: bytes | None,
    *,
    px_per_mm: float,
    eyes: tuple[Eye, Eye] | None = None,
    heights: Heights | None = None,
) -> Warp:
    """Refine a map so that the surfaces of reference and photo meet.

    Parameters
    ----------
    reference_features : ndarray, shape (ceil(h / 2), ceil(w / 2), CHANNELS), float32
        The box of the reference, as `likeness_features` gives it.
    reference_mask : ndarray, shape (h, w), uint8
        255 on its piece.
    photo_gray : ndarray, uint8
        The photo's frame, of the same scale.
    start_xy : ndarray, shape (h, w, 2), float32
        Where each pixel of the box lies in the photo's frame, as far as known.
    network : bytes, optional
        What `likeness_features` runs.
    px_per_mm : float
        Scale of both frames, twice ``LIKENESS_PX_PER_MM``.
    eyes : pair of Eye, optional
        Where the reference's camera and the photo's stood over the box, where the mat tells.
    heights : Heights, optional
        Of the surface, as `estimate_heights` gives them.
    """
    height, width = reference_mask.shape
    photo_features = _features_at(photo_gray, start_xy, network, px_per_mm)
    mask = np.ascontiguousarray(reference_mask[::2, ::2])
    shift_mm = np.zeros((*mask.shape, 2), dtype=np.float32)
    if eyes is not None and heights is not None:
        shift_mm = _dense_lines(eyes, mask.shape) * heights.mm[..., None]
    agreement = 0.0
    for level in (_COARSE, _FINE):
        matches = _match_at(level, reference_features, _shifted(photo_features, shift_mm), mask)
        if matches is None:
            break
        ways = None if eyes is None else _lines(matches, eyes, px_per_mm)
        more_mm, agreement = _settle(matches, level, ways, heights)
        shift_mm = shift_mm + _between_points(more_mm, matches, mask.shape)
    shift_px = cv2.resize(shift_mm * np.float32(px_per_mm), (width, height), interpolation=cv2.INTER_LINEAR)
    flags = cv2.INTER_LINEAR | cv2.WARP_RELATIVE_MAP
    photo_xy = cv2.remap(start_xy, shift_px, None, flags, borderMode=cv2.BORDER_REPLICATE)
    return Warp(photo_xy, agreement, _shifted(photo_features, shift_mm))


@dataclass(frozen=True, slots=True, eq=False)
class Sighted:
    """Another photo of the reference's piece, whose camera is known."""

    gray: NDArray[np.uint8]  # its frame
    start_xy: NDArray[np.float32]  # (h, w, 2) where the plane move puts each pixel of the box there
    eyes: tuple[Eye, Eye]  # over the box: the reference's camera and its own


@dataclass(frozen=True, slots=True, eq=False)
class Heights:
    """Heights of a mold's surface."""

    mm: NDArray[np.float32]  # (ceil(h / 2), ceil(w / 2)) over the box, but for a constant and a slope
    cost: float  # of each squared mm beyond them, in score


def estimate_heights(
    reference_features: NDArray[np.float32],
    reference_mask: NDArray[np.uint8],
    others: Sequence[Sighted],
    network: bytes | None,
    *,
    px_per_mm: float,
) -> Heights | None:
    """Heights of a mold's surface that all photos agree on best.

    In turns: with the heights so far, each photo's patches vote for its turn, shift and change of size; with these,
    each place takes the height at which the patches around it agree best in all photos together.

    Parameters
    ----------
    reference_features, reference_mask, network, px_per_mm
        As `refine_warp` takes them.
    others : sequence of Sighted
        At least one.

    Returns
    -------
    Heights
        None where hardly any place has something to show.
    """
    mask = np.ascontiguousarray(reference_mask[::2, ::2])
    features = [_features_at(other.gray, other.start_xy, network, px_per_mm) for other in others]
    lines = [_dense_lines(other.eyes, mask.shape) for other in others]
    height_mm = np.zeros(mask.shape, dtype=np.float32)
    moved = [np.zeros((*mask.shape, 2), dtype=np.float32) for _ in others]
    for level in (_COARSE, *(_FINE,) * _ROUNDS):
        seen: list[_Matches] = []
        scores = []
        for k, feature in enumerate(features):
            shift_mm = moved[k] + lines[k] * height_mm[..., None]
            matches = _match_at(level, reference_features, _shifted(feature, shift_mm), mask)
            if matches is None:
                return None
            whole = _vote(matches, level)
            moved[k] = moved[k] + _between_points(whole, matches, mask.shape)
            ways = _lines(matches, others[k].eyes, px_per_mm)
            seen.append(matches)
            scores.append(matches.at_shifts(whole[matches.at][:, None] + _HEIGHTS_MM @ ways[matches.at]))
        # Which control points there are, and what each has to say, follows from the reference alone.
        points = seen[0]
        so_far = _at_points(height_mm, points)[points.at]
        cost = _UNKNOWN_COST * (so_far[:, None] + _HEIGHTS_MM[None, :, 0]) ** 2
        more = _agreed(points, level, np.mean(scores, axis=0), cost.astype(np.float32), _HEIGHTS_MM)
        height_mm = height_mm + _between_points(more, points, mask.shape)
    apart = sum(float((line**2).sum(axis=-1).mean()) for line in lines)
    return Heights(height_mm, _HEIGHT_COST + _FIRMNESS * apart)


def _features_at(
    gray: NDArray[np.uint8], start_xy: NDArray[np.float32], network: bytes | None, px_per_mm: float
) -> NDArray[np.float32]:
    """Features of a photo, laid into the box."""
    seen = cv2.remap(gray, start_xy, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return likeness_features(seen, network, px_per_mm=px_per_mm)


def _match_at(
    level: _Level, reference: NDArray[np.float32], photo: NDArray[np.float32], mask: NDArray[np.uint8]
) -> _Matches | None:
    """The patches' search on the raster of a level."""
    size = _raster(mask.shape, level.px_per_mm)
    here, there, small = (cv2.resize(image, size, interpolation=cv2.INTER_AREA) for image in (reference, photo, mask))
    return _match(here, there, small, level)


def _dense_lines(eyes: tuple[Eye, Eye], shape: tuple[int, ...]) -> NDArray[np.float32]:
    """How far each place of the features' raster shifts for a mm of height."""
    return shift_by_height(*eyes, np.dstack(np.meshgrid(np.arange(shape[1]) * 2.0, np.arange(shape[0]) * 2.0)))


def _at_points(field: NDArray[np.float32], matches: _Matches) -> NDArray[np.float32]:
    """Values of a field over the features' raster at the control points."""
    grow = LIKENESS_PX_PER_MM / matches.px_per_mm
    rows = np.minimum((matches.rows * grow).astype(int), field.shape[0] - 1)
    columns = np.minimum((matches.columns * grow).astype(int), field.shape[1] - 1)
    return field[np.ix_(rows, columns)]


def _shifted(features: NDArray[np.float32], shift_mm: NDArray[np.float32]) -> NDArray[np.float32]:
    """Features taken from where each place has been found so far."""
    if not shift_mm.any():
        return features
    flags = cv2.INTER_LINEAR | cv2.WARP_RELATIVE_MAP
    shift_px = shift_mm * np.float32(LIKENESS_PX_PER_MM)
    return np.asarray(cv2.remap(features, shift_px, None, flags, borderMode=cv2.BORDER_REPLICATE))


def _match(
    reference: NDArray[np.float32], photo: NDArray[np.float32], mask: NDArray[np.uint8], level: _Level
) -> _Matches | None:
    """Search for the patch around each control point; None where hardly any has something to show."""
    height, width = mask.shape
    half = round(level.patch_mm * level.px_per_mm / 2)
    reach = round(level.reach_mm * level.px_per_mm)
    edge = half + reach
    step = level.step_mm * level.px_per_mm
    padded_photo = cv2.copyMakeBorder(photo, edge, edge, edge, edge, cv2.BORDER_CONSTANT)
    near = _where_matched(mask, level)
    padded_reference = cv2.copyMakeBorder(reference * near[..., None], half, half, half, half, cv2.BORDER_CONSTANT)
    window = (2 * half + 1, 2 * half + 1)
    area = cv2.boxFilter(near.astype(np.float32), -1, window, borderType=cv2.BORDER_CONSTANT)
    varied = (cv2.boxFilter(reference**2, -1, window) - cv2.boxFilter(reference, -1, window) ** 2).sum(axis=-1)
    ys, xs = np.arange(step / 2, height, step).astype(int), np.arange(step / 2, width, step).astype(int)
    side = 2 * reach + 1
    scores = np.zeros((ys.size, xs.size, side, side), dtype=np.float32)
    weight = np.zeros((ys.size, xs.size), dtype=np.float32)

    def match_row(i: int) -> None:
        y = int(ys[i])
        for j, x in enumerate(xs.tolist()):
            if area[y, x] < _LEAST_AREA or varied[y, x] < _LEAST_VARIANCE:
                continue
            patch = padded_reference[y : y + 2 * half + 1, x : x + 2 * half + 1]
            around = padded_photo[y : y + 2 * edge + 1, x : x + 2 * edge + 1]
            scores[i, j] = cv2.matchTemplate(around, patch, cv2.TM_CCORR_NORMED)
            weight[i, j] = float(cv2.norm(patch, cv2.NORM_L2SQR)) / patch.size

    side_by_side(match_row, range(ys.size))
    used = weight > 0
    if used.sum() < 6:
        return None
    at = np.nonzero(used)
    say = np.minimum(weight[at] / weight[at].mean(), 2.0)
    return _Matches(ys, xs, (at[0], at[1]), scores[at], say, level.px_per_mm)


def _where_matched(mask: NDArray[np.uint8], level: _Level) -> NDArray[np.bool_]:
    """The part of the reference that patches are cut from. A piece all of thin parts has to be matched whole."""
    radius = round(_INSIDE_MM * level.px_per_mm)
    inside = cv2.erode(mask, np.ones((2 * radius + 1,) * 2, dtype=np.uint8)) > 127
    if inside.sum() > 0.5 * np.count_nonzero(mask > 127):
        return np.asarray(inside)
    return np.asarray(cv2.dilate(mask, np.ones((2 * round(level.px_per_mm) + 1,) * 2, dtype=np.uint8)) > 127)


def _lines(matches: _Matches, eyes: tuple[Eye, Eye], px_per_mm: float) -> NDArray[np.float32]:
    """How far each control point shifts for a mm of height, (rows, columns, 1, 2), where the box has this scale."""
    px = px_per_mm / matches.px_per_mm
    places = np.dstack(np.meshgrid(matches.columns * px, matches.rows * px))
    return shift_by_height(*eyes, places)[..., None, :]


def _settle(
    matches: _Matches, level: _Level, lines: NDArray[np.float32] | None, heights: Heights | None
) -> tuple[NDArray[np.float32], float]:
    """Shifts in mm of all control points: what all vote for, and what those around each agree on beyond that."""
    whole = _vote(matches, level)
    if lines is None:
        tried, cost = _ASIDE_MM, _ASIDE_COST
        ways = np.broadcast_to(np.eye(2, dtype=np.float32), (*matches.shape, 2, 2))
        if heights is not None:
            whole = whole + _leaning(matches, whole, _at_points(heights.mm, matches))
    else:
        tried, cost = _HEIGHTS_MM, _HEIGHT_COST if heights is None else heights.cost
        ways = lines
    scores = matches.at_shifts(whole[matches.at][:, None] + tried @ ways[matches.at])
    costs = np.float32(cost) * (tried**2).sum(axis=1)
    beyond = _agreed(matches, level, scores, costs[None], tried)
    field = whole + np.einsum("yxd,yxdk->yxk", beyond, ways)
    reached = matches.at_shifts(field[matches.at][:, None])[:, 0]
    return field.astype(np.float32), float(np.average(reached, weights=matches.weight))


def _leaning(matches: _Matches, whole: NDArray[np.float32], height_mm: NDArray[np.float32]) -> NDArray[np.float32]:
    """What known heights shift by when nobody knows how the cameras stood: all the same way, the one that fits best."""
    over = (height_mm - float(height_mm[matches.at].mean()))[..., None]
    totals = [
        float(matches.weight @ matches.at_shifts((whole + over * lean)[matches.at][:, None])[:, 0]) for lean in _LEANS
    ]
    return np.asarray(over * _LEANS[int(np.argmax(totals))], dtype=np.float32)


def _agreed(
    matches: _Matches,
    level: _Level,
    scores: NDArray[np.float32],
    costs: NDArray[np.float32],
    tried: NDArray[np.float32],
) -> NDArray[np.float32]:
    """What the control points around each agree on, of what is tried (m, d): (rows, columns, d).

    A score volume, added up over neighbours, less what each costs; the mean of what is tried, weighed by how well it
    agrees; and that smoothed, the surest places first.
    """

    def around(values: NDArray[np.float32], reach_mm: float) -> NDArray[np.float32]:
        sigma = reach_mm / level.step_mm
        flat = values.reshape(*matches.shape, -1)
        return np.dstack([cv2.GaussianBlur(one, (0, 0), sigma) for one in np.moveaxis(flat, -1, 0)])

    weight = np.zeros(matches.shape, dtype=np.float32)
    weight[matches.at] = matches.weight
    volume = np.zeros((*matches.shape, len(tried)), dtype=np.float32)
    volume[matches.at] = matches.weight[:, None] * (scores - costs)
    heard = around(weight, _AROUND_MM)
    volume = around(volume, _AROUND_MM) / (heard + np.float32(1e-3))
    likely = np.exp(np.float32(_SHARPNESS) * (volume - volume.max(axis=-1, keepdims=True)))
    likely /= likely.sum(axis=-1, keepdims=True)
    mean = likely @ tried
    spread = np.sqrt(np.maximum(likely @ (tried**2).sum(axis=1) - (mean**2).sum(axis=-1), 0)) + np.float32(0.5)
    sure = heard / spread[..., None] ** 2
    return around(mean * sure, _CARRIES_MM) / (around(sure, _CARRIES_MM) + np.float32(1e-6))


def _raster(shape: tuple[int, ...], px_per_mm: float) -> tuple[int, int]:
    """Width and height, at a scale, of what has a shape on the features' raster."""
    rows, columns = (max(1, round(length * px_per_mm / LIKENESS_PX_PER_MM)) for length in shape[:2])
    return columns, rows


def _between_points(field: NDArray[np.float32], matches: _Matches, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """What was found at the control points, brought to the features' raster, which has this shape."""
    width, height = _raster(shape, matches.px_per_mm)
    down, across = (
        np.interp(np.arange(length), where, np.arange(where.size)).astype(np.float32)
        for length, where in ((height, matches.rows), (width, matches.columns))
    )
    dense = cv2.remap(field, *np.meshgrid(across, down), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(dense, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR))


def _vote(matches: _Matches, level: _Level) -> NDArray[np.float32]:
    """The turn, change of size and shift that the scores of all points add up best for, as shifts in mm.

    The best of some starts is followed uphill (Broyden, Fletcher, Goldfarb and Shanno).
    """
    scores, weight, shape = matches.scores, matches.weight, matches.shape
    side = scores.shape[-1]
    reach = side // 2
    middle = (np.array(shape) - 1) / 2
    y, x = ((where - half) * level.step_mm for where, half in zip(matches.at, middle, strict=True))
    rim_mm = max(float(np.hypot(x, y).max()), level.step_mm)
    pad = int(np.ceil(rim_mm * _FARTHEST * level.px_per_mm)) + 1
    maps = np.pad(scores * weight[:, None, None], ((0, 0), (pad, pad), (pad, pad)))
    clearest = np.argsort(-(weight * scores.max(axis=(1, 2))))[:_ASKED_FIRST]
    best, start = -np.inf, np.zeros(4)
    for turn, growth in _starts(level):
        top, left = (
            np.clip(np.round(shift * level.px_per_mm).astype(int) + pad, 0, 2 * pad)[:, None] + np.arange(side)
            for shift in reversed(_turned(x[clearest], y[clearest], turn, growth))
        )
        votes = maps[clearest[:, None, None], top[:, :, None], left[:, None, :]].sum(axis=0)
        k = int(votes.argmax())
        if votes.flat[k] > best:
            best = float(votes.flat[k])
            start = np.array([turn * rim_mm, growth * rim_mm, k // side - reach, k % side - reach])
            start[2:] /= level.px_per_mm

    # All four in mm, the turn and the change of size as what they do at the rim.
    def lost(parameters_mm: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        turn, growth = parameters_mm[:2] / rim_mm
        shift_x, shift_y = _turned(x, y, turn, growth)
        total, down, across = _between(
            maps,
            (shift_y + parameters_mm[2]) * level.px_per_mm + reach + pad,
            (shift_x + parameters_mm[3]) * level.px_per_mm + reach + pad,
        )
        grown_x, grown_y = _turned(x, y, turn, 0.0)
        grown_x, grown_y = grown_x + x, grown_y + y
        by_turn = (1 + growth) * (down @ grown_x - across @ grown_y) / rim_mm
        by_growth = (down @ grown_y + across @ grown_x) / rim_mm
        slope = np.array([by_turn, by_growth, down.sum(), across.sum()]) * level.px_per_mm
        return -total / norm, -slope / norm

    norm = 1.0
    norm = max(abs(lost(start)[0]), 1e-6)
    turn, growth, down, across = minimize(lost, start, jac=True, method="BFGS", options={"gtol": 2e-3, "maxiter": 30}).x
    all_y, all_x = (np.indices(shape) - middle[:, None, None]) * level.step_mm
    shift_x, shift_y = _turned(all_x, all_y, turn / rim_mm, growth / rim_mm)
    return np.dstack([shift_x + across, shift_y + down]).astype(np.float32)


def _starts(level: _Level) -> list[tuple[float, float]]:
    """Turns in radians and changes of size that the vote starts from."""
    if level.reach_mm < _WIDE_MM:
        return [(0.0, 0.0)]
    return [(np.radians(turn), growth) for turn in _TURNS_DEG for growth in _GROWTHS]


def _between(
    maps: NDArray[np.float32], down: NDArray[np.float64], across: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """One value of each map, between its pixels: their sum, and the slope of each down and across.

    Cubic convolution (Keys 1981): linear would favour whole pixels. Beyond the rim the value is that of the rim.
    """
    last = maps.shape[1] - 3
    row_at, column_at = np.clip(down, 1, last - 1e-6), np.clip(across, 1, last - 1e-6)
    row, column = row_at.astype(int), column_at.astype(int)
    near = np.arange(-1, 3)
    part = maps[
        np.arange(len(maps))[:, None, None], (row[:, None] + near)[:, :, None], (column[:, None] + near)[:, None]
    ]
    (vertical, steep_v), (horizontal, steep_h) = _keys(row_at - row), _keys(column_at - column)
    by_row = np.einsum("kij,kj->ki", part, horizontal)
    down_slope = np.einsum("ki,ki->k", by_row, steep_v) * (row_at == down)
    across_slope = np.einsum("kij,ki,kj->k", part, vertical, steep_h) * (column_at == across)
    return float(np.einsum("ki,ki->", by_row, vertical)), down_slope, across_slope


def _keys(t: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weights of the four pixels around a place that lies ``t`` past the second, and their slopes, each (n, 4)."""
    weights = [
        ((2 - t) * t - 1) * t / 2,
        ((3 * t - 5) * t * t + 2) / 2,
        ((4 - 3 * t) * t + 1) * t / 2,
        (t - 1) * t * t / 2,
    ]
    slopes = [((4 - 3 * t) * t - 1) / 2, (9 * t - 10) * t / 2, ((8 - 9 * t) * t + 1) / 2, (3 * t - 2) * t / 2]
    return np.column_stack(weights), np.column_stack(slopes)


def _turned(
    x: NDArray[np.float64], y: NDArray[np.float64], turn: float, growth: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far points move, across and down, when they are turned about the middle and spread apart."""
    c, s = np.cos(turn) * (1 + growth) - 1, np.sin(turn) * (1 + growth)
    return c * x - s * y, s * x + c * y

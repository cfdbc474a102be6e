"""Places on an aligned photo that may be damage, each with the numbers that speak for and against it.

Generous on purpose: what becomes a finding is decided by ``inspection.confidence``, which was fitted to scored
photos, from exactly these numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.likeness import LIKENESS_PX_PER_MM
from inspector.comparing.agreement import PlaceAgreement, agreement_at
from inspector.comparing.hairlines import LineStrength, find_hairlines, path_through
from inspector.comparing.silhouette import depth_inside, piece_odds
from inspector.imaging.side_by_side import side_by_side
from inspector.inspection.damage_map import MAP_PX_PER_MM, DamageMap
from inspector.inspection.evidence import Evidence
from inspector.inspection.model import MoldModel

__all__ = [
    "Candidate",
    "all_candidates",
    "by_peak",
    "crack_candidates",
    "damage_candidates",
    "excess_candidates",
    "line_candidates",
    "outline_candidates",
    "relief_candidates",
]

# Outlines meet to a fraction of a millimetre; what remains within this is no loss.
OUTLINE_TOLERANCE_MM = 0.5
SMALLEST_LOSS_MM2 = 1.5
# The networks were taught to miss nothing: even odds of theirs are not yet even odds of damage. Cut here, chips of the
# tuning split overlap the truth best.
LEAST_ODDS = 3.0
STRONG_ODDS = 6.0
SMALLEST_DAMAGE_MM2 = 1.5
# A crack of the crack map; gaps of this much are closed.
LEAST_CRACK_ODDS = 2.0
SMALLEST_CRACK_MM2 = 1.5
GAP_MM = 2.0
# How sure the crack map must be to count in full beside a dark line: it then doubles its strength.
CRACK_ODDS = 2.0
LINE_LOW, LINE_HIGH = 1.9, 3.0
# Without the damage map: relief this far beyond what good pieces show among themselves, and clearly so.
LEAST_RELIEF, CLEAR_RELIEF = 0.15, 0.3
SHORTEST_LINE_MM = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A place in the model's box, and what was measured there."""

    source: str  # "outline", "excess", "damage", "crack" or "line"; of classic comparison "relief" and "bare line"
    mask: NDArray[np.uint8]  # cut to its bounding box, 255 inside
    left: int
    top: int
    numbers: dict[str, float]
    path_xy: NDArray[np.float64] | None = None  # of a crack or line, box px


def all_candidates(model: MoldModel, evidence: Evidence) -> list[Candidate]:
    """Candidates of every source."""
    damage = evidence.damage
    sources: list[Callable[[], list[Candidate]]] = [
        lambda: outline_candidates(model, evidence),
        lambda: excess_candidates(model, evidence),
    ]
    if damage is None:
        sources.append(lambda: relief_candidates(model, evidence))
    else:
        sources.append(lambda: damage_candidates(model, evidence, damage))
        sources.append(lambda: crack_candidates(model, evidence, damage))
    sources.append(lambda: line_candidates(model, evidence))
    return [one for found in side_by_side(lambda source: source(), sources) for one in found]


def outline_candidates(model: MoldModel, evidence: Evidence) -> list[Candidate]:
    """Parts of the expected piece where the photo shows mat."""
    px_per_mm = model.px_per_mm
    expected = model.mask > 127
    seen = evidence.silhouette.mask > 127
    valid = evidence.layer.valid
    lost = expected & ~seen & valid
    inside_mm = model.inside_mm
    core = lost & (inside_mm > OUTLINE_TOLERANCE_MM)
    relearnt: list[NDArray[np.float32]] | None = None
    found = []
    for mask, left, top in _parts(core, SMALLEST_LOSS_MM2 * px_per_mm**2):
        rows, columns = slice(top, top + mask.shape[0]), slice(left, left + mask.shape[1])
        where = mask > 0
        if relearnt is None:
            relearnt = _as_seen_without(model, lost)
        odds = evidence.silhouette.log_odds[rows, columns][where]
        numbers = {
            "area_mm2": float(where.sum()) / px_per_mm**2,
            "depth_mm": float(inside_mm[rows, columns][where].max()),
            "thick_mm": _thickness_px(mask) / px_per_mm,
            "odds": float(odds.mean()),
            "reference_odds": float(np.median([one[rows, columns][where].mean() for one in relearnt])),
            "least_reference_odds": float(min(one[rows, columns][where].mean() for one in relearnt)),
            "agreed": float(np.mean([s[rows, columns][where].mean() / 255 for s in model.silhouettes])),
            "separation": evidence.silhouette.separation,
            "relief": float(evidence.relief[rows, columns][where].mean()),
            "tone": float(np.abs(evidence.layer.tone[rows, columns][where]).mean()),
            "edge": float(inside_mm[rows, columns][where].min()),
            "odd_share": evidence.odd_share,
            "references": float(len(model.layers)),
        }
        if evidence.damage is not None:
            damage = evidence.damage
            numbers["lost_odds"] = float(_on_map(damage.feature, mask, left, top, px_per_mm).mean())
            numbers["damage_odds"] = float(np.percentile(_on_map(damage.odds, mask, left, top, px_per_mm), 80))
        found.append(Candidate("outline", mask, left, top, numbers))
    return found


def excess_candidates(model: MoldModel, evidence: Evidence) -> list[Candidate]:
    """Parts outside the expected piece where the photo shows concrete."""
    px_per_mm = model.px_per_mm
    outside_mm = model.outside_mm
    grown = (evidence.silhouette.mask > 127) & evidence.layer.valid & (outside_mm > 2 * OUTLINE_TOLERANCE_MM)
    found = []
    for mask, left, top in _parts(grown, 2 * SMALLEST_LOSS_MM2 * px_per_mm**2):
        rows, columns = slice(top, top + mask.shape[0]), slice(left, left + mask.shape[1])
        where = mask > 0
        numbers = {
            "area_mm2": float(where.sum()) / px_per_mm**2,
            "thick_mm": _thickness_px(mask) / px_per_mm,
            "reach_mm": float(outside_mm[rows, columns][where].max()),
            "start_mm": float(outside_mm[rows, columns][where].min()),
            "odds": float(evidence.silhouette.log_odds[rows, columns][where].mean()),
            "separation": evidence.silhouette.separation,
            "tone": float(evidence.layer.tone[rows, columns][where].mean()),
            "texture": float(evidence.layer.texture[rows, columns][where].mean()),
            "relief": float(evidence.relief[rows, columns][where].mean()),
            "print_seen": float(evidence.print_seen),
        }
        found.append(Candidate("excess", mask, left, top, numbers))
    return found


def relief_candidates(model: MoldModel, evidence: Evidence) -> list[Candidate]:
    """Places inside the outline whose relief is beyond what good pieces show, for want of a damage map."""
    px_per_mm = model.px_per_mm
    layer, relief = evidence.layer, evidence.relief
    odd = (relief > LEAST_RELIEF) & (model.mask > 127) & layer.valid
    found = []
    for rank, (peak, others, mask, left, top) in enumerate(by_peak(relief, odd, SMALLEST_DAMAGE_MM2 * px_per_mm**2)):
        rows, columns = slice(top, top + mask.shape[0]), slice(left, left + mask.shape[1])
        where = mask > 0
        length, width = (side / px_per_mm for side in _extent(mask))
        tone, *usual_tones = (float(one.tone[rows, columns][where].mean()) for one in (layer, *model.layers))
        texture, *usual_textures = (float(one.texture[rows, columns][where].mean()) for one in (layer, *model.layers))
        numbers = {
            "peak": peak,
            "high": float(np.quantile(relief[rows, columns][where], 0.9)),
            "median": float(np.median(relief[rows, columns][where])),
            "clear_mm2": float(np.count_nonzero(relief[rows, columns][where] > CLEAR_RELIEF)) / px_per_mm**2,
            "area_mm2": float(where.sum()) / px_per_mm**2,
            "length_mm": length,
            "width_mm": width,
            "thick_mm": _thickness_px(mask) / px_per_mm,
            "edge": float(model.inside_mm[rows, columns][where].min()),
            "deep": float(model.inside_mm[rows, columns][where].max()),
            "normal_edges": float(evidence.normal_edges[rows, columns][where].mean()),
            "darkest": float(np.percentile(evidence.darker[rows, columns][where], 90)),
            "tone": _beyond(tone, usual_tones),
            "texture": _beyond(texture, usual_textures),
            "odds": float(np.clip(evidence.silhouette.log_odds[rows, columns][where], -8, 8).mean()),
            "strong_others": float(sum(other > CLEAR_RELIEF for other in others)),
            "rank": float(rank),
            "ahead": peak - max(others, default=LEAST_RELIEF),
            "references": float(len(model.layers)),
            "separation": evidence.silhouette.separation,
            "odd_share": evidence.odd_share,
            "crowd": evidence.line_crowd,
        }
        found.append(Candidate("relief", mask, left, top, numbers))
    return found


def damage_candidates(model: MoldModel, evidence: Evidence, damage: DamageMap) -> list[Candidate]:
    """Places that the damage map points at."""
    odds, inside = damage.odds, damage.inside
    inside_mm = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5) / MAP_PX_PER_MM
    parts = by_peak(odds, odds > LEAST_ODDS, SMALLEST_DAMAGE_MM2 * MAP_PX_PER_MM**2)
    piece = model.mask[::2, ::2] > 127

    def agreement(part: tuple[float, list[float], NDArray[np.uint8], int, int]) -> PlaceAgreement:
        _, _, mask, left, top = part
        return agreement_at(
            mask > 0, left, top, evidence.likeness, model.likenesses, piece, px_per_mm=LIKENESS_PX_PER_MM
        )

    agreements = side_by_side(agreement, parts)
    found = []
    for rank, ((peak, others, mask, left, top), agreed) in enumerate(zip(parts, agreements, strict=True)):
        rows, columns = slice(top, top + mask.shape[0]), slice(left, left + mask.shape[1])
        where = mask > 0
        length, width = (side / MAP_PX_PER_MM for side in _extent(mask))
        here = odds[rows, columns][where]
        area = float(where.sum()) / MAP_PX_PER_MM**2
        numbers = {
            "peak": peak,
            "high": float(np.quantile(here, 0.9)),
            "median": float(np.median(here)),
            "sure_mm2": float(np.count_nonzero(here > STRONG_ODDS)) / MAP_PX_PER_MM**2,
            "chip_peak": float(damage.chip[rows, columns][where].max()),
            "feature_peak": float(damage.feature[rows, columns][where].max()),
            "chip_share": float(np.mean(damage.chip[rows, columns][where] > damage.feature[rows, columns][where])),
            "crack_peak": float(damage.crack[rows, columns][where].max()),
            "area_mm2": area,
            "length_mm": length,
            "width_mm": width,
            "thick_mm": _thickness_px(mask) / MAP_PX_PER_MM,
            "edge": float(inside_mm[rows, columns][where].min()),
            "deep": float(inside_mm[rows, columns][where].max()),
            # A piece has few defects: the more places stand out, the less each of them means.
            "strong_others": float(sum(other > STRONG_ODDS for other in others)),
            "rank": float(rank),
            "ahead": peak - max(others, default=-3.0),
            "references": float(len(model.layers)),
            "separation": evidence.silhouette.separation,
            "odd_share": evidence.odd_share,
            "crowd": evidence.line_crowd,
        }
        grow = model.px_per_mm / MAP_PX_PER_MM
        size = (round(mask.shape[1] * grow), round(mask.shape[0] * grow))
        large = np.where(cv2.resize(mask, size, interpolation=cv2.INTER_LINEAR) > 127, 255, 0).astype(np.uint8)
        y, x = round(top * grow), round(left * grow)
        at = slice(y, y + size[1]), slice(x, x + size[0])
        numbers |= {
            "darkest": float(np.percentile(evidence.darker[at][large > 0], 90)),
            "relief": float(evidence.relief[at][large > 0].mean()),
            "odds": float(np.clip(evidence.silhouette.log_odds[at][large > 0], -8, 8).mean()),
            "agreed": agreed.place,
            "agreed_anywhere": agreed.place_anywhere,
            "agreed_around": agreed.around,
            "agreed_around_anywhere": agreed.around_anywhere,
            "agreed_moved": agreed.place_moved,
        }
        found.append(Candidate("damage", large, x, y, numbers))
    return found


def crack_candidates(model: MoldModel, evidence: Evidence, damage: DamageMap) -> list[Candidate]:
    """Places that the crack map points at, each with the line that runs through it."""
    scale = evidence.line_px_per_mm
    finer = scale / MAP_PX_PER_MM
    gap = round(GAP_MM * MAP_PX_PER_MM) + 1
    likely = cv2.morphologyEx(
        (damage.crack > LEAST_CRACK_ODDS).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((gap, gap), dtype=np.uint8)
    )
    parts = _parts(likely > 0, SMALLEST_CRACK_MM2 * MAP_PX_PER_MM**2)
    if not parts:
        return []
    size = (evidence.lines.strength.shape[1], evidence.lines.strength.shape[0])
    odds = cv2.resize(damage.crack, size, interpolation=cv2.INTER_LINEAR)
    peaks = [float(damage.crack[t : t + m.shape[0], x : x + m.shape[1]][m > 0].max()) for m, x, t in parts]
    # The path may lie a place beside the highest of the map.
    crack_near, damage_near = (cv2.dilate(one, np.ones((3, 3), dtype=np.uint8)) for one in (damage.crack, damage.odds))
    found = []
    for k, (mask, left, top) in enumerate(parts):
        fine = (round(mask.shape[1] * finer), round(mask.shape[0] * finer))
        region = np.pad(cv2.resize(mask, fine, interpolation=cv2.INTER_LINEAR) > 127, 1)
        y, x = round(top * finer) - 1, round(left * finer) - 1
        rows = np.clip(np.arange(y, y + region.shape[0]), 0, size[1] - 1)
        columns = np.clip(np.arange(x, x + region.shape[1]), 0, size[0] - 1)
        around = np.ix_(rows, columns)
        seen = np.maximum(odds[around] + 2 * evidence.lines.strength[around], 0)
        fine_path = path_through(region, 5 * (seen / max(float(seen.max()), 1e-3)) ** 2)
        if fine_path is None:
            continue
        fine_path = fine_path + np.array([x, y])
        path = (fine_path + 0.5) * (model.px_per_mm / scale) - 0.5
        here = damage.crack[top : top + mask.shape[0], left : left + mask.shape[1]][mask > 0]
        others = peaks[:k] + peaks[k + 1 :]
        crack_odds = _sampled(crack_near, path, model.px_per_mm)
        numbers = {
            "crack_odds": float(np.mean(crack_odds)),
            "crack_odds_low": float(np.quantile(crack_odds, 0.2)),
            "crack_odds_high": float(np.quantile(crack_odds, 0.8)),
            "damage_odds": float(np.mean(_sampled(damage_near, path, model.px_per_mm))),
            "peak": peaks[k],
            "high": float(np.quantile(here, 0.8)),
            "median": float(np.median(here)),
            "sure_mm2": float(np.count_nonzero(here > STRONG_ODDS)) / MAP_PX_PER_MM**2,
            "area_mm2": float(len(here)) / MAP_PX_PER_MM**2,
            "strong_others": float(sum(other > STRONG_ODDS for other in others)),
            "ahead": peaks[k] - max(others, default=LEAST_CRACK_ODDS),
            "reach_mm": max(_extent(mask)) / MAP_PX_PER_MM,
        }
        mask, left, top = _band(path, max(0.6 * model.px_per_mm, 1.5))
        numbers |= _along(model, evidence, path, fine_path)
        found.append(Candidate("crack", mask, left, top, numbers, path))
    return found


def line_candidates(model: MoldModel, evidence: Evidence) -> list[Candidate]:
    """Dark lines that no good piece has."""
    px_per_mm, scale = model.px_per_mm, evidence.line_px_per_mm
    strength, known = evidence.lines.strength, evidence.known_lines
    size = (strength.shape[1], strength.shape[0])
    if evidence.damage is None:
        source, beyond = "bare line", strength - known
    else:
        # Where the learned comparison sees a crack, a line of the mold beside it is no excuse.
        odds = cv2.resize(np.clip(evidence.damage.crack / CRACK_ODDS, 0, 1), size, interpolation=cv2.INTER_LINEAR)
        source, beyond = "line", (1 + odds) * strength - (1 - odds) * known
    lines = LineStrength(beyond, evidence.lines.direction)
    found = []
    for line in find_hairlines(lines, px_per_mm=scale, low=LINE_LOW, high=LINE_HIGH, shortest_mm=SHORTEST_LINE_MM)[:40]:
        path = (line.path_xy + 0.5) * (px_per_mm / scale) - 0.5
        numbers = _along(model, evidence, path, line.path_xy)
        numbers |= {"beyond_known": line.strength, "weakest": line.weakest_fifth}
        mask, left, top = _band(path, max(0.6 * px_per_mm, 1.5))
        found.append(Candidate(source, mask, left, top, numbers, path))
    return found


def _along(
    model: MoldModel, evidence: Evidence, path: NDArray[np.float64], line_path: NDArray[np.float64]
) -> dict[str, float]:
    """What the photo itself shows along a line, given in px of the box and of the line raster."""
    strength, inside_mm, scale = evidence.lines.strength, model.inside_mm, evidence.line_px_per_mm
    column = np.clip(np.round(path[:, 0]).astype(int), 0, inside_mm.shape[1] - 1)
    row = np.clip(np.round(path[:, 1]).astype(int), 0, inside_mm.shape[0] - 1)
    depth = inside_mm[row, column]
    fine_column = np.clip(np.round(line_path[:, 0]).astype(int), 0, strength.shape[1] - 1)
    fine_row = np.clip(np.round(line_path[:, 1]).astype(int), 0, strength.shape[0] - 1)
    left_side, right_side = _sides(evidence.line_smooth, line_path, 0.9 * scale)
    length_px = float(np.linalg.norm(np.diff(line_path, axis=0), axis=1).sum())
    chord_px = float(np.hypot(*(line_path[-1] - line_path[0])))
    return {
        "length_mm": length_px / scale,
        "strength": float(np.mean(strength[fine_row, fine_column])),
        "weaker_side": float(np.median(np.minimum(left_side, right_side))),
        "stronger_side": float(np.median(np.maximum(left_side, right_side))),
        "even": float(np.mean(np.minimum(left_side, right_side) > 0.02)),
        "near_outline": float(np.mean(depth < 1.2)),
        "depth_mm": float(np.median(depth)),
        "known": float(np.mean(evidence.known_lines[fine_row, fine_column])),
        "straight": chord_px / max(length_px, 1.0),
        "relief": float(evidence.relief[row, column].mean()),
        "normal_edges": float(evidence.normal_edges[row, column].mean()),
        "darker": float(evidence.darker[row, column].mean()),
        "crowd": evidence.line_crowd,
        "odd_share": evidence.odd_share,
        "references": float(len(model.layers)),
    }


def _on_map(
    image: NDArray[np.float32], mask: NDArray[np.uint8], left: int, top: int, px_per_mm: float
) -> NDArray[np.float32]:
    """Values of the damage map under a mask of the box."""
    shrink = MAP_PX_PER_MM / px_per_mm
    rows, columns = np.nonzero(mask)
    row = np.clip(((rows + top + 0.5) * shrink).astype(int), 0, image.shape[0] - 1)
    column = np.clip(((columns + left + 0.5) * shrink).astype(int), 0, image.shape[1] - 1)
    return np.asarray(image[row, column])


def _sampled(image: NDArray[np.float32], path_xy: NDArray[np.float64], px_per_mm: float) -> NDArray[np.float32]:
    """Values of the damage map along a path in the box."""
    at = ((path_xy + 0.5) * (MAP_PX_PER_MM / px_per_mm) - 0.5).astype(np.float32)[None]
    return np.asarray(cv2.remap(image, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0])


def _as_seen_without(model: MoldModel, lost: NDArray[np.bool_]) -> list[NDArray[np.float32]]:
    """What each reference says of the lost places when they are not taken for piece beforehand.

    A part of the piece still looks like the rest of it; a shadow that slipped into the outline does not.
    """
    radius = 2 * round(0.5 * model.px_per_mm) + 1
    without = model.mask.copy()
    without[cv2.dilate(lost.astype(np.uint8), np.ones((radius, radius), dtype=np.uint8)) > 0] = 0
    inside_mm = depth_inside(without, px_per_mm=model.px_per_mm)
    return side_by_side(
        lambda layer: piece_odds(layer.looks, inside_mm, layer.valid, px_per_mm=model.px_per_mm)[0], model.layers
    )


def _parts(mask: NDArray[np.bool_], least_px: float) -> list[tuple[NDArray[np.uint8], int, int]]:
    """Connected parts, each cut out, with its left and top."""
    whole = mask.astype(np.uint8)
    first_x, first_y, across, down = cv2.boundingRect(whole)
    if across == 0:
        return []
    used = whole[first_y : first_y + down, first_x : first_x + across]
    count, labels, stats, _ = cv2.connectedComponentsWithStats(used, connectivity=8)
    parts = []
    for k in range(1, count):
        left, top, width, height, area = (int(v) for v in stats[k])
        if area < least_px:
            continue
        part = np.where(labels[top : top + height, left : left + width] == k, 255, 0).astype(np.uint8)
        parts.append((part, first_x + left, first_y + top))
    return parts


def by_peak(
    values: NDArray[np.float32], where: NDArray[np.bool_], least_px: float
) -> list[tuple[float, list[float], NDArray[np.uint8], int, int]]:
    """Connected parts, that with the highest value first: its peak, those of the others, its mask, left and top."""
    parts = []
    for mask, left, top in _parts(where, least_px):
        rows, columns = slice(top, top + mask.shape[0]), slice(left, left + mask.shape[1])
        parts.append((float(values[rows, columns][mask > 0].max()), mask, left, top))
    parts.sort(key=lambda part: -part[0])
    peaks = [part[0] for part in parts]
    return [
        (peak, peaks[:rank] + peaks[rank + 1 :], mask, left, top) for rank, (peak, mask, left, top) in enumerate(parts)
    ]


def _thickness_px(mask: NDArray[np.uint8]) -> float:
    """Diameter of the largest disc that fits into a mask."""
    return 2 * float(cv2.distanceTransform(cv2.copyMakeBorder(mask, 1, 1, 1, 1, 0), cv2.DIST_L2, 5).max())


def _beyond(own: float, usual: list[float]) -> float:
    """How far a value lies outside of the usual ones."""
    return max(0.0, min(usual) - own, own - max(usual))


def _extent(mask: NDArray[np.uint8]) -> tuple[float, float]:
    """Sides of the smallest rectangle around a mask, longer first. [px]"""
    points = cv2.findNonZero(mask)
    (_, (width, height), _) = cv2.minAreaRect(points)
    return max(width, height) + 1.0, min(width, height) + 1.0


def _band(path_xy: NDArray[np.float64], half_width: float) -> tuple[NDArray[np.uint8], int, int]:
    """A path widened to a band, cut out, with its left and top."""
    margin = int(np.ceil(half_width)) + 2
    left, top = (np.floor(path_xy.min(axis=0)) - margin).astype(int)
    right, bottom = (np.ceil(path_xy.max(axis=0)) + margin).astype(int)
    mask = np.zeros((bottom - top + 1, right - left + 1), dtype=np.uint8)
    points = np.round((path_xy - (left, top)) * 16).astype(np.int32)[None]
    cv2.polylines(mask, points, False, 255, max(1, round(2 * half_width)), cv2.LINE_8, 4)
    return mask, int(left), int(top)


def _sides(
    smooth: NDArray[np.uint8], path_xy: NDArray[np.float64], offset_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How much brighter each side is than the line, in log units, along the path over a smoothed picture."""
    tangent = np.gradient(path_xy, axis=0)
    for axis in (0, 1):
        tangent[:, axis] = np.convolve(np.pad(tangent[:, axis], 3, mode="edge"), np.ones(7) / 7, mode="valid")
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-6)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])

    def sample(at: NDArray[np.float64]) -> NDArray[np.float64]:
        values = cv2.remap(smooth, at.astype(np.float32)[None], None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        logs = 2.2 * np.log((values[0].astype(np.float64) + 3) / 258)
        return np.convolve(np.pad(logs, 4, mode="edge"), np.ones(9) / 9, mode="valid")

    # The path may lie a pixel beside the darkest place.
    middle = np.minimum.reduce([sample(path_xy + step * normal) for step in (-1.0, 0.0, 1.0)])
    return sample(path_xy + offset_px * normal) - middle, sample(path_xy - offset_px * normal) - middle

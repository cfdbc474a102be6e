"""How well a judge does on aligned photos of molds that it has not seen, before weights and limits are fitted anew.

A place counts that stands out over so much area, with its highest odds. The limit is set for so many such places on a
good piece, and it is told what is found there. The figures that are reported come from `tests.benchmarks.score`.
"""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from inspector.inspection.damage_map import FARTHEST_ODDS
from tests.benchmarks.aligned_mold import LEAST_ODDS, ODDS_LEVELS, AlignedMold, decoded
from training.judge import Judge
from training.lessons import MoldLessons, from_layers, looks

__all__ = ["LookedAt", "look_at_molds", "told"]

LEAST_ANSWER, SMALLEST_PX = 2.5, 6
GAP_PX = 5
MAP_PX_PER_MM = 2.0


@dataclass(frozen=True, slots=True)
class _Defect:
    kind: str
    size_mm: float
    odds: float  # the highest of a place that lies on it, far below 0 where none does


@dataclass(frozen=True, slots=True)
class LookedAt:
    """What was seen on one photo."""

    good: bool
    defects: tuple[_Defect, ...]
    false_damage: tuple[float, ...]
    false_cracks: tuple[float, ...]


def look_at_molds(judge: Judge, paths: Sequence[Path], device: torch.device, *, references: int = 3) -> list[LookedAt]:
    """Judge every photo whole."""
    judge = judge.to(device).eval()
    found = []
    for path in paths:
        mold: AlignedMold = pickle.loads(path.read_bytes())
        lessons = from_layers(path, copies=0).to(device)
        used = torch.ones(1, min(references, len(lessons.references)), dtype=torch.bool, device=device)
        for k, photo in enumerate(mold.photos):
            numbers = decoded(photo.defects)[: lessons.mask.shape[0], : lessons.mask.shape[1]]
            found.append(_look(judge, lessons, k, used, numbers, photo.kinds))
    return found


def _look(
    judge: Judge, mold: MoldLessons, k: int, used: torch.Tensor, numbers: NDArray[np.uint8], kinds: tuple[str, ...]
) -> LookedAt:
    count = used.shape[1]
    grays = torch.cat([mold.photos[k : k + 1], mold.references[:count]])[None]
    usual = torch.cat([mold.usual[len(mold.references) + k][None], mold.usual[:count]])[None]
    surfaces = looks(grays, mold.mask[None], usual)
    with torch.no_grad():
        odds = judge.compare(
            surfaces[:, 0], surfaces[:, 1:], used, mold.deep[None, None].float(), mold.piece_odds[k][None, None].float()
        )[0]
    on_piece = torch.nn.functional.avg_pool2d(mold.mask[None].float(), 2)[0] > 0.5
    odds = torch.where(on_piece & mold.judged[k], odds, -2 * FARTHEST_ODDS).cpu().numpy()
    damage, crack = _places(odds[:2].max(axis=0), 1), _places(odds[2], GAP_PX)
    height, width = odds.shape[1:]
    defects, explained = [], np.zeros((height, width), dtype=np.bool_)
    for number, kind in enumerate(kinds, start=1):
        region = numbers == number
        if not region.any():
            continue
        _, (w, h), _ = cv2.minAreaRect(np.argwhere(region)[:, ::-1].astype(np.float32))
        small = cv2.resize(region.astype(np.uint8), (width, height), interpolation=cv2.INTER_AREA) > 0
        near = cv2.dilate(
            (cv2.resize(region.astype(np.float32), (width, height)) > 0).astype(np.uint8), np.ones((5, 5))
        )
        explained |= (near > 0) | small
        best = max((peak for at, peak in damage + crack if near[at].any()), default=-99.0)
        defects.append(_Defect(kind, (max(w, h) + 1) / (2 * MAP_PX_PER_MM), float(best)))
    false = [[peak for at, peak in places if not explained[at].any()] for places in (damage, crack)]
    return LookedAt(not kinds, tuple(defects), tuple(false[0]), tuple(false[1]))


def _places(odds: NDArray[np.float32], gap_px: int) -> list[tuple[tuple[NDArray[np.intp], ...], float]]:
    likely = (odds > LEAST_ANSWER).astype(np.uint8)
    if gap_px > 1:
        likely = cv2.morphologyEx(likely, cv2.MORPH_CLOSE, np.ones((gap_px, gap_px), dtype=np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(likely)
    found = []
    for label in range(1, count):
        if stats[label, cv2.CC_STAT_AREA] >= SMALLEST_PX:
            at = np.nonzero(labels == label)
            found.append((at, float(odds[at].max())))
    return found


def told(seen: Sequence[LookedAt]) -> str:
    """What is found at limits that leave so many places on a good piece."""
    good = [one for one in seen if one.good]
    if not good:
        return "no good piece to set limits by"
    lines = []
    for allowed in (0.1, 0.2, 0.4):
        limits = []
        for name in ("false_damage", "false_cracks"):
            peaks = sorted((peak for one in good for peak in getattr(one, name)), reverse=True)
            most = int(allowed * len(good) * (1.0 if name == "false_damage" else 0.5))
            limits.append(peaks[most] if most < len(peaks) else LEAST_ANSWER)
        defects = [defect for one in seen for defect in one.defects]

        def share(kinds: tuple[str, ...], low: float, high: float, limit: float, of: list[_Defect] = defects) -> str:
            some = [one for one in of if one.kind in kinds and low <= one.size_mm < high]
            return f"{sum(one.odds > limit for one in some)} of {len(some)}"

        lines.append(
            f"at {allowed} false places (odds {limits[0]:.1f}, {limits[1]:.1f}): "
            f"chips 4 mm {share(('chip',), 4, 99, limits[0])}, 2 to 4 mm {share(('chip',), 2, 4, limits[0])}, "
            f"missing 8 mm {share(('missing feature',), 8, 999, limits[0])}, "
            f"voids {share(('surface void',), 0, 99, limits[0])}, "
            f"cracks {share(('hairline crack',), 0, 999, limits[1])}"
        )
    whole = [max((*one.false_damage, *(d.odds for d in one.defects), -9.0)) for one in seen]
    bad = np.array([value for value, one in zip(whole, seen, strict=True) if not one.good])
    fine = np.array([value for value, one in zip(whole, seen, strict=True) if one.good])
    area = float(np.mean((bad[:, None] > fine[None]) + 0.5 * (bad[:, None] == fine[None])))
    return "\n".join([*lines, f"broken before good in {area:.3f} of pairs ({len(bad)}, {len(fine)})"])

"""Which photos make up a set, and all that was drawn for each of them.

A photo is known by its set and name; every random draw follows from these through a seed, so one
photo can be made again without the others.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field, replace

import numpy as np

from .casting import MIX_COLOURS, CastingStyle
from .molds import DEMO, EVALUATION, LEARNING, LOOKING_CLOSER, MATCHING, MOLDS, OUTLINING, PROOF, TUNING
from .surroundings import BENCHES, LIGHTS

__all__ = ["SETS", "DefectWish", "PhotoPlan", "plan_set"]

SIZES_PX = {"near 5 px/mm": (2016, 1512), "near 13 px/mm": (4032, 3024)}
CHIP_MM, CRACK_MM, MISSING_MM, VOID_MM, FIN_MM = (1.5, 12.0), (0.1, 0.8), (5.0, 40.0), (4.0, 8.0), (2.0, 6.0)
GOLDEN = 0.6180339887
# One part is missing at most, since a piece must still fit its mold; chips are hardest to learn.
CROWD = (
    "missing feature",
    "chip",
    "chip",
    "hairline crack",
    "chip",
    "surface void",
    "chip",
    "chip",
    "hairline crack",
    "excess",
)


@dataclass(frozen=True, slots=True)
class DefectWish:
    """A defect to be made: its kind and its size (width for a crack)."""

    kind: str
    size_mm: float


@dataclass(frozen=True, slots=True)
class PhotoPlan:
    """Everything that decides how one photo looks."""

    name: str  # without folder or suffix
    folder: str  # of the mold that the photo is filed under
    mold: str  # that the piece shown comes from
    split: str
    seed: int
    reference: bool
    wishes: tuple[DefectWish, ...]
    style: CastingStyle
    light: str
    mat_tint: str | None  # None: no mat
    speckle: bool
    bench: str
    size_px: tuple[int, int]
    px_per_mm: float
    focal_35mm: float
    tilt_deg: float
    tilt_towards_deg: float
    roll_deg: float
    target_xy: tuple[float, float]
    piece_xy: tuple[float, float]
    piece_turn_deg: float
    piece_lean_deg: float
    exposure_stops: float
    noise: float
    blur_px: float
    quality: int
    exif: bool
    stored_turned: bool  # EXIF Orientation 6
    taken_at: str
    unusable: str | None = None
    notes: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class _SetPlan:
    molds: tuple[str, ...]
    split: str
    references: int
    photos: int  # of each mold, references not counted
    good_share: float
    fine_share: float  # at about 13 px/mm
    unusable: int
    crowded: bool = False  # ten defects on each broken piece; else mostly one, now and then two
    plain: bool = False  # mostly on plain mats, which tell least where a piece ends; else mostly on those with a print


SETS = {
    "draft": _SetPlan(DEMO + TUNING, "tuning", 3, 11, 0.36, 0.2, 0),
    "tuning": _SetPlan(DEMO + TUNING, "tuning", 5, 17, 0.4, 0.33, 4),
    # For reporting until choices had come to rest on it; its name stays, since all that was drawn follows from it.
    "evaluation": _SetPlan(EVALUATION + DEMO, "tuning", 5, 21, 0.4, 0.33, 4),
    # For reporting: four molds that nothing else shows, and new photos of eight.
    "proof": _SetPlan(PROOF + EVALUATION + DEMO, "evaluation", 5, 25, 0.4, 0.25, 4),
    # Much to learn from in few photos; figures of merit need pieces as they come.
    "learning": _SetPlan(LEARNING, "tuning", 3, 7, 0.15, 0.06, 0, crowded=True),
    # What the same piece looks like in all sorts of light: matching learns from it.
    "matching": _SetPlan(MATCHING, "tuning", 3, 5, 0.5, 0.0, 0),
    # Where a piece ends on paper, wood or cloth: outlining learns from it.
    "outlining": _SetPlan(OUTLINING, "tuning", 1, 8, 0.5, 0.0, 0, plain=True),
    # What looks like damage and what is, on molds that the networks of the damage map never saw.
    "looking-closer": _SetPlan(LOOKING_CLOSER, "tuning", 3, 9, 0.34, 0.12, 0, crowded=True),
    "samples": _SetPlan(DEMO, "tuning", 3, 12, 0.34, 0.07, 5),
}


def plan_set(set_name: str) -> list[PhotoPlan]:
    """All photos of a set, references first for each mold."""
    plan = SETS[set_name]
    photos: list[PhotoPlan] = []
    wish = _Wishes(_seed(set_name, "wishes"))
    serial = 0
    for mold in plan.molds:
        photos += [
            _draw(set_name, mold, f"r{k}", plan.split, (), reference=k, fine=False)
            for k in range(1, plan.references + 1)
        ]
        for k in range(plan.photos):
            # Of any run of photos, an even share is good and an even share is fine.
            good = int((serial + 1) * plan.good_share) > int(serial * plan.good_share)
            fine = int((serial + 1) * plan.fine_share + 0.5) > int(serial * plan.fine_share + 0.5)
            serial += 1
            wishes = () if good else wish.next(crowded=plan.crowded)
            photos.append(_draw(set_name, mold, f"{mold}-{k + 1:02d}", plan.split, wishes, reference=0, fine=fine))
    troubles = ("blurred", "too dark", "burnt out", "cut off", "another mold")
    for k in range(plan.unusable):
        mold, trouble = plan.molds[k % len(plan.molds)], troubles[(k + (len(plan.molds) > 4)) % len(troubles)]
        photos.append(
            _draw(set_name, mold, f"{mold}-unusable-{k + 1}", plan.split, (), reference=0, fine=False, trouble=trouble)
        )
    return [_mostly_plain(set_name, photo) for photo in photos] if plan.plain else photos


def _mostly_plain(set_name: str, photo: PhotoPlan) -> PhotoPlan:
    """The same photo on a plain mat (11 of 20), on one with a print, or (4 of 20) on the bare bench."""
    rng = np.random.default_rng(_seed(set_name, photo.folder, photo.name, "mat"))
    kind, tint = rng.random(), str(rng.choice(["white", "light grey", "mid grey"], p=(0.5, 0.3, 0.2)))
    if kind < 0.55:
        return replace(photo, mat_tint=tint, speckle=False)
    return replace(photo, mat_tint="white" if kind < 0.8 else None, speckle=kind < 0.8)


class _Wishes:
    """Defects in turn, with sizes spread evenly over their range."""

    def __init__(self, seed: int) -> None:
        self._count: dict[str, int] = {}
        self._rng = np.random.default_rng(seed)
        self._order = (
            "chip",
            "hairline crack",
            "missing feature",
            "chip",
            "hairline crack",
            "missing feature",
            "chip",
            "hairline crack",
            "surface void",
            "chip",
            "missing feature",
            "hairline crack",
            "excess",
        )
        self._at = 0

    def _one(self) -> DefectWish:
        kind = self._order[self._at % len(self._order)]
        self._at += 1
        return self._sized(kind)

    def _sized(self, kind: str) -> DefectWish:
        k = self._count[kind] = self._count.get(kind, -1) + 1
        u = (0.37 + k * GOLDEN) % 1.0
        low, high = {
            "chip": CHIP_MM,
            "hairline crack": CRACK_MM,
            "missing feature": MISSING_MM,
            "surface void": VOID_MM,
            "excess": FIN_MM,
        }[kind]
        return DefectWish(kind, round(float(low * (high / low) ** u), 2))

    def next(self, *, crowded: bool) -> tuple[DefectWish, ...]:
        """The defects of the next broken piece."""
        if crowded:
            return tuple(self._sized(kind) for kind in CROWD)
        return (self._one(), self._one()) if self._rng.random() < 0.35 else (self._one(),)


def _seed(*parts: str) -> int:
    return zlib.crc32("/".join(parts).encode())


def _draw(
    set_name: str,
    mold: str,
    name: str,
    split: str,
    wishes: tuple[DefectWish, ...],
    *,
    reference: int,
    fine: bool,
    trouble: str | None = None,
) -> PhotoPlan:
    seed = _seed(set_name, mold, name)
    rng = np.random.default_rng(seed)
    notes: list[str] = []
    plan_quality = (78, 87) if set_name == "samples" else (82, 94)  # those in the repository are kept small
    shown = mold
    if trouble == "another mold":
        shown = str(rng.choice([m for m in MOLDS if m != mold and m in DEMO + EVALUATION]))
    if reference:
        light = ("soft window", "overcast dome", "hard lamp", "two lamps", "ceiling tube")[(reference - 1) % 5]
    else:
        light = str(rng.choice(LIGHTS, p=(0.22, 0.16, 0.18, 0.14, 0.10, 0.08, 0.12)))
    style_rng = np.random.default_rng(_seed(set_name, mold, "workshop"))
    usual_mix = str(style_rng.choice(["grey", "light grey", "buff", "sand"]))
    mix = usual_mix if reference or rng.random() < 0.6 else str(rng.choice(list(MIX_COLOURS)))
    if mix != usual_mix:
        notes.append("another mix colour")
    calm = bool(reference)
    wet = 0.0 if calm or rng.random() < 0.72 else float(rng.uniform(0.08, 0.5))
    bloom = 0.0 if calm or rng.random() < 0.72 else float(rng.uniform(0.3, 0.9))
    dust = 0.0 if calm or rng.random() < 0.8 else float(rng.uniform(0.3, 0.9))
    sheen = 0.0 if calm or rng.random() < 0.8 else float(rng.uniform(0.4, 1.0))
    seam = bool(rng.random() < 0.3)
    for flag, note in (
        (wet > 0, "wet patches"),
        (bloom > 0, "efflorescence bloom"),
        (dust > 0, "dust"),
        (sheen > 0, "release-agent sheen"),
        (seam, "seam"),
        (light in ("hard lamp", "two lamps", "low raking"), "cast shadow"),
    ):
        if flag:
            notes.append(note)
    style = CastingStyle(
        mix,
        float(rng.uniform(0.014, 0.034)),
        int(rng.poisson(5)),
        int(rng.poisson(0.5 if calm else 1.2)),
        wet,
        bloom,
        dust,
        sheen,
        seam,
    )
    mat_draw = rng.random()
    if reference or mat_draw < 0.86:
        speckle_draw = np.random.default_rng(_seed(set_name, mold, "mat")).random()
        own_speckle = speckle_draw < 0.6
        speckle = own_speckle if rng.random() < 0.8 else not own_speckle
        tint: str | None = (
            "white" if speckle else str(rng.choice(["white", "light grey", "mid grey"], p=(0.45, 0.35, 0.2)))
        )
    else:
        speckle, tint = False, None
        notes.append("no mat")
    bench = str(rng.choice(BENCHES))
    size = SIZES_PX["near 13 px/mm"] if fine else SIZES_PX["near 5 px/mm"]
    scale = float(rng.uniform(11.8, 13.2) if fine else rng.uniform(4.7, 5.4))
    focal = float(rng.choice([26, 28, 35, 48, 52, 65], p=(0.2, 0.2, 0.2, 0.15, 0.15, 0.1)))
    if fine:
        focal = float(rng.choice([35, 48, 52, 65]))
    tilt = float(abs(rng.normal(0, 3.5)) if calm else abs(rng.normal(0, 7.5)))
    tilt = min(tilt, 20.0)
    roll = float(rng.normal(0, 6))
    turned = bool(rng.random() < 0.10) and not reference
    if turned:
        roll += float(rng.choice([90, -90, 180]))
    portrait = abs(abs(roll) - 90) < 30
    if portrait:
        size = (size[1], size[0])
    turn = float(rng.normal(0, 5) if calm else rng.normal(0, 7))
    turn = float(np.clip(turn, -14, 14))
    if not reference and rng.random() < 0.08:
        turn = float(rng.uniform(-180, 180))
        notes.append("any angle")
    lean = 0.0
    if not reference and rng.random() < 0.15:
        lean = float(rng.uniform(0.3, 1.1))
        notes.append("slightly different pose")
    day = int(rng.integers(1, 250))
    taken = (
        np.datetime64("2025-01-06T07:30:00")
        + np.timedelta64(day, "D")
        + np.timedelta64(int(rng.integers(0, 34200)), "s")
    )
    exposure, blur, noise_level = (
        float(rng.normal(0, 0.18)),
        float(rng.uniform(0.5, 0.85)),
        float(rng.uniform(0.5, 1.3)),
    )
    if trouble == "blurred":
        blur = float(rng.uniform(7, 12))
    elif trouble == "too dark":
        exposure, noise_level = -4.2, 3.0
    elif trouble == "burnt out":
        exposure = 3.2
    return PhotoPlan(
        name=name,
        folder=mold,
        mold=shown,
        split=split,
        seed=seed,
        reference=bool(reference),
        wishes=wishes,
        style=style,
        light=light,
        mat_tint=tint,
        speckle=speckle,
        bench=bench,
        size_px=size,
        px_per_mm=scale,
        focal_35mm=focal,
        tilt_deg=tilt,
        tilt_towards_deg=float(rng.uniform(0, 360)),
        roll_deg=roll,
        target_xy=(float(rng.normal(0, 6)), float(rng.normal(0, 6))),
        piece_xy=(float(rng.normal(0, 7)), float(rng.normal(0, 5))),
        piece_turn_deg=turn,
        piece_lean_deg=lean,
        exposure_stops=exposure,
        noise=noise_level,
        blur_px=blur * (1.5 if fine else 1.0),
        quality=int(rng.integers(*plan_quality)),
        exif=bool(rng.random() < 0.85),
        stored_turned=portrait or bool(rng.random() < 0.05),
        taken_at=str(taken).replace("T", " ").replace("-", ":"),
        unusable=None if trouble is None else trouble,
        notes=tuple(notes),
    )

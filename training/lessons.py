"""What the judge learns from: aligned photos of many molds on one device, cut into squares at random."""

from __future__ import annotations

import pickle
import zlib
from dataclasses import dataclass, fields
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn.functional import grid_sample, interpolate, max_pool2d, pad

from inspector.comparing.appearance import FARTHEST, GAIN
from inspector.imaging.light import AROUND_MM, COARSER, DETAIL_MM, log_light
from inspector.inspection.damage_map import DEEPEST_MM, FARTHEST_ODDS
from inspector.inspection.painted_damage import paint_damage
from tests.benchmarks.aligned_mold import LEAST_ODDS, ODDS_LEVELS, AlignedMold, AlignedPhoto, decoded
from training.castings import CHIP, CRACK, MISSING
from training.fields import blurred
from training.photos import PX_PER_MM, MoldPhotos

__all__ = ["Batch", "MoldLessons", "as_another_photo", "from_layers", "from_rendered", "looks", "of_crops"]

ANSWERS = {"missing feature": MISSING, "chip": CHIP, "surface void": CHIP, "hairline crack": CRACK}
CROP, RIM = 192, 8  # px of a photo, px of the map that see too little around them
# What a sound place weighs, and a defect as a whole (a crack more, being thin), each of its places within limits.
SOUND, ANOTHER_KIND = 0.25, 0.05
DEFECT, CRACK_WEIGHT, MOST = 400.0, 800.0, 12.0
MAP_PX_MM2 = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class MoldLessons:
    """One mold's aligned photos."""

    references: Tensor  # (r, h, w) uint8
    photos: Tensor  # (p, h, w) uint8
    usual: Tensor  # (r + p,) log light of the piece as a whole
    mask: Tensor  # (h, w) bool
    deep: Tensor  # (h, w) float16, as the judge takes it
    piece_odds: Tensor  # (p, h, w) float16
    answers: Tensor  # (p, 3, h / 2, w / 2) bool
    near: Tensor  # (p, h / 2, w / 2) bool
    judged: Tensor  # (p, h / 2, w / 2) bool
    area: Tensor  # (p, h / 2, w / 2) float16
    defects_at: tuple[NDArray[np.int64], ...]  # (n, 2) rows and columns of places of defects, a photo

    def to(self, device: torch.device) -> MoldLessons:
        """The same elsewhere."""
        values = {field.name: getattr(self, field.name) for field in fields(self)}
        return MoldLessons(
            **{name: value.to(device) if isinstance(value, Tensor) else value for name, value in values.items()}
        )


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Squares of photos and what is wanted of them."""

    surface: Tensor
    references: Tensor
    used: Tensor
    deep: Tensor
    piece_odds: Tensor
    wanted: Tensor
    weight: Tensor


def _log_table(device: torch.device) -> Tensor:
    return torch.from_numpy(log_light(np.arange(256, dtype=np.uint8)[None])[0]).to(device)


def _usual(grays: Tensor, mask: Tensor) -> Tensor:
    table = _log_table(grays.device)
    return torch.stack([table[one[mask][::8].long()].median() for one in grays])


def _places(answers: Tensor) -> tuple[NDArray[np.int64], ...]:
    found = []
    for one in answers.any(1):
        places = torch.nonzero(one).cpu().numpy() * 2
        found.append(places[:: max(1, len(places) // 400)])
    return tuple(found)


def _deep(mask: NDArray[np.bool_]) -> Tensor:
    inside_mm = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) / np.float32(PX_PER_MM)
    return torch.from_numpy(np.minimum(inside_mm, DEEPEST_MM) / np.float32(0.5 * DEEPEST_MM)).half()


def from_rendered(mold: MoldPhotos) -> MoldLessons:
    """Lessons of a mold that was drawn here."""
    mask = mold.mask
    wide = max_pool2d(mask[None, None].float(), 9, 1, 4)[:, :, ::2, ::2] > 0
    return MoldLessons(
        references=mold.references,
        photos=mold.photos,
        usual=_usual(torch.cat([mold.references, mold.photos]), mask),
        mask=mask,
        deep=_deep(mask.cpu().numpy()).to(mask.device),
        piece_odds=(mold.piece_odds / (0.5 * FARTHEST_ODDS)).half(),
        answers=mold.answers,
        near=mold.near,
        judged=wide[0].expand(len(mold.photos), -1, -1),
        area=mold.area,
        defects_at=_places(mold.answers),
    )


def from_layers(path: Path, *, copies: int) -> MoldLessons:
    """Lessons of a mold that `aligned_layers` kept: each photo as it is and with damage painted into it."""
    mold: AlignedMold = pickle.loads(path.read_bytes())
    mask = decoded(mold.mask)
    part = np.s_[: mask.shape[0] // 8 * 8, : mask.shape[1] // 8 * 8]
    mask = mask[part]
    references = np.stack([decoded(one)[part] for one in mold.references])
    grays, odds_of, answers, near, judged, area = [], [], [], [], [], []
    for photo in mold.photos:
        gray, valid, defects = (decoded(one)[part] for one in (photo.gray, photo.valid, photo.defects))
        odds = decoded(photo.piece_odds)[part].astype(np.float32) / ODDS_LEVELS + LEAST_ODDS
        seen = (valid > 0) & (cv2.dilate(mask, np.ones((9, 9), dtype=np.uint8)) > 127)
        for copy in range(copies + 1):
            image, numbers, kinds = gray, defects, photo.kinds
            if copy > 0:
                painted = _painted(photo, gray, (mask > 127) & (odds > 0) & (valid > 0), defects, copy)
                if painted is None:
                    continue
                image, numbers, kinds = painted
            truth = _truth(numbers, kinds)
            grays.append(image)
            odds_of.append(np.clip(odds, -FARTHEST_ODDS, FARTHEST_ODDS) / np.float32(0.5 * FARTHEST_ODDS))
            judged.append(cv2.resize(seen.astype(np.uint8), truth[0].shape[:0:-1], interpolation=cv2.INTER_NEAREST) > 0)
            for where, what in zip((answers, near, area), truth, strict=True):
                where.append(what)
    tensors = [torch.from_numpy(np.stack(one)) for one in (references, grays, odds_of, answers, near, judged, area)]
    where = torch.from_numpy(mask > 127)
    return MoldLessons(
        references=tensors[0],
        photos=tensors[1],
        usual=_usual(torch.cat(tensors[:2]), where),
        mask=where,
        deep=_deep(mask > 127),
        piece_odds=tensors[2].half(),
        answers=tensors[3],
        near=tensors[4],
        judged=tensors[5],
        area=tensors[6].half(),
        defects_at=_places(tensors[3]),
    )


def _painted(
    photo: AlignedPhoto, gray: NDArray[np.uint8], piece: NDArray[np.bool_], defects: NDArray[np.uint8], copy: int
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], tuple[str, ...]] | None:
    """A photo with more damage; None where too little of the piece is left for it."""
    piece = piece & (cv2.dilate((defects > 0).astype(np.uint8), np.ones((9, 9), dtype=np.uint8)) == 0)
    if np.count_nonzero(piece) < 2000:
        return None
    rng = np.random.default_rng([zlib.crc32(photo.name.encode()), copy])
    bgr = cv2.cvtColor(gray, cv2.COLOR_GRAY2BGR)
    added = paint_damage(bgr, piece, px_per_mm=PX_PER_MM, rng=rng, defects=6, stains=4)
    numbers = defects.copy()
    for number, mask in enumerate(added.masks, start=len(photo.kinds) + 1):
        numbers[mask] = number
    return cv2.cvtColor(added.image_bgr, cv2.COLOR_BGR2GRAY), numbers, photo.kinds + added.kinds


def _truth(
    numbers: NDArray[np.uint8], kinds: tuple[str, ...]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.float32]]:
    """Answers, what is near a defect, and how large that is, on the raster of the map."""
    size = (numbers.shape[1] // 2, numbers.shape[0] // 2)
    answers = np.zeros((3, size[1], size[0]), dtype=np.bool_)
    near = np.zeros((size[1], size[0]), dtype=np.uint8)
    area = np.zeros((size[1], size[0]), dtype=np.float32)
    for number, kind in enumerate(kinds, start=1):
        share = cv2.resize((numbers == number).astype(np.float32), size, interpolation=cv2.INTER_AREA)
        near |= cv2.dilate((share > 0.05).astype(np.uint8), np.ones((5, 5), dtype=np.uint8))
        on = share > (0.2 if kind == "hairline crack" else 0.45)
        if kind in ANSWERS:
            answers[ANSWERS[kind]] |= on
            area[on] = np.count_nonzero(on) * MAP_PX_MM2
    return answers, near > 0, area


def of_crops(molds: list[MoldLessons], chosen: list[int], rng: np.random.Generator, most_references: int) -> Batch:
    """One square of each chosen mold, mostly about a defect, turned and mirrored at random."""
    parts: list[tuple[Tensor, ...]] = []
    used = np.zeros((len(chosen), most_references), dtype=np.bool_)
    for row, number in enumerate(chosen):
        mold = molds[number]
        k = int(rng.integers(len(mold.photos)))
        height, width = mold.mask.shape
        at = mold.defects_at[k]
        if len(at) and rng.random() < 0.6:
            middle = at[rng.integers(len(at))] + rng.integers(-CROP // 3, CROP // 3, 2)
        else:
            middle = rng.uniform([0, 0], [height, width])
        top = int(np.clip(middle[0] - CROP // 2, 0, max(0, height - CROP))) // 2 * 2
        left = int(np.clip(middle[1] - CROP // 2, 0, max(0, width - CROP))) // 2 * 2
        here = (..., slice(top, top + CROP), slice(left, left + CROP))
        on_map = (..., slice(top // 2, (top + CROP) // 2), slice(left // 2, (left + CROP) // 2))
        count = int(rng.integers(1, most_references + 1))
        order = rng.permutation(len(mold.references))
        picked = [int(order[i % len(order)]) for i in range(most_references)]
        used[row, : min(count, len(order))] = True
        grays = torch.stack([mold.photos[k][here], *(mold.references[i][here] for i in picked)])
        usual = torch.stack([mold.usual[len(mold.references) + k], *(mold.usual[i] for i in picked)])
        fine = (grays, mold.mask[here][None], mold.deep[here][None], mold.piece_odds[k][here][None])
        coarse = (
            mold.answers[k][on_map], mold.near[k][on_map][None], mold.judged[k][on_map][None], mold.area[k][on_map][None],
        )  # fmt: skip
        turns, mirrored = int(rng.integers(4)), rng.random() < 0.5
        cut = [_turned(one, CROP, turns, mirrored) for one in fine] + [
            _turned(one, CROP // 2, turns, mirrored) for one in coarse
        ]
        parts.append((*cut, usual))
    grays, mask, deep, odds, answers, near, judged, area, usual = (torch.stack(one) for one in zip(*parts, strict=True))
    surfaces = looks(grays, mask[:, 0], usual)
    wanted, weight = _weighed(answers, near, judged, area.float())
    return Batch(
        surface=surfaces[:, 0],
        references=surfaces[:, 1:],
        used=torch.from_numpy(used).to(grays.device),
        deep=deep.float(),
        piece_odds=odds.float(),
        wanted=wanted,
        weight=weight,
    )


def _turned(image: Tensor, side: int, quarter_turns: int, mirrored: bool) -> Tensor:
    image = pad(image, (0, side - image.shape[-1], 0, side - image.shape[-2]))
    image = torch.rot90(image, quarter_turns, (-2, -1))
    return image.flip(-1) if mirrored else image


def looks(grays: Tensor, mask: Tensor, usual: Tensor) -> Tensor:
    """`inspector.comparing.appearance` of photos (b, k, h, w) uint8 over masks (b, h, w): (b, k, 3, h, w)."""
    count, each, height, width = grays.shape
    logs = _log_table(grays.device)[grays.long()]
    small = (height // COARSER, width // COARSER)
    sigma = AROUND_MM * PX_PER_MM / COARSER

    def around_of(values: Tensor) -> Tensor:
        return blurred(interpolate(values, size=small, mode="area"), sigma)

    on = mask[:, None].float()
    around = around_of(logs * on) / around_of(on).clamp(min=0.05)
    around = interpolate(around, size=(height, width), mode="bilinear", align_corners=False)
    detail = logs - blurred(logs, DETAIL_MM * PX_PER_MM)
    three = torch.stack([logs - around, detail, logs - usual[:, :, None, None]], 2)
    gain = torch.tensor(GAIN, device=grays.device)[None, None, :, None, None]
    assert three.shape == (count, each, 3, height, width)
    return (three * gain).clamp(-FARTHEST, FARTHEST)


def _weighed(answers: Tensor, near: Tensor, judged: Tensor, area: Tensor) -> tuple[Tensor, Tensor]:
    """What is wanted, and what each place weighs."""
    wanted = answers.float()
    damaged = answers.any(1, keepdim=True)
    each = torch.tensor([DEFECT, DEFECT, CRACK_WEIGHT], device=area.device)[None, :, None, None]
    share = (each / (area / MAP_PX_MM2).clamp(min=1)).clamp(1, MOST)
    weight = torch.where(answers, share, torch.where(damaged, ANOTHER_KIND, torch.where(near, 0.0, SOUND)))
    weight = weight * judged
    weight[..., :RIM, :] = weight[..., -RIM:, :] = weight[..., :, :RIM] = weight[..., :, -RIM:] = 0
    return wanted, weight


def as_another_photo(surface: Tensor, references: Tensor, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
    """Change what differs between two photos of one sound piece: light, sharpness, noise, stains, the fit."""
    count, side, device = len(surface), surface.shape[-1], surface.device

    def each(*, low: float = 0.0, high: float = 1.0) -> Tensor:
        return low + (high - low) * torch.rand(count, 1, 1, 1, device=device)

    def field(channels: int, wavelength_px: float) -> Tensor:
        few = max(2, int(side / wavelength_px) + 1)
        small = torch.randn(count, channels, few, few, device=device)
        return interpolate(small, size=(side, side), mode="bicubic", align_corners=True)

    # In `appearance`: contrast has a gain of two, detail of four, brightness of one.
    surface = surface * torch.exp(0.18 * torch.randn(count, 1, 1, 1, device=device))
    slope = 0.12 * field(1, 60.0)
    surface = surface + torch.cat([0.5 * slope, torch.zeros_like(slope), slope], 1)
    if rng.random() < 0.35:
        sigma = float(rng.uniform(0.4, 1.1))
        if rng.random() < 0.5:
            surface = blurred(surface, sigma)
        else:
            references = blurred(references.flatten(0, 1), sigma).unflatten(0, references.shape[:2])
    if rng.random() < 0.35:  # a shadow or a stain that falls on the piece in this photo only
        sharp = float(np.exp(rng.uniform(np.log(2), np.log(25))))
        dark = torch.sigmoid(sharp * (field(1, float(rng.uniform(25, 90))) + 0.5 * rng.normal()))
        dark = -0.9 * each() * (each() < 0.6) * dark
        surface = surface + torch.cat([2 * (dark - blurred(dark, 16.0)), 4 * (dark - blurred(dark, 2.0)), dark], 1)
    noise = 0.06 * each() * torch.randn(count, 1, side, side, device=device)
    surface = surface + torch.cat([2 * noise, 4 * noise, noise], 1)
    shift = 0.8 * each() * field(2, 28.0)
    along = torch.linspace(-1, 1, side, device=device)
    still = torch.stack(torch.meshgrid(along, along, indexing="ij")[::-1], -1)
    moved = still[None] + shift.permute(0, 2, 3, 1) * (2 / side)
    surface = grid_sample(surface, moved, mode="bilinear", padding_mode="border", align_corners=True)
    return surface.clamp(-FARTHEST, FARTHEST), references

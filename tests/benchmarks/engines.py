"""What the learned comparison brings: classic alone, networks alone and both, at equal false findings.

    python -m tests.benchmarks.engines JUDGED_FOLDER --fitted-on FOLDER [FOLDER...] [--references 1 3 8] [--keep DIR]

Photos are aligned once; every candidate of each way is labelled by the rule that `score` uses, and each way gets
weights of its own, fitted to the other folders as `fit_confidence` does. The networks alone know what their map says of
a place and no more. Of each way's candidates those are kept whose odds beat the limit of their source by a factor, the
surer of two at one place, and that factor is chosen so that good pieces have so many false findings each. Where a mold
has fewer references than asked for, photos of its good pieces become references, and nobody judges those, with however
many references.
"""

from __future__ import annotations

import argparse
import multiprocessing
import pickle
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from shapely.geometry.base import BaseGeometry

from inspector.errors import InspectorError
from inspector.imaging.reading import read_photo
from inspector.inspection import Reference, combine, prepare_reference
from inspector.inspection.confidence import JUDGED_ALONE, SHOWN_FROM, Weights
from inspector.inspection.findings import JOINED_WITHIN_MM, MOST_SHARED, polygon_of
from inspector.inspection.limits import GROWN_MM
from inspector.workshop.mold_folder import read_mold_folder
from tests.benchmarks.bench_folder import BenchMold, matched_photos, read_bench
from tests.benchmarks.figures import BINS
from tests.benchmarks.fit_confidence import RIDGE, candidates_of_both, fit
from tests.benchmarks.judging import is_hit, polygon
from tests.benchmarks.labelled_photo import LabelledPhoto, Place

# What the map itself says of a place.
MAP_ALONE = {
    "damage": (
        "peak", "high", "median", "sure_mm2", "chip_peak", "feature_peak", "chip_share", "crack_peak", "area_mm2",
        "length_mm", "width_mm", "thick_mm", "edge", "deep", "strong_others", "rank", "ahead", "references",
    ),
    "crack": (
        "crack_odds", "crack_odds_low", "crack_odds_high", "damage_odds", "peak", "high", "median", "sure_mm2",
        "area_mm2", "strong_others", "ahead", "reach_mm", "length_mm", "references",
    ),
}  # fmt: skip
FALSE_A_PIECE = (0.1, 0.2, 0.3)
FOUND = {
    name: BINS[name]
    for name in (
        "missing feature >= 8 mm", "chip >= 4 mm", "chip 2 to 4 mm", "crack >= 0.4 mm", "crack 0.2 to 0.4 mm",
        "crack < 0.2 mm", "surface void",
    )
}  # fmt: skip


def label_mold(job: tuple[BenchMold, int, int]) -> list[LabelledPhoto]:
    """Candidates of the photos of a mold with a number of references; spared from judging are as many as the most."""
    mold, count, most = job
    cv2.setNumThreads(1)
    own = read_mold_folder(mold.folder).photos
    good = (path for path, truth in mold.photos if truth["good"] and not truth.get("unusable"))
    spared = list(islice(_references(good), max(0, most - len(own))))
    references = [*islice(_references(own), min(count, len(own))), *spared[: max(0, count - len(own))]]
    names = {path for path, _ in spared}
    judged = replace(mold, photos=tuple(one for one in mold.photos if one[0] not in names))
    model = combine([reference for _, reference in references])
    photos = []
    for path, truth, view, warp, evidence in matched_photos(judged, model):
        defects = [(d["kind"], polygon(d["polygon"])) for d in truth["defects"]]
        places = []
        for candidate in candidates_of_both(model, evidence):
            area = polygon(polygon_of(candidate, view, warp).tolist())
            grown = area.buffer(GROWN_MM * truth["px_per_mm"])
            hits = tuple(number for number, (_, real) in enumerate(defects) if is_hit(grown, real))
            by_line = candidate.source in ("damage", "relief") and bool(hits)
            learnable = not by_line or any(defects[hit][0] != "hairline crack" for hit in hits)
            places.append(Place(candidate.source, candidate.numbers, area, hits, learnable))
        sizes = tuple(
            {"kind": d["kind"], "extent_mm": d["extent_mm"], "crack_width_mm": d["width_mm"]} for d in truth["defects"]
        )
        photos.append(LabelledPhoto(path.name, truth["light"], truth["good"], truth["px_per_mm"], sizes, tuple(places)))
    print(f"{mold.name}, {len(model.references)} references: {len(photos)} photos", flush=True)
    return photos


def _references(paths: Sequence[Path] | Iterator[Path]) -> Iterator[tuple[Path, Reference]]:
    """The photos that will do as references."""
    for path in paths:
        try:
            yield path, prepare_reference(read_photo(path.read_bytes(), name=path.name))
        except InspectorError as error:
            print(error, flush=True)


def beyond_limits(
    way: str, fitted_on: Sequence[LabelledPhoto], judged: Sequence[LabelledPhoto]
) -> list[list[tuple[float, Place]]]:
    """The candidates of one way, each with how far its log odds lie beyond the limit of its source, photo by photo."""
    weights = {name: _fit(fitted_on, source, only, without) for name, source, only, without in WAYS[way]}
    found = []
    for photo in judged:
        best: dict[int, float] = {}
        for name, source, _, _ in WAYS[way]:
            for number, place in enumerate(photo.places):
                if place.source == source:
                    best[number] = max(best.get(number, 1e-9), weights[name].probability(place.numbers))
        places = [(sure, photo.places[number]) for number, sure in best.items()]
        found.append([(_log_odds(sure) - _log_odds(SHOWN_FROM[place.source]), place) for sure, place in places])
    return found


def _log_odds(probability: float) -> float:
    return float(np.log(probability / (1 - probability)))


# Of each way: name, source, the only numbers that are looked at (none: all), numbers that are not.
WAYS: dict[str, tuple[tuple[str, str, tuple[str, ...], tuple[str, ...]], ...]] = {
    "classic": (
        ("outline alone", "outline", (), JUDGED_ALONE["outline"]),
        ("excess", "excess", (), ()),
        ("relief", "relief", (), ()),
        ("bare line", "bare line", (), ()),
    ),
    "networks": (("damage", "damage", MAP_ALONE["damage"], ()), ("crack", "crack", MAP_ALONE["crack"], ())),
    "both": (
        ("outline", "outline", (), ()),
        ("outline alone", "outline", (), JUDGED_ALONE["outline"]),
        ("excess", "excess", (), ()),
        ("damage", "damage", (), ()),
        ("crack", "crack", (), ()),
        ("line", "line", (), ()),
    ),
}


def _fit(photos: Sequence[LabelledPhoto], source: str, only: tuple[str, ...], without: tuple[str, ...]) -> Weights:
    rows: list[dict[str, Any]] = [
        {"numbers": place.numbers, "hit": place.hits or None}
        for photo in photos
        for place in photo.places
        if place.source == source and place.learnable
    ]
    left_out = (set(rows[0]["numbers"]) - set(only)) if only else set(without)
    return Weights.read(fit(rows, RIDGE[source], without=tuple(left_out)))


def kept(photo: LabelledPhoto, found: Sequence[tuple[float, Place]]) -> list[tuple[float, Place]]:
    """The surer of candidates at one place, as findings are kept."""
    taken: BaseGeometry | None = None
    result = []
    for sure, place in sorted(found, key=lambda one: -one[0]):
        if taken is not None and place.area.intersection(taken).area > MOST_SHARED * place.area.area:
            continue
        result.append((sure, place))
        around = place.area.buffer(JOINED_WITHIN_MM * photo.px_per_mm)
        taken = around if taken is None else taken.union(around)
    return result


def limit_for(photos: Sequence[LabelledPhoto], found: Sequence[Sequence[tuple[float, Place]]], false: float) -> float:
    """How far beyond the limits a candidate must lie for good pieces to have at most so many findings each."""
    good = [one for photo, one in zip(photos, found, strict=True) if photo.good]
    wrong = sorted((sure for one in good for sure, _ in one), reverse=True)
    allowed = int(false * len(good))
    return wrong[allowed] if allowed < len(wrong) else -np.inf


def share(
    photos: Sequence[LabelledPhoto], found: Sequence[Sequence[tuple[float, Place]]], limit: float, name: str
) -> tuple[int, int]:
    """How many of the defects of one size are found, and how many there are."""
    hit = total = 0
    for photo, places in zip(photos, found, strict=True):
        seen = {number for sure, place in places if sure > limit for number in place.hits}
        for number, defect in enumerate(photo.defects):
            if FOUND[name](defect):
                total += 1
                hit += number in seen
    return hit, total


def main() -> None:
    """Read the arguments, label, fit, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("judged", type=Path)
    parser.add_argument("--fitted-on", type=Path, nargs="+", required=True)
    parser.add_argument("--references", type=int, nargs="+", default=[1, 3, 8])
    parser.add_argument("--keep", type=Path, help="folder for labels, which are not made again")
    arguments = parser.parse_args()
    most = max(arguments.references)
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as pool:
        fitted_on = [
            photo
            for folder in arguments.fitted_on
            for count in (1, 3)
            for photo in _labelled(pool, folder, count, count, arguments.keep)
        ]
        judged = {n: _labelled(pool, arguments.judged, n, most, arguments.keep) for n in arguments.references}
    for count, photos in judged.items():
        ways = {way: beyond_limits(way, fitted_on, photos) for way in WAYS}
        found = {way: [kept(*one) for one in zip(photos, each, strict=True)] for way, each in ways.items()}
        _print(count, photos, found)


def _labelled(pool: ProcessPoolExecutor, folder: Path, count: int, most: int, keep: Path | None) -> list[LabelledPhoto]:
    kept_at = None if keep is None else keep / f"{folder.name}-{count}-{most}.pickle"
    if kept_at is not None and kept_at.is_file():
        return list(pickle.loads(kept_at.read_bytes()))
    labelled = [one for few in pool.map(label_mold, [(m, count, most) for m in read_bench(folder)]) for one in few]
    if kept_at is not None:
        kept_at.parent.mkdir(parents=True, exist_ok=True)
        kept_at.write_bytes(pickle.dumps(labelled))
    return labelled


def _print(count: int, photos: Sequence[LabelledPhoto], found: dict[str, list[list[tuple[float, Place]]]]) -> None:
    print(f"\n{count} references, {len(photos)} photos, {sum(photo.good for photo in photos)} good pieces")
    print(f"| false on a good piece | compared by | {' | '.join(FOUND)} |")
    for false in FALSE_A_PIECE:
        for way, places in found.items():
            limit = limit_for(photos, places, false)
            cells = ["{} of {}".format(*share(photos, places, limit, name)) for name in FOUND]
            print(f"| {false} | {way} | {' | '.join(cells)} |")
    print("missed of all above, by light, at 0.2 false findings a good piece:")
    for light in sorted({photo.light for photo in photos}):
        told = []
        for way, places in found.items():
            limit = limit_for(photos, places, 0.2)
            here = [(photo, one) for photo, one in zip(photos, places, strict=True) if photo.light == light]
            shares = np.array([share([p for p, _ in here], [o for _, o in here], limit, name) for name in FOUND])
            told.append(f"{way} {shares[:, 1].sum() - shares[:, 0].sum()} of {shares[:, 1].sum()}")
        print(f"  {light}: {', '.join(told)}")


if __name__ == "__main__":
    main()

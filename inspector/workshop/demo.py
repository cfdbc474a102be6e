"""The demo workshop: molds, mixes and pours of an invented maker of garden ornaments, with sample photos.

Molds and photos come from the folders `reference_shapes` and `sample_images`; what was made when is invented
here, the same each time, so that building the demo again adds nothing.
"""

import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path

from inspector.errors import InspectorError
from inspector.log import Admixture, CementClass, Mix
from inspector.workshop.results import PieceFacts, Recorded
from inspector.workshop.workshop import Workshop

__all__ = [
    "DemoFolders",
    "DemoPhoto",
    "add_demo_mixes",
    "add_demo_molds",
    "fill_demo_molds",
    "find_demo_folders",
    "read_demo_photos",
    "record_demo_photos",
]


@dataclass(frozen=True, slots=True)
class _DemoMix:
    name: str
    cement_class: CementClass
    water_cement_ratio: float
    aggregate: str
    admixtures: tuple[Admixture, ...]
    fibres: str


# Recipes such as garden ornaments are made of (common practice, no source).
_MIXES = (
    _DemoMix("grey", "N", 0.45, "washed sand 0-2 mm", (Admixture("plasticizer", 0.8),), ""),
    _DemoMix(
        "buff",
        "R",
        0.42,
        "limestone sand 0-2 mm",
        (Admixture("superplasticizer", 1.0), Admixture("iron oxide yellow", 2.0)),
        "AR glass 12 mm, 1 % by volume",
    ),
)
# Poured on Mondays, Wednesdays and Fridays after work, from 2 March 2026 on.
_FIRST_POUR = datetime(2026, 3, 2, 15, 30, tzinfo=timezone(timedelta(hours=1)))
_POURS_A_WEEK = 3
_CURES = ("covered with foil", "covered and sprayed", "open on the bench")
# What is in the molds when the demo is built: poured so many hours before, at so many degrees.
_FILLED_AGO_H = (42.0, 18.0)
_FILLED_DEGC = 17.0
# Hours in the mold, taken in turn: what was opened early is more often broken, as the log is to show.
_AGES_OF_GOOD_H = (24.0, 41.5, 20.5, 28.0, 44.0, 22.5)
_AGES_OF_BROKEN_H = (16.0, 19.5, 14.5, 23.0, 17.0, 26.5)


@dataclass(frozen=True, slots=True)
class DemoFolders:
    """Where the demo's molds and photos lie."""

    molds: tuple[Path, ...]
    """One folder a mold."""
    photos: Path


@dataclass(frozen=True, slots=True)
class DemoPhoto:
    """A sample photo with what is truly on it."""

    path: Path
    mold: str
    defects: tuple[str, ...]
    """Kinds, one entry a defect; empty for a good piece."""
    unusable: str | None
    """Why the photo cannot be judged, where it was made so on purpose."""


def find_demo_folders() -> DemoFolders:
    """Find the demo: inside an installed package, or beside it in the source tree.

    Raises
    ------
    InspectorError
        If it is in neither.
    """
    package = Path(__file__).parent.parent
    for folder in (package / "demo_data", package.parent):
        molds = tuple(sorted(path.parent for path in (folder / "reference_shapes").glob("*/mold.toml")))
        photos = folder / "sample_images"
        if molds and (photos / "truth.json").is_file():
            return DemoFolders(molds=molds, photos=photos)
    raise InspectorError(
        f"The demo's molds and photos are neither in {package / 'demo_data'} nor in {package.parent}. "
        "Install the program again."
    )


def read_demo_photos(folder: Path) -> tuple[DemoPhoto, ...]:
    """Read which sample photos there are and what is on them."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return tuple(
        DemoPhoto(
            path=folder / item["photo"],
            mold=item["mold"],
            defects=tuple(defect["kind"] for defect in item["defects"]),
            unusable=item.get("unusable"),
        )
        for item in truth
        if (folder / item["photo"]).is_file()
    )


def add_demo_molds(workshop: Workshop, folders: Sequence[Path]) -> Iterator[str]:
    """Register the demo's molds; their outlines are known to be right.

    Yields
    ------
    name : str
        Of each mold, once it is there.
    """
    for folder in folders:
        added = workshop.add_mold_folder(folder)
        for check in added.checks:
            workshop.confirm_reference(check.reference.id)
        yield added.mold.name


def add_demo_mixes(workshop: Workshop) -> tuple[Mix, ...]:
    """Add the demo's mixes where they are missing, and give them."""
    known = {mix.name for mix in workshop.mixes()}
    for mix in _MIXES:
        if mix.name not in known:
            workshop.add_mix(
                mix.name,
                cement_class=mix.cement_class,
                water_cement_ratio=mix.water_cement_ratio,
                aggregate=mix.aggregate,
                admixtures=mix.admixtures,
                fibres=mix.fibres,
            )
    names = {mix.name for mix in _MIXES}
    return tuple(mix for mix in workshop.mixes() if mix.name in names)


def record_demo_photos(workshop: Workshop, photos: Sequence[DemoPhoto]) -> Iterator[tuple[DemoPhoto, Recorded]]:
    """Log the sample photos, each as a piece of an invented pour.

    Yields
    ------
    photo, recorded
        One after another, in the order given.
    """
    by_mold: dict[str, list[DemoPhoto]] = defaultdict(list)
    for photo in photos:
        by_mold[photo.mold].append(photo)
    pour_ids = _add_pours(workshop, by_mold)
    files = []
    for photo in photos:
        number = by_mold[photo.mold].index(photo)
        ages_h = _AGES_OF_BROKEN_H if photo.defects else _AGES_OF_GOOD_H
        demolded_at = _poured_at(number) + timedelta(hours=ages_h[number % len(ages_h)])
        files.append((photo.path, PieceFacts(mold=photo.mold, pour_id=pour_ids[number], demolded_at=demolded_at)))
    for photo, result in zip(photos, workshop.record_files(files), strict=True):
        if result.recorded is None:
            raise InspectorError(f"The sample photo {photo.path} could not be recorded: {result.refusal}")
        yield photo, result.recorded


def fill_demo_molds(workshop: Workshop, *, now: datetime) -> bool:
    """Fill the molds, half of them the day before and half on the day, unless something is in them already.

    Returns
    -------
    filled : bool
        False where a piece was still in its mold: nothing is added then.
    """
    if workshop.planning.due(now=now):
        return False
    molds = [mold.name for mold in workshop.molds()]
    half = (len(molds) + 1) // 2
    for mix, of_mix, hours in zip(_MIXES, (molds[:half], molds[half:]), _FILLED_AGO_H, strict=True):
        if of_mix:
            poured_at = (now - timedelta(hours=hours)).replace(minute=0, second=0, microsecond=0)
            pour = workshop.add_pour(mix=mix.name, molds=of_mix, poured_at=poured_at, cure_notes=_CURES[0])
            workshop.curing.add_temperature(pour.id, _FILLED_DEGC)
    return True


def _poured_at(number: int) -> datetime:
    week, day = divmod(number, _POURS_A_WEEK)
    return _FIRST_POUR + timedelta(days=7 * week + 2 * day)


def _add_pours(workshop: Workshop, by_mold: dict[str, list[DemoPhoto]]) -> list[int]:
    """Add one pour for the first piece of each mold, one for the second and so on; those that are there are taken."""
    add_demo_mixes(workshop)
    before = {(pour.poured_at, pour.molds): pour.id for pour in workshop.pours()}
    pour_ids = []
    for number in range(max(map(len, by_mold.values()), default=0)):
        molds = tuple(sorted(mold for mold, photos in by_mold.items() if len(photos) > number))
        pour_id = before.get((_poured_at(number), molds))
        if pour_id is None:
            pour_id = workshop.add_pour(
                mix=_MIXES[number % len(_MIXES)].name,
                molds=molds,
                poured_at=_poured_at(number),
                cure_notes=_CURES[number % len(_CURES)],
            ).id
        pour_ids.append(pour_id)
    return pour_ids

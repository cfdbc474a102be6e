"""A folder of photos with truth, and the references of their molds.

Two forms: a bench (`truth.json`, photos in `<mold>/`, each with its `mold.toml`), and the repository's own
`sample_images` (photos beside `truth.json`, molds in `reference_shapes/` next to it).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from inspector.aligning.warp import Warp
from inspector.errors import InputError
from inspector.imaging.reading import read_photo
from inspector.inspection import Feature, MoldModel, Reference, combine, prepare_reference
from inspector.inspection.evidence import Evidence
from inspector.inspection.inspecting import match_model
from inspector.inspection.networks import SHIPPED, Networks
from inspector.inspection.view import View, look_at
from inspector.workshop.mold_folder import read_mold_folder


@dataclass(frozen=True, slots=True)
class BenchMold:
    """Photos of the pieces of one mold, with the truth of each, and where its references are."""

    name: str
    folder: Path
    photos: tuple[tuple[Path, dict[str, Any]], ...]


def read_bench(folder: Path, *, molds: tuple[str, ...] = ()) -> list[BenchMold]:
    """The molds of a folder, those with most photos first."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    by_mold: dict[str, list[tuple[Path, dict[str, Any]]]] = {}
    for entry in truth:
        by_mold.setdefault(entry["mold"], []).append((folder / entry["photo"], entry))
    found = []
    for name, photos in by_mold.items():
        if molds and name not in molds:
            continue
        places = (folder / name, folder.parent / "reference_shapes" / name)
        home = next((place for place in places if (place / "mold.toml").is_file()), None)
        if home is None:
            raise InputError(f"Mold {name} of {folder} has no mold.toml in {places[0]} or {places[1]}.")
        found.append(BenchMold(name, home, tuple(photos)))
    return sorted(found, key=lambda mold: -len(mold.photos))


def model_of(folder: Path, *, most_references: int | None = None, networks: Networks | None = SHIPPED) -> MoldModel:
    """The references of a mold's folder, prepared and combined."""
    mold = read_mold_folder(folder)
    references: list[Reference] = []
    for path in mold.photos[:most_references]:
        features = [Feature(f.name, np.array(f.polygon_xy)) for f in mold.features if f.photo == path.name]
        references.append(prepare_reference(read_photo(path.read_bytes(), name=path.name), features=features))
    return combine(references, networks=networks)


def matched_photos(mold: BenchMold, model: MoldModel) -> Iterator[tuple[Path, dict[str, Any], View, Warp, Evidence]]:
    """The photos of a mold that can be inspected, laid over its references; those made unusable are left out."""
    for path, truth in mold.photos:
        if truth.get("unusable"):
            continue
        view = look_at(read_photo(path.read_bytes(), name=path.name), thorough=False)
        matched = match_model(view, model)
        if matched is not None:
            yield path, truth, view, *matched

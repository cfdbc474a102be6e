"""What `engines` labels: the photos of a folder with all candidates of each way to compare.

In a module of its own, since what is pickled says where its class is found: not in the command that wrote it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from shapely.geometry.base import BaseGeometry

from tests.benchmarks.figures import Row


@dataclass(frozen=True, slots=True)
class Place:
    """One candidate."""

    source: str
    numbers: dict[str, float]
    area: BaseGeometry
    hits: tuple[int, ...]  # numbers of the defects that it lies on
    learnable: bool  # not a crack that something else than a line shows


@dataclass(frozen=True, slots=True)
class LabelledPhoto:
    """A photo and all its candidates."""

    photo: str
    light: str
    good: bool
    px_per_mm: float
    defects: tuple[Row, ...]  # as `figures` counts them
    places: tuple[Place, ...] = field(repr=False)

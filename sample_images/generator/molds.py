"""The molds of an invented garden-ornament workshop, by name.

The four demo molds are shown in the repository; the evaluation molds only ever serve to score;
``medallion-N`` and ``sprig-N`` are random ornaments for tuning.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial

from .demo_molds import oak_leaf, petal_finial, rosette_tile, wading_bird
from .evaluation_molds import acorn_twig, garden_snail, scallop_shell, star_tile
from .mold import Mold
from .random_molds import medallion, sprig

__all__ = ["DEMO", "EVALUATION", "MOLDS", "TUNING", "mold_named"]

DEMO = ("wading-bird", "oak-leaf", "petal-finial", "rosette-tile")
EVALUATION = ("scallop-shell", "acorn-twig", "star-tile", "garden-snail")
TUNING = ("medallion-1", "sprig-1", "medallion-2")

MOLDS: dict[str, Callable[[], Mold]] = {
    "wading-bird": wading_bird,
    "oak-leaf": oak_leaf,
    "petal-finial": petal_finial,
    "rosette-tile": rosette_tile,
    "scallop-shell": scallop_shell,
    "acorn-twig": acorn_twig,
    "star-tile": star_tile,
    "garden-snail": garden_snail,
    "medallion-1": partial(medallion, 1),
    "medallion-2": partial(medallion, 2),
    "sprig-1": partial(sprig, 1),
}


@lru_cache(maxsize=len(MOLDS))
def mold_named(name: str) -> Mold:
    """Model one mold (a few seconds; kept for the process)."""
    return MOLDS[name]()

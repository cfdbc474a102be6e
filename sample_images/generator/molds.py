"""The molds of an invented garden-ornament workshop, by name.

The four demo molds are shown in the repository; the proof molds only ever serve to score, as the evaluation molds did
until choices had come to rest on them; ``medallion-N``, ``sprig-N``, ``panel-N`` and so on are random ornaments for
tuning and learning.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial

from .demo_molds import oak_leaf, petal_finial, rosette_tile, wading_bird
from .evaluation_molds import acorn_twig, garden_snail, scallop_shell, star_tile
from .learning_molds import beast, moth, trellis, urn, wreath
from .mold import Mold
from .proof_molds import bee_skep, scaly_fish, toadstools, trefoil_tracery
from .random_molds import coral, medallion, panel, sprig

__all__ = [
    "DEMO",
    "EVALUATION",
    "LEARNING",
    "LOOKING_CLOSER",
    "MATCHING",
    "MOLDS",
    "OUTLINING",
    "PROOF",
    "TUNING",
    "mold_named",
]

DEMO = ("wading-bird", "oak-leaf", "petal-finial", "rosette-tile")
EVALUATION = ("scallop-shell", "acorn-twig", "star-tile", "garden-snail")
PROOF = ("scaly-fish", "toadstools", "trefoil-tracery", "bee-skep")
TUNING = ("medallion-1", "sprig-1", "medallion-2")
RANDOM = {
    "coral": coral,
    "medallion": medallion,
    "panel": panel,
    "sprig": sprig,
    "beast": beast,
    "moth": moth,
    "trellis": trellis,
    "urn": urn,
    "wreath": wreath,
}
# In turn, so that any run of them has some of each.
LEARNING = tuple(
    f"{kind}-{first + k}"
    for k in range(15)
    for kind, first in (("panel", 1), ("sprig", 2), ("medallion", 3), ("coral", 1))
)
# Others again, of more kinds.
MATCHING = tuple(f"{kind}-{number}" for number in range(101, 108) for kind in RANDOM)
OUTLINING = tuple(f"{kind}-{number}" for number in range(201, 217) for kind in RANDOM)
LOOKING_CLOSER = tuple(f"{kind}-{number}" for number in range(301, 308) for kind in RANDOM)

MOLDS: dict[str, Callable[[], Mold]] = {
    "wading-bird": wading_bird,
    "oak-leaf": oak_leaf,
    "petal-finial": petal_finial,
    "rosette-tile": rosette_tile,
    "scallop-shell": scallop_shell,
    "acorn-twig": acorn_twig,
    "star-tile": star_tile,
    "garden-snail": garden_snail,
    "scaly-fish": scaly_fish,
    "toadstools": toadstools,
    "trefoil-tracery": trefoil_tracery,
    "bee-skep": bee_skep,
} | {
    name: partial(RANDOM[kind], int(number))
    for name in TUNING + LEARNING + MATCHING + OUTLINING + LOOKING_CLOSER
    for kind, _, number in (name.partition("-"),)
}


@lru_cache(maxsize=len(MOLDS))
def mold_named(name: str) -> Mold:
    """Model one mold (a few seconds; kept for the process)."""
    return MOLDS[name]()

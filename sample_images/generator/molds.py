"""The molds of an invented garden-ornament workshop, by name.

The four demo molds are shown in the repository; the proof molds only ever serve to score, as the evaluation molds did
until choices had come to rest on them; the others, ``medallion-1`` and so on, are random ornaments for tuning, and for
the networks to learn from.
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

__all__ = ["DEMO", "EVALUATION", "LEARNING", "MOLDS", "PROOF", "TUNING", "mold_named"]

DEMO = ("wading-bird", "oak-leaf", "petal-finial", "rosette-tile")
EVALUATION = ("scallop-shell", "acorn-twig", "star-tile", "garden-snail")
PROOF = ("scaly-fish", "toadstools", "trefoil-tracery", "bee-skep")
TUNING = ("medallion-1", "sprig-1", "medallion-2")
RANDOM = {
    "panel": panel,
    "beast": beast,
    "sprig": sprig,
    "trellis": trellis,
    "medallion": medallion,
    "moth": moth,
    "coral": coral,
    "wreath": wreath,
    "urn": urn,
}
# In turn, so that any run of them has some of each.
LEARNING = tuple(
    f"{kind}-{first + k}"
    for k in range(20)
    for kind in RANDOM
    for first in ({"sprig": 2, "medallion": 3}.get(kind, 1),)
)

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
} | {name: partial(RANDOM[kind], int(seed)) for name in TUNING + LEARNING for kind, _, seed in (name.partition("-"),)}


@lru_cache(maxsize=len(MOLDS))
def mold_named(name: str) -> Mold:
    """Model one mold (a few seconds; kept for the process)."""
    return MOLDS[name]()

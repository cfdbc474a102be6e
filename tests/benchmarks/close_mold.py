"""What `close_layers` keeps and `fit_closer_look` learns from: photos of a mold as they are looked at closely.

In a module of its own, since what is pickled says where its class is found: not in the command that wrote it.
"""

from __future__ import annotations

from dataclasses import dataclass

# Log odds are kept as bytes: so many levels for one, from LEAST_ODDS on.
ODDS_LEVELS, LEAST_ODDS = 10, -12.5


@dataclass(frozen=True, slots=True)
class ClosePhoto:
    """One photo in the frame of its mold; pictures are kept encoded, each at its own scale."""

    name: str
    gray: bytes  # 6 px/mm
    defects: bytes  # 6 px/mm, the number of the defect at each place, from 1; 0 for none
    kinds: tuple[str, ...]
    valid: bytes  # 4 px/mm
    piece_odds: bytes  # 4 px/mm
    damage: tuple[bytes, bytes, bytes]  # 2 px/mm, log odds of a missing part, a hollow, a crack
    places_mm: tuple[tuple[float, float], ...]  # row and column of what may be damage


@dataclass(frozen=True, slots=True)
class CloseMold:
    """A mold's references and photos."""

    name: str
    mask: bytes  # 4 px/mm
    references: tuple[bytes, ...]  # 6 px/mm
    photos: tuple[ClosePhoto, ...]

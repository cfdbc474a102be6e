"""What `true_layers` keeps and matching learns from: the photos of a mold on the plan of its piece.

In a module of its own, since what is pickled says where its class is found: not in the command that wrote it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TruePhoto:
    """One photo on the plan; pictures are kept encoded."""

    name: str
    gray: bytes
    seen: bytes  # 1 where the photo shows the sound piece or the mat beside it


@dataclass(frozen=True, slots=True)
class TrueMold:
    """A mold's photos, one over the other."""

    name: str
    mask: bytes  # 255 on the piece
    photos: tuple[TruePhoto, ...]

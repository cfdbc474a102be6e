"""The learned networks that lie in the package, each held to its digest before it is used.

Without those of the learned comparison, photos are compared the classic way alone; without the one that surfaces are
matched by, they are matched by their edges; without the one that finds the piece, it is found by brightness, colour and
grain alone. The classic comparison uses these two as well. Nothing else asks whether the files are there.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Self

__all__ = [
    "CLASSIC_FAULT",
    "FAULT",
    "FOLDER",
    "PIECE_FINDER",
    "SHIPPED",
    "SURFACE_MATCHER",
    "Networks",
    "Shipped",
    "read_shipped",
]

FOLDER = Path(str(files("inspector.inspection")))
# As `sha256sum *.onnx` writes it, in the folder of the networks.
DIGESTS = "networks.sha256"
FINDER, MATCHER = "piece_finder.onnx", "surface_matcher.onnx"
ENCODER, JUDGE = "surface_encoder.onnx", "damage_judge.onnx"


@dataclass(frozen=True, slots=True)
class Networks:
    """Of the learned comparison (``damage_map``), in ONNX form."""

    surface_encoder: bytes
    damage_judge: bytes

    @classmethod
    def read(cls, folder: Path) -> Self:
        """Read both from a folder, as the fitting commands write them."""
        return cls((folder / ENCODER).read_bytes(), (folder / JUDGE).read_bytes())


@dataclass(frozen=True, slots=True)
class Shipped:
    """What of the networks can be used."""

    networks: Networks | None
    piece_finder: bytes | None
    surface_matcher: bytes | None
    fault: str | None
    """One sentence on what cannot be used, and what to do about it."""
    classic_fault: str | None
    """The same of what the classic comparison needs, too: to find the piece and to lay it over its references."""


def read_shipped(folder: Path) -> Shipped:
    """Read all networks of a folder that has their digests; those that are not as they were shipped are left out."""
    digests = _digests(folder)
    whole = {name: _whole(folder / name, digests.get(name)) for name in (FINDER, MATCHER, ENCODER, JUDGE)}
    encoder, judge = whole[ENCODER], whole[JUDGE]
    return Shipped(
        networks=None if encoder is None or judge is None else Networks(encoder, judge),
        piece_finder=whole[FINDER],
        surface_matcher=whole[MATCHER],
        fault=_fault([name for name, data in whole.items() if data is None], folder),
        classic_fault=_fault([name for name in (FINDER, MATCHER) if whole[name] is None], folder),
    )


def _fault(names: list[str], folder: Path) -> str | None:
    if not names:
        return None
    return (
        f"Of what Inspector has learned, {' and '.join(names)} in {folder} cannot be used: missing or damaged. "
        "Photos are compared without it, which finds less. Install Inspector again."
    )


def _digests(folder: Path) -> dict[str, str]:
    try:
        lines = (folder / DIGESTS).read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return {}
    return {name: digest for digest, _, name in (line.partition("  ") for line in lines)}


def _whole(path: Path, digest: str | None) -> bytes | None:
    try:
        data = path.read_bytes()
    except OSError:
        return None
    return data if hashlib.sha256(data).hexdigest() == digest else None


_SHIPPED = read_shipped(FOLDER)
SHIPPED = _SHIPPED.networks
PIECE_FINDER = _SHIPPED.piece_finder
SURFACE_MATCHER = _SHIPPED.surface_matcher
FAULT = _SHIPPED.fault
CLASSIC_FAULT = _SHIPPED.classic_fault

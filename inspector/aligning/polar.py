"""How alike two pieces are when nobody knows how they were turned.

Outline and edges are laid out in rings around the middle of the piece; a turn of the piece is then a shift along the
rings, and the Fourier transform compares all turns at once. A quick look, for choosing which few pieces deserve the
search of ``aligning.plane_move``: the middle moves when a part is missing or a shadow counts as piece, so
several middles should be tried, and nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.plane_move import EDGE_WEIGHT

__all__ = ["Likeness", "PolarPattern", "compare_patterns", "polar_pattern"]

RINGS = 32
DIRECTIONS = 96
_INNERMOST = 0.03
_TINY = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class PolarPattern:
    """A piece in rings around its middle, as spectra along the rings; each ring weighted by the root of its radius."""

    mask: NDArray[np.complex64]  # (RINGS, DIRECTIONS // 2 + 1)
    support: NDArray[np.complex64]  # of where there is any piece
    edges: NDArray[np.complex64]  # (RINGS, DIRECTIONS), against the ring's own direction
    piece_edges: NDArray[np.complex64]  # those on the piece only
    edge_power: NDArray[np.complex64]  # (RINGS, DIRECTIONS // 2 + 1), of the squared length of the edges
    area: float
    piece_power: float


@dataclass(frozen=True, slots=True, eq=False)
class Likeness:
    """The best turn from each of several patterns to one."""

    score: NDArray[np.float64]  # (n,) overlap plus weighted agreement of the edges, as a plane move's
    angle_deg: NDArray[np.float64]  # (n,) as a plane move's


def polar_pattern(
    mask: NDArray[np.uint8], edges: NDArray[np.float32], *, middle_xy: tuple[float, float], reach_px: float
) -> PolarPattern:
    """Lay a piece out in rings.

    Parameters
    ----------
    mask : ndarray, shape (h, w), uint8
        255 where the piece is.
    edges : ndarray, shape (h, w, 2), float32
        Edges as vectors of doubled angle (see ``aligning.structure``).
    middle_xy : tuple of float
        Middle of the rings in pixels.
    reach_px : float
        Radius of the outermost ring.
    """
    angle = np.arange(DIRECTIONS) * (2 * np.pi / DIRECTIONS)
    share = np.linspace(_INNERMOST, 1.0, RINGS)
    x = (middle_xy[0] + np.outer(share * reach_px, np.cos(angle))).astype(np.float32)
    y = (middle_xy[1] + np.outer(share * reach_px, np.sin(angle))).astype(np.float32)
    weight = np.sqrt(share)[:, None]  # of both factors of a product: together the area of a ring
    inside = cv2.remap(mask, x, y, cv2.INTER_LINEAR).astype(np.float64) / 255
    vectors = cv2.remap(edges, x, y, cv2.INTER_LINEAR)
    seen = (vectors[..., 0] + 1j * vectors[..., 1]) * np.exp(-2j * angle)
    support = inside > 0.02
    return PolarPattern(
        mask=np.fft.rfft(inside * weight).astype(np.complex64),
        support=np.fft.rfft(support * weight).astype(np.complex64),
        edges=np.fft.fft(seen * weight).astype(np.complex64),
        piece_edges=np.fft.fft(seen * support * weight).astype(np.complex64),
        edge_power=np.fft.rfft(np.abs(seen) ** 2 * weight).astype(np.complex64),
        area=float((inside * weight**2).sum()),
        piece_power=float((np.abs(seen * support) ** 2 * weight**2).sum()),
    )


def compare_patterns(references: Sequence[PolarPattern], photo: PolarPattern) -> Likeness:
    """Turn each of several references onto a photo's piece.

    Parameters
    ----------
    references : sequence of PolarPattern
        At least one; all with the same unit of length as the photo's.
    photo : PolarPattern
    """
    shared = _turned([r.mask for r in references], photo.mask)
    areas = np.array([r.area for r in references])[:, None]
    overlap = shared / np.maximum(areas + photo.area - shared, _TINY)
    power = np.maximum(_turned([r.support for r in references], photo.edge_power), _TINY)
    own_power = np.array([r.piece_power for r in references])[:, None]
    product = np.einsum("nrk,rk->nk", np.conj(np.stack([r.piece_edges for r in references])), photo.edges)
    agreement = np.fft.ifft(product).real / np.sqrt(np.maximum(own_power, _TINY) * power)
    total = overlap + EDGE_WEIGHT * agreement
    best = total.argmax(axis=1)
    return Likeness(score=total.max(axis=1), angle_deg=best * (360.0 / DIRECTIONS))


def _turned(references: Sequence[NDArray[np.complex64]], photo: NDArray[np.complex64]) -> NDArray[np.float64]:
    """Products of ring pictures summed, for each reference at each turn."""
    return np.fft.irfft(np.einsum("nrk,rk->nk", np.conj(np.stack(references)), photo), n=DIRECTIONS)

"""How a piece was moved and turned on the mat between two photos.

An exhaustive search: for every angle the silhouette and the edges of the reference, with their directions, are
turned and correlated with those of the photo over all shifts at once, by the Fourier transform; the best few are
repeated on a finer raster. Nothing local that could fall into a wrong optimum, and a missing part or a
shadow in the outline costs a little score instead of the alignment.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from inspector.imaging.side_by_side import side_by_side

__all__ = ["PlaneMove", "find_plane_moves"]

COARSE_PX_PER_MM = 0.5
FINE_PX_PER_MM = 1.0
COARSE_STEP_DEG = 5.0
FINE_STEP_DEG = 1.5
# So far around each start; ribs and petals make a piece look like itself turned by little more than the least apart.
FINE_REACH_DEG = 7.5
APART_DEG = 4.0
# A start that lies so far behind the best on the coarse raster is not looked at on the fine one.
FAR_BEHIND = 0.3
NEAR_DEG = 10.0
MARGIN_PX = 12
ANGLES_AT_ONCE = 5
# How much the edges count beside the silhouette: the outline of a round piece says nothing of its angle.
EDGE_WEIGHT = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class PlaneMove:
    """A turn and a shift in the plane."""

    photo_from_reference: NDArray[np.float64]  # (3, 3) frame px to frame px, a rigid motion (times a scale)
    angle_deg: float
    overlap: float  # intersection over union of the silhouettes
    edge_agreement: float  # normalised correlation of the edge maps

    @property
    def score(self) -> float:
        """What candidates are ranked by."""
        return self.overlap + EDGE_WEIGHT * self.edge_agreement


def find_plane_moves(
    reference_mask: NDArray[np.uint8],
    reference_edges: NDArray[np.float32],
    photo_mask: NDArray[np.uint8],
    photo_edges: NDArray[np.float32],
    *,
    px_per_mm: float,
    scale: float = 1.0,
    count: int = 2,
    near_deg: float | None = None,
) -> tuple[PlaneMove, ...]:
    """The best moves, best first.

    Parameters
    ----------
    reference_mask, photo_mask : ndarray, uint8
        255 where the piece is, in frames of the same scale.
    reference_edges, photo_edges : ndarray, shape (h, w, 2), float32
        Edges as vectors of doubled angle (see ``aligning.structure``).
    px_per_mm : float
        Scale of both frames.
    scale : float
        Size of the piece in the photo's frame over that in the reference's; 1 where both lie on a mat.
    count : int
        How many turns to look at closely. Up to twice as many moves come back: near each there may be another.
    near_deg : float, optional
        The angle, where it is roughly known: only turns within ``NEAR_DEG`` of it are tried.

    Returns
    -------
    tuple of PlaneMove
        Empty when one of the masks is empty.
    """
    if not reference_mask.any() or not photo_mask.any():
        return ()
    coarse, fine = side_by_side(
        lambda raster: _Correlator(reference_mask, reference_edges, photo_mask, photo_edges, px_per_mm, raster, scale),
        (COARSE_PX_PER_MM, FINE_PX_PER_MM),
    )
    if near_deg is None:
        angles = np.arange(0.0, 360.0, COARSE_STEP_DEG)
    else:
        angles = near_deg + np.arange(-NEAR_DEG, NEAR_DEG + 0.1, COARSE_STEP_DEG)
    rough = sorted(coarse.best_shifts(angles), key=lambda move: -move.score)
    starts: list[float] = []
    for move in rough:
        if move.score < rough[0].score - FAR_BEHIND or len(starts) == count:
            break
        if all(_angle_between(move.angle_deg, other) > 2 * COARSE_STEP_DEG for other in starts):
            starts.append(move.angle_deg)
    around = np.arange(-FINE_REACH_DEG, FINE_REACH_DEG + 0.1, FINE_STEP_DEG)
    tried = fine.best_shifts(np.concatenate([start + around for start in starts]))
    best: list[PlaneMove] = []
    for move in sorted(_peaks(tried, len(around)), key=lambda move: -move.score):
        if all(_angle_between(move.angle_deg, other.angle_deg) > APART_DEG for other in best):
            best.append(move)
    return tuple(best[: 2 * count])


def _peaks(tried: list[PlaneMove], each: int) -> list[PlaneMove]:
    """Of moves at neighbouring angles, so many around each start, those that score better than their neighbours."""
    peaks = []
    for first in range(0, len(tried), each):
        around = tried[first : first + each]
        scores = np.array([move.score for move in around])
        higher = np.maximum(np.append(scores[1:], np.inf), np.append(np.inf, scores[:-1]))
        peaks += [move for move, score, beside in zip(around, scores, higher, strict=True) if score >= beside]
        peaks.append(around[int(scores.argmax())])
    return peaks


class _Correlator:
    """The photo's transforms on one raster, kept for all angles."""

    def __init__(
        self,
        reference_mask: NDArray[np.uint8],
        reference_edges: NDArray[np.float32],
        photo_mask: NDArray[np.uint8],
        photo_edges: NDArray[np.float32],
        px_per_mm: float,
        raster_px_per_mm: float,
        scale: float,
    ) -> None:
        self._shrink = raster_px_per_mm / px_per_mm
        self._scale = scale
        self._reference_mask = _reduce(reference_mask.astype(np.float32) / np.float32(255), self._shrink)
        self._reference_edges = _reduce(reference_edges, self._shrink)
        mask = _reduce(photo_mask.astype(np.float32) / np.float32(255), self._shrink)
        edges = _reduce(photo_edges, self._shrink)
        ys, xs = np.nonzero(self._reference_mask > 0.5)
        if not xs.size:
            ys, xs = np.nonzero(self._reference_mask > 0)
        self._middle = np.array([xs.mean(), ys.mean()])
        reach = float(np.hypot(xs - self._middle[0], ys - self._middle[1]).max()) * scale + 3
        self._side = int(np.ceil(2 * reach))
        # The piece lies in the photo, and most of its box with it: what wraps around meets the empty margin.
        self._size = tuple(int(fft.next_fast_len(max(n, self._side) + MARGIN_PX, real=True)) for n in mask.shape)
        self._mask_spectrum = fft.rfft2(mask, self._size)
        self._edge_spectrum = fft.fft2((edges[..., 0] + 1j * edges[..., 1]).astype(np.complex64), self._size)
        self._mask_area = float(mask.sum())
        self._edge_power = fft.rfft2(edges[..., 0] ** 2 + edges[..., 1] ** 2, self._size)
        self._shape = mask.shape

    def best_shifts(self, angles_deg: NDArray[np.float64]) -> list[PlaneMove]:
        """The best shift at each of some angles."""
        few = np.array_split(angles_deg, max(1, len(angles_deg) // ANGLES_AT_ONCE))
        return [move for moves in side_by_side(self._shifts_at, few) for move in moves]

    def _shifts_at(self, angles_deg: NDArray[np.float64]) -> list[PlaneMove]:
        """As `best_shifts`, all angles in one go."""
        half = (self._side - 1) / 2
        box = (self._side, self._side)
        turns = [cv2.getRotationMatrix2D((0.0, 0.0), -angle, self._scale) for angle in angles_deg]
        for turn in turns:
            turn[:, 2] = half - turn[:, :2] @ self._middle
        masks = np.stack([cv2.warpAffine(self._reference_mask, turn, box, flags=cv2.INTER_LINEAR) for turn in turns])
        edges = np.stack([cv2.warpAffine(self._reference_edges, turn, box, flags=cv2.INTER_LINEAR) for turn in turns])
        # The edges are compared inside the turned silhouette, a little widened.
        support = np.stack([cv2.blur(mask, (3, 3)) > 0 for mask in masks]).astype(np.float32)
        # A turned edge points another way: its doubled angle turns twice as far.
        again = np.exp(2j * np.radians(angles_deg)).astype(np.complex64)[:, None, None]
        turned = edges.view(np.complex64)[..., 0] * (support * again)
        areas = masks.sum(axis=(1, 2), dtype=np.float64)[:, None, None].astype(np.float32)
        energies = np.maximum((np.abs(turned) ** 2).sum(axis=(1, 2)), 1e-6)[:, None, None]
        shared = self._correlate(self._mask_spectrum, masks)
        overlap = shared / np.maximum(np.float32(self._mask_area) + areas - shared, np.float32(1e-6))
        power = np.maximum(self._correlate(self._edge_power, support), np.float32(1e-6))
        product = fft.fft2(turned, self._size)
        np.conjugate(product, out=product)
        product *= self._edge_spectrum
        agreement = fft.ifft2(product, overwrite_x=True).real / np.sqrt(power * energies)
        total = overlap + np.float32(EDGE_WEIGHT) * agreement
        best = total.reshape(len(turns), -1).argmax(axis=1)
        return [
            self._move(turn, float(angle), k, overlap[number].flat[k], agreement[number].flat[k])
            for number, (turn, angle, k) in enumerate(zip(turns, angles_deg, best.tolist(), strict=True))
        ]

    def _move(
        self, turn: NDArray[np.float64], angle_deg: float, place: int, overlap: np.float32, agreement: np.float32
    ) -> PlaneMove:
        """The move that puts the turned box's corner at a place of the correlation, counted along its rows."""
        half = (self._side - 1) / 2
        # The corner may lie a period before: the middle of the box is in the photo.
        top, left = (
            at - size if at + half > length else at
            for at, size, length in zip(divmod(place, self._size[1]), self._size, self._shape, strict=True)
        )
        move = np.vstack([turn, [0, 0, 1]])
        move[:2, 2] += (left, top)
        return PlaneMove(
            photo_from_reference=_between_rasters(move, self._shrink),
            angle_deg=float(angle_deg % 360),
            overlap=float(overlap),
            edge_agreement=float(agreement),
        )

    def _correlate(self, spectrum: NDArray[np.complex64], patterns: NDArray[np.float32]) -> NDArray[np.float32]:
        product = fft.rfft2(patterns, self._size)
        np.conjugate(product, out=product)
        product *= spectrum
        return np.asarray(fft.irfft2(product, self._size, overwrite_x=True), dtype=np.float32)


def _reduce(image: NDArray[np.float32], factor: float) -> NDArray[np.float32]:
    """A smaller copy; the size is cut first so that the scale is exactly the one asked for."""
    if factor >= 1:
        return image
    size = (max(1, int(image.shape[1] * factor)), max(1, int(image.shape[0] * factor)))
    crop = image[: round(size[1] / factor), : round(size[0] / factor)]
    return np.asarray(cv2.resize(crop, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _between_rasters(move: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    """A motion between reduced rasters, for the full ones (pixel centres at integers)."""
    half = 0.5 * factor - 0.5
    reduced_from_full = np.array([[factor, 0, half], [0, factor, half], [0, 0, 1.0]])
    return np.linalg.inv(reduced_from_full) @ move @ reduced_from_full


def _angle_between(first_deg: float, second_deg: float) -> float:
    return abs((first_deg - second_deg + 180) % 360 - 180)

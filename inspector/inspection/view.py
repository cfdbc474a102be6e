"""One photo, looked at by itself: its frame over the mat, the piece in it, and whether it is good enough."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.aligning.structure import orientation_field
from inspector.imaging.mat import MatSighting, find_mat
from inspector.imaging.reading import Photo
from inspector.imaging.rectifying import Frame, frame_on_mat, frame_without_mat, rectify
from inspector.imaging.segmenting import SurfaceCues, outline_of, segment_piece, surface_cues
from inspector.imaging.sharpness import edge_width_mm
from inspector.imaging.side_by_side import both
from inspector.inspection.networks import PIECE_FINDER
from inspector.inspection.piece_map import find_piece

__all__ = ["FRAME_PX_PER_MM", "View", "look_at"]

# The scale at which outlines and relief are compared; hairlines are looked for on the photo itself.
FRAME_PX_PER_MM = 4.0
EDGE_SCALE_MM = 0.7


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """What a photo shows, before any reference is asked."""

    photo: Photo
    gray: NDArray[np.uint8]  # the photo itself, (h, w)
    sighting: MatSighting | None
    frame: Frame
    frame_gray: NDArray[np.uint8]  # with the mat's print smoothed away around the piece
    cues: SurfaceCues
    mask: NDArray[np.uint8]  # 255 on what looks like the piece, in the frame
    edges: NDArray[np.float32]  # (h, w, 2), vectors of doubled angle
    edge_width_mm: float  # how wide the sharpest edges of the piece and its outline are in the photo: how blurred it is
    corrected: NDArray[np.int16] | None = None  # in the frame: 1 where a person added to it, -1 where they took away


def look_at(photo: Photo, *, thorough: bool = True, outline_xy: NDArray[np.float64] | None = None) -> View:
    """Find the mat and the piece in a photo.

    Parameters
    ----------
    photo : Photo
    thorough : bool
        For a reference, whose outline counts; a photo that will be aligned to one needs only a rough mask, unless
        it has no mat.
    outline_xy : ndarray, shape (n, 2), optional
        Where a person says that the piece is, in px of the photo; openings in the piece are still looked for.
    """
    gray = cv2.cvtColor(photo.image_bgr, cv2.COLOR_BGR2GRAY)
    sighting = find_mat(gray, focal_px=photo.focal_px)
    if sighting is not None:
        frame = frame_on_mat(sighting, px_per_mm=FRAME_PX_PER_MM)
    else:
        height, width = gray.shape
        frame = frame_without_mat((width, height), px_per_mm=FRAME_PX_PER_MM)
    frame_bgr = rectify(photo.image_bgr, frame)
    frame_gray = cv2.cvtColor(frame_bgr, cv2.COLOR_BGR2GRAY)
    cues = surface_cues(frame_bgr, frame)
    thorough = thorough or sighting is None
    mask = None
    if thorough and PIECE_FINDER is not None:
        mask = find_piece(cues, PIECE_FINDER, px_per_mm=frame.px_per_mm)
    if mask is None:
        mask = segment_piece(cues, px_per_mm=frame.px_per_mm, thorough=thorough)
    corrected = None if outline_xy is None else _corrected(mask, outline_xy, frame)
    if corrected is not None:
        mask = np.where(corrected == 0, mask, np.where(corrected > 0, 255, 0)).astype(np.uint8)
    (frame_gray, edges), edge_width = both(
        lambda: _gray_and_edges(frame_gray, mask, frame, print_seen=cues.print_seen),
        lambda: edge_width_mm(_piece_in_photo(gray, mask, frame), px_per_mm=_photo_px_per_mm(frame, sighting)),
    )
    return View(photo, gray, sighting, frame, frame_gray, cues, mask, edges, edge_width, corrected)


def _gray_and_edges(
    gray: NDArray[np.uint8], mask: NDArray[np.uint8], frame: Frame, *, print_seen: bool
) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """A frame with the mat's print smoothed away around the piece, where there is one, and its edges."""
    plain = _without_print(gray, mask, frame.px_per_mm) if print_seen else gray
    # Edges are wanted coarsely: on half the raster they cost a quarter.
    half = cv2.resize(plain, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    edges = orientation_field(half, px_per_mm=frame.px_per_mm / 2, scale_mm=EDGE_SCALE_MM)
    return plain, np.asarray(cv2.resize(edges, frame.size_px, interpolation=cv2.INTER_LINEAR))


def _piece_in_photo(gray: NDArray[np.uint8], mask: NDArray[np.uint8], frame: Frame) -> NDArray[np.uint8]:
    """The box around the piece, cut out of the photo; empty where no piece was found."""
    if not mask.any():
        return gray[:0]
    x, y, width, height = cv2.boundingRect(mask)
    corners = np.array([[[x, y], [x + width, y], [x + width, y + height], [x, y + height]]], dtype=np.float64)
    places: NDArray[np.float64] = cv2.perspectiveTransform(corners, frame.photo_from_frame)[0]
    (left, top), (right, bottom) = np.floor(places.min(axis=0)).astype(int), np.ceil(places.max(axis=0)).astype(int)
    return gray[max(0, top) : max(0, bottom), max(0, left) : max(0, right)]


def _photo_px_per_mm(frame: Frame, sighting: MatSighting | None) -> float:
    if sighting is not None:
        return sighting.px_per_mm
    return frame.px_per_mm * float(frame.photo_from_frame[0, 0])  # of the nominal scale


def _corrected(mask: NDArray[np.uint8], outline_xy: NDArray[np.float64], frame: Frame) -> NDArray[np.int16]:
    """Where an outline goes beyond that of a found mask (1), and where it leaves some of it out (-1)."""
    frame_from_photo = np.linalg.inv(frame.photo_from_frame)
    corners = cv2.perspectiveTransform(np.asarray(outline_xy, dtype=np.float64)[None], frame_from_photo)[0]
    said, found = np.zeros_like(mask), np.zeros_like(mask)
    cv2.fillPoly(said, [np.round(corners).astype(np.int32)], 255)
    cv2.fillPoly(found, [outline_of(mask).astype(np.int32).reshape(-1, 1, 2)], 255)
    # Two lines that are meant to be the same differ by a pixel here and there.
    hair = np.ones((3, 3), dtype=np.uint8)
    added, taken = (cv2.morphologyEx(part, cv2.MORPH_OPEN, hair) > 0 for part in (said & ~found, found & ~said))
    return added.astype(np.int16) - taken.astype(np.int16)


def _without_print(gray: NDArray[np.uint8], mask: NDArray[np.uint8], px_per_mm: float) -> NDArray[np.uint8]:
    """The mat around the piece as if it were plain, so that its dots are not taken for edges of the piece."""
    # A median over dots hardly differs on a quarter of the raster, and costs next to nothing.
    small = cv2.resize(gray, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    median = cv2.medianBlur(small, 2 * round(0.4 * px_per_mm) + 1)
    plain = cv2.resize(median, (gray.shape[1], gray.shape[0]), interpolation=cv2.INTER_LINEAR)
    share = cv2.GaussianBlur(cv2.dilate(mask, np.ones((3, 3), dtype=np.uint8)), (0, 0), 1.0)
    left, top, width, height = cv2.boundingRect(share)
    near = slice(top, top + height), slice(left, left + width)
    on_piece = share[near].astype(np.float32) / 255
    plain[near] = on_piece * gray[near] + (1 - on_piece) * plain[near]
    return np.asarray(plain)

"""Ids in addresses: what they stand for in the log, or a plain `not found`."""

from typing import Annotated

from fastapi import Path
from starlette.exceptions import HTTPException

from inspector.errors import InputError
from inspector.web.language import tr
from inspector.workshop import (
    LoggedFinding,
    LoggedInspection,
    LoggedPhoto,
    Mold,
    MoldDetail,
    MoldReference,
    Month,
    PieceDetail,
    Workshop,
)

__all__ = [
    "Id",
    "find_finding",
    "find_inspection",
    "find_mold",
    "find_mold_detail",
    "find_month",
    "find_photo",
    "find_piece",
    "find_reference",
]

# The largest id that a 32-bit integer column of PostgreSQL holds; a larger one stands for nothing.
Id = Annotated[int, Path(ge=1, le=2**31 - 1)]


def find_mold(shop: Workshop, name: str) -> Mold:
    """The mold of this name, else a 404."""
    try:
        return shop.find_mold(name)
    except InputError as error:
        raise HTTPException(404, str(error)) from error


def find_mold_detail(shop: Workshop, name: str) -> MoldDetail:
    """The mold of this name with its references and features, else a 404."""
    try:
        return shop.mold(name)
    except InputError as error:
        raise HTTPException(404, str(error)) from error


def find_reference(shop: Workshop, reference_id: int) -> MoldReference:
    """The reference with this id, else a 404."""
    try:
        return shop.reference(reference_id)
    except InputError as error:
        raise HTTPException(404, str(error)) from error


def find_month(text: str) -> Month:
    """The month that an address names, else a 404."""
    try:
        return Month.read(text)
    except InputError as error:
        raise HTTPException(404, str(error)) from error


def find_piece(shop: Workshop, piece_id: int) -> PieceDetail:
    """The piece with this id, else a 404."""
    try:
        return shop.piece(piece_id)
    except InputError as error:
        raise HTTPException(404, str(error)) from error


def find_photo(shop: Workshop, photo_id: int) -> LoggedPhoto:
    """The photo with this id, else a 404."""
    try:
        return shop.photo(photo_id)
    except InputError as error:
        raise HTTPException(404, str(error)) from error


def find_finding(detail: PieceDetail, finding_id: int) -> LoggedFinding:
    """The finding with this id among those of a piece, else a 404."""
    for inspection in detail.inspections:
        for finding in inspection.findings if inspection is not None else ():
            if finding.id == finding_id:
                return finding
    raise HTTPException(
        404,
        tr("Piece %(id)s has no finding %(finding)s. Open the piece anew.", id=detail.piece.id, finding=finding_id),
    )


def find_inspection(detail: PieceDetail, photo_id: int) -> LoggedInspection | None:
    """The latest inspection of one of a piece's photos."""
    by_photo = zip(detail.photos, detail.inspections, strict=True)
    return next((inspection for photo, inspection in by_photo if photo.id == photo_id), None)

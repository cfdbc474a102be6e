"""What a use case gives back where a record of the log alone would not say enough."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from inspector.log import ImportedPieces, PhotoSending
from inspector.log.records import Feature, Mold, MoldReference, PieceDetail, Points
from inspector.workshop.piece_table import RefusedLine

__all__ = [
    "AddedMold",
    "FeatureProposal",
    "MoldDetail",
    "Picture",
    "PieceFacts",
    "PieceImport",
    "RecognisedFile",
    "Recorded",
    "RecordedFile",
    "ReferenceCheck",
]


@dataclass(frozen=True, slots=True)
class Picture:
    """An encoded picture, ready to be sent or written to a file."""

    data: bytes
    media_type: str
    width_px: int
    height_px: int
    px_per_photo_px: float
    """Pixels of this picture per pixel of the photo as displayed: multiply polygons by it."""


@dataclass(frozen=True, slots=True)
class MoldDetail:
    """A mold with its references and features."""

    mold: Mold
    references: tuple[MoldReference, ...]
    features: tuple[Feature, ...]


@dataclass(frozen=True, slots=True)
class ReferenceCheck:
    """What was segmented on a photo that is to become a reference, for a person to say yes or no."""

    reference: MoldReference
    picture: Picture
    """The photo with the outline drawn on it."""
    already_there: bool
    """The same photo was a reference of this mold and view before; nothing was added."""


@dataclass(frozen=True, slots=True)
class AddedMold:
    """A mold taken from its folder."""

    mold: Mold
    checks: tuple[ReferenceCheck, ...]
    """The references that wait for a yes, or that were there before."""
    refused: tuple[str, ...]
    """One sentence for each photo that makes a poor reference."""


@dataclass(frozen=True, slots=True)
class FeatureProposal:
    """A thin part of a mold's pieces that may be worth a name."""

    number: int
    """Counted over all views of the mold; the same until its references change."""
    view: str
    reference: MoldReference
    """The one that it is drawn on."""
    polygon_xy: Points
    """In pixels of that reference's photo."""
    thickness_mm: float | None
    length_mm: float | None
    named: str | None
    """The feature that covers it already."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """A photo that is now in the log."""

    photo_id: int
    detail: PieceDetail
    already_logged: bool
    """The same photo, byte for byte, was logged before; nothing was added."""
    notes: tuple[str, ...]
    """What the person should know: no demolding time known, logged under another mold, ..."""


@dataclass(frozen=True, slots=True)
class PieceFacts:
    """What a person says about the piece on a photo."""

    mold: str
    """The mold it came out of."""
    pour_id: int | None = None
    """The pour it was cast in; without it the demold age is unknown."""
    demolded_at: datetime | None = None
    """When it left the mold; by default the time the photo was taken. Without an offset: this machine's time zone."""
    piece_id: int | None = None
    """The piece, where this is one more photo of it; by default the photo shows a new one."""
    view: str | None = None
    """The side that is seen; by default the one whose reference fits."""
    sending: PhotoSending | None = None
    """The keys under which a browser sends it, so that a second try is told from a second photo."""


@dataclass(frozen=True, slots=True)
class RecordedFile:
    """What became of a photo's file that was to be recorded: one of the two is there."""

    path: Path
    recorded: Recorded | None
    refusal: str | None
    """Why it is not in the log."""


@dataclass(frozen=True, slots=True)
class PieceImport:
    """What became of a spreadsheet of pieces."""

    imported: ImportedPieces | None
    """None where a line was refused: then nothing is in the log."""
    refused: tuple[RefusedLine, ...]
    notes: tuple[str, ...]
    """What a caster should know: frost and heat."""


@dataclass(frozen=True, slots=True)
class RecognisedFile:
    """Which mold's piece a photo's file shows: one of mold and refusal is there."""

    path: Path
    mold: str | None
    view: str | None
    """The side that is seen; None leaves it to the inspection."""
    refusal: str | None
    """Why nobody can be sure, and what it may be."""

"""What the log hands out: frozen records of molds, pours, pieces and what was found on them.

Times carry an offset, sizes their unit, polygons are pixels of the photo as displayed. Records are values:
they hold no connection to the database and stay right after the log is closed.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

__all__ = [
    "CEMENT_CLASSES",
    "DISPOSITIONS",
    "FIRST_TO_REVIEW",
    "KINDS",
    "VERDICTS",
    "Admixture",
    "CementClass",
    "Disposition",
    "Feature",
    "FirstToReview",
    "LoggedFinding",
    "LoggedInspection",
    "LoggedPhoto",
    "Mix",
    "Mold",
    "MoldReference",
    "NewFinding",
    "NewInspection",
    "Outcome",
    "Outline",
    "PhotoScore",
    "Piece",
    "PieceDetail",
    "PieceFilter",
    "PieceNote",
    "PieceVersion",
    "Points",
    "Pour",
    "Review",
    "StoredFile",
    "UncountedMark",
    "Verdict",
]

Points = tuple[tuple[float, float], ...]
"""Corners of a polygon, x and y in pixels of its photo."""

KINDS = ("missing feature", "chip", "hairline crack", "surface void", "excess")

Verdict = Literal["confirmed", "dismissed", "kind changed", "outline corrected"]
VERDICTS: tuple[Verdict, ...] = ("confirmed", "dismissed", "kind changed", "outline corrected")

Outcome = Literal["sell", "second", "repair", "scrap"]
DISPOSITIONS: tuple[Outcome, ...] = ("sell", "second", "repair", "scrap")

FirstToReview = Literal["worst", "unsure"]
FIRST_TO_REVIEW: tuple[FirstToReview, ...] = ("worst", "unsure")
"""Which of the pieces that wait come first: the likeliest to have a defect, or those of which that is least sure."""

CementClass = Literal["S", "N", "R"]
# EN 197-1 strength development: slow, normal, rapid, as EN 1992-1-1 3.1.2(6) names the classes.
CEMENT_CLASSES: tuple[CementClass, ...] = ("S", "N", "R")


@dataclass(frozen=True, slots=True)
class StoredFile:
    """A photo's file as it came in."""

    name: str
    media_type: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Mold:
    """One reusable form."""

    id: int
    name: str
    title: str
    material: str
    release_agent: str
    views: tuple[str, ...]
    references: int
    """References that a person has said yes to."""
    references_to_check: int


@dataclass(frozen=True, slots=True)
class Feature:
    """A named region of a view that can break."""

    name: str
    view: str
    reference_id: int
    polygon_xy: Points
    """In pixels of its reference photo."""


@dataclass(frozen=True, slots=True)
class MoldReference:
    """One photo of a good piece that pieces of its mold are compared with."""

    id: int
    name: str
    """Unique among the references of its mold."""
    mold: str
    view: str
    photo_id: int
    outline_xy: Points
    """As a person corrected it, else as it was found."""
    px_per_mm: float | None
    confirmed: bool
    """Whether a person has looked at the outline and said yes; only then is it used."""
    features: tuple[Feature, ...]
    retired_why: str | None = None
    """Why it is used no more, though somebody said yes to it once."""
    outlined_by: str | None = None
    """Who corrected its outline; None where it is the one that was found."""

    @property
    def in_use(self) -> bool:
        """Whether pieces are compared with it."""
        return self.confirmed and self.retired_why is None


@dataclass(frozen=True, slots=True)
class Admixture:
    """Something added to a mix, dosed in percent of the cement's mass."""

    name: str
    dose_percent: float


@dataclass(frozen=True, slots=True)
class Mix:
    """A recipe."""

    id: int
    name: str
    cement_class: CementClass
    water_cement_ratio: float
    aggregate: str
    admixtures: tuple[Admixture, ...]
    fibres: str


@dataclass(frozen=True, slots=True)
class Pour:
    """One batch of a mix, placed at one time into one or more molds."""

    id: int
    mix: str | None
    poured_at: datetime
    molds: tuple[str, ...]
    cure_notes: str
    pieces: int
    withdrawn_why: str | None = None
    """Why it counts no longer: it was written down by mistake."""


@dataclass(frozen=True, slots=True)
class LoggedPhoto:
    """A photo kept in the log."""

    id: int
    name: str
    sha256: str
    byte_count: int
    width_px: int
    height_px: int
    media_type: str
    taken_at: datetime | None
    view: str | None
    piece_id: int | None


@dataclass(frozen=True, slots=True)
class Review:
    """A person's word on a finding, and what the finding is held to be from then on."""

    id: int
    finding_id: int
    photo_id: int
    piece_id: int | None
    verdict: Verdict | None
    """None where the only word on the finding was taken back."""
    kind: str | None
    """The kind that a person gave it; None where it is as found."""
    outline: "Outline | None"
    """The outline that a person drew; None where it is as found."""
    reviewer: str
    at: datetime
    undoes_id: int | None
    """The review that this one takes back."""


@dataclass(frozen=True, slots=True)
class Outline:
    """A place on a photo that a person outlined, with its size where the photo has a scale."""

    polygon_xy: Points
    area_mm2: float | None
    length_mm: float | None
    width_mm: float | None


@dataclass(frozen=True, slots=True)
class LoggedFinding:
    """One flagged place on one photo, with what people said about it."""

    id: int
    kind: str
    """What it is held to be now: the reviewer's kind if there is one, else the engine's."""
    kind_found: str
    """What the engine took it for."""
    polygon_xy: Points
    """As a reviewer corrected it, else as it was found; sizes likewise."""
    confidence: float
    area_mm2: float | None
    length_mm: float | None
    width_mm: float | None
    depth_mm: float | None
    feature: str | None
    drawn_by: str | None
    """The person who outlined it; None where the engine found it."""
    verdict: Verdict | None
    """The latest review, None as long as nobody has looked."""
    reviews: tuple[Review, ...]
    """Oldest first."""
    demold_age_h: float | None
    confidence_alone: float | None = None
    """How sure it is without what reviews said about its place; None where they changed nothing."""
    dismissed_on: int = 0
    """On how many pieces marks at its place had been dismissed."""
    seen_as: str | None = None
    """What of the photo spoke for it; None where a person outlined it or an older program found it."""


@dataclass(frozen=True, slots=True)
class UncountedMark:
    """A mark that would be a finding, had nobody dismissed others at its place of the mold."""

    kind: str
    polygon_xy: Points
    confidence: float
    """After what reviews said."""
    confidence_alone: float
    dismissed_on: int
    """On how many pieces."""
    area_mm2: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None


@dataclass(frozen=True, slots=True)
class LoggedInspection:
    """What one version of the engine said about one photo."""

    id: int
    photo_id: int
    engine_version: str
    status: Literal["inspected", "unusable"]
    reason: str | None
    score: float | None
    px_per_mm: float | None
    reference: str | None
    seconds: float
    warnings: tuple[str, ...]
    photo_from_reference: tuple[tuple[float, ...], ...] | None
    created_at: datetime
    findings: tuple[LoggedFinding, ...]
    not_counted: tuple[UncountedMark, ...] = ()


@dataclass(frozen=True, slots=True)
class Disposition:
    """What became of a piece."""

    id: int
    piece_id: int
    outcome: Outcome | None
    """None where the only word was taken back: the piece waits again."""
    decided_by: str
    note: str
    at: datetime
    undoes_id: int | None
    """The disposition that this one takes back."""


@dataclass(frozen=True, slots=True)
class PieceNote:
    """What a person wants remembered about a piece."""

    id: int
    text: str
    written_by: str
    at: datetime
    taken_back: bool


@dataclass(frozen=True, slots=True, order=True)
class PieceVersion:
    """How much people have said about a piece: it travels with what is said next, so that nobody is overwritten."""

    review_id: int
    disposition_id: int
    note_id: int
    """The latest of each; 0 where there is none."""

    def __str__(self) -> str:
        """As it stands in a form: `12.3.0`."""
        return f"{self.review_id}.{self.disposition_id}.{self.note_id}"


@dataclass(frozen=True, slots=True)
class Piece:
    """One casting, with the figures that a list needs."""

    id: int
    mold: str
    mold_title: str
    pour_id: int | None
    poured_at: datetime | None
    demolded_at: datetime | None
    demold_age_h: float | None
    score: float | None
    """Highest score of its photos' latest inspections; None where no photo could be inspected."""
    photo_ids: tuple[int, ...]
    photo_names: tuple[str, ...]
    unusable_photos: int
    kinds: tuple[str, ...]
    """Kinds of the findings that nobody has dismissed, one entry a finding, then of what was noted by hand."""
    noted: bool
    """Whether a person wrote down how it came out, as in a spreadsheet; with no kinds it was good."""
    unreviewed: int
    """Findings that nobody has looked at."""
    outcome: Outcome | None
    """The latest disposition, None while the piece is waiting."""


@dataclass(frozen=True, slots=True)
class PieceDetail:
    """All that is known about one piece."""

    piece: Piece
    mix: Mix | None
    photos: tuple[LoggedPhoto, ...]
    inspections: tuple[LoggedInspection | None, ...]
    """The latest inspection of each photo, in the order of `photos`."""
    dispositions: tuple[Disposition, ...]
    """Oldest first; the last one counts."""
    notes: tuple[PieceNote, ...]
    """Oldest first, those taken back as well."""
    noted_kinds: tuple[str, ...] | None
    """Kinds of the defects that a person wrote down without a photo; None where nobody did."""
    version: PieceVersion


@dataclass(frozen=True, slots=True)
class PhotoScore:
    """How likely a piece looks damaged on one of its photos."""

    photo_id: int
    piece_id: int
    view: str | None
    """None where the photo shows another side than those that the mold has."""
    score: float
    """By the latest inspection, 0 to 1."""


@dataclass(frozen=True, slots=True)
class PieceFilter:
    """Which pieces to list; what is None does not narrow the list."""

    mold: str | None = None
    since: datetime | None = None
    """Demolded (or, where that is unknown, logged) at this time or later."""
    until: datetime | None = None
    """Demolded (or logged) before this time."""
    outcome: Outcome | None = None
    kind: str | None = None
    """Has a finding of this kind that nobody has dismissed, or a note of one."""
    nearest_reference: str | None = None
    """Has a photo that was laid against the reference of this name, by its latest inspection or an earlier one."""
    waiting: bool | None = None
    """True: no disposition yet, and a photo to decide by, if any. False: decided."""
    min_score: float | None = None


@dataclass(frozen=True, slots=True)
class NewFinding:
    """A finding on its way into the log."""

    kind: str
    polygon_xy: Points
    confidence: float
    area_mm2: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None
    depth_mm: float | None = None
    feature: str | None = None
    confidence_alone: float | None = None
    dismissed_on: int = 0
    seen_as: str | None = None
    on_references: tuple[tuple[str, Points], ...] = ()


@dataclass(frozen=True, slots=True)
class NewInspection:
    """An inspection on its way into the log."""

    engine_version: str
    compared_with: str | None
    """Code of the references that the photo was compared with."""
    status: Literal["inspected", "unusable"]
    reason: str | None
    score: float | None
    px_per_mm: float | None
    reference: str | None
    seconds: float
    findings: tuple[NewFinding, ...] = ()
    warnings: tuple[str, ...] = ()
    photo_from_reference: tuple[tuple[float, ...], ...] | None = None
    not_counted: tuple[UncountedMark, ...] = ()

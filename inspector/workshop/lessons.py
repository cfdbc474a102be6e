"""What reviewers teach about a mold: places at which they dismissed marks are taken as normal, until somebody objects.

Nothing is kept but what people said. The places are worked out from the latest reviews each time, so that a review that
is changed or taken back changes them, and so does a reference that is retired: a place lies on the references that its
piece was compared with, and rests while none of them is in use.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from inspector import log
from inspector.errors import InputError
from inspector.inspection import KIND_CLASS, ReviewedPlace
from inspector.inspection.reviewed_places import REACH_MM
from inspector.log import LessonUse, MoldReference, Points, ReviewedFinding
from inspector.workshop.gathering_marks import DrawnMark, gather
from inspector.workshop.required import required
from inspector.workshop.translating import kind_of_log

__all__ = ["LATEST_PIECES_TEACH", "Lessons", "NormalPlace", "TaughtPlace"]

LATEST_PIECES_TEACH = 1000
"""What was said on so many pieces of a mold teaches: those before came from a mold that was newer, of other mixes."""
# Marks are held against each other on a raster of this scale; without a scale a photo is taken for 200 mm wide.
_RASTER_PX_PER_MM = 4.0
_ASSUMED_WIDTH_MM = 200.0


@dataclass(frozen=True, slots=True)
class TaughtPlace:
    """A reviewed place as plain values, so that two lists of them can be told apart."""

    reference: str
    polygon_xy: Points
    kind: str
    piece_id: int
    confidence: float
    confirmed: bool

    def for_engine(self) -> ReviewedPlace:
        """Give it as the engine takes it."""
        return ReviewedPlace(
            reference=self.reference,
            polygon_xy=np.asarray(self.polygon_xy, dtype=float),
            kind=kind_of_log(self.kind),
            piece=self.piece_id,
            confidence=self.confidence,
            confirmed=self.confirmed,
        )


@dataclass(frozen=True, slots=True)
class NormalPlace:
    """A place of a mold at which marks were dismissed."""

    id: int
    """The number of the first finding that was dismissed there."""
    reference: MoldReference
    """The one that it is drawn on."""
    dismissed: tuple[ReviewedFinding, ...]
    confirmed: tuple[ReviewedFinding, ...]
    use: LessonUse | None
    """The latest word on whether it is taken as normal; None as long as nobody said anything."""

    @property
    def outlines_xy(self) -> tuple[Points, ...]:
        """The marks that were dismissed, in pixels of the reference's photo."""
        return tuple(finding.on_references[self.reference.name] for finding in self.dismissed)

    @property
    def kinds(self) -> tuple[str, ...]:
        """What the marks were taken for, each kind once."""
        return tuple(dict.fromkeys(finding.kind for finding in self.dismissed))

    @property
    def dismissed_pieces(self) -> int:
        """On how many pieces marks there were dismissed."""
        return len({finding.piece_id for finding in self.dismissed})

    @property
    def confirmed_pieces(self) -> int:
        """On how many pieces marks there were confirmed."""
        return len({finding.piece_id for finding in self.confirmed})

    @property
    def switched_off(self) -> bool:
        """Whether a person does not want it taken as normal."""
        return self.use is not None and not self.use.in_use

    @property
    def counts(self) -> bool:
        """Whether marks there are less sure now than they would be by themselves."""
        return self.reference.in_use and not self.switched_off and self.dismissed_pieces > self.confirmed_pieces


class Lessons:
    """What the reviews in an open log teach.

    Parameters
    ----------
    opened : Log
    """

    def __init__(self, opened: log.Log) -> None:
        self._log = opened

    def places(self, mold: str) -> tuple[NormalPlace, ...]:
        """List the places of a mold at which marks were dismissed on its latest pieces, those on most pieces first.

        Raises
        ------
        InputError
            If there is no such mold.
        """
        reviewed = log.list_reviewed_findings(self._log, mold, of_latest=LATEST_PIECES_TEACH)
        references = sorted(log.list_references(self._log, mold), key=lambda reference: not reference.in_use)
        marks = _marks(reviewed, references)
        places = [_place([marks[number] for number in there]) for there in gather([mark.drawn for mark in marks])]
        return tuple(sorted(places, key=lambda place: (-place.dismissed_pieces, place.id)))

    def taught(self, mold: str) -> tuple[TaughtPlace, ...]:
        """List what the engine is to know about places of a mold."""
        taught: dict[int, TaughtPlace] = {}
        for place in self.places(mold):
            if place.reference.in_use and not place.switched_off:
                for finding in (*place.dismissed, *place.confirmed):
                    taught[finding.id] = TaughtPlace(
                        reference=place.reference.name,
                        polygon_xy=finding.on_references[place.reference.name],
                        kind=finding.kind,
                        piece_id=finding.piece_id,
                        confidence=finding.confidence,
                        confirmed=finding.verdict != "dismissed",
                    )
        return tuple(taught.values())

    def switch(self, mold: str, place_id: int, *, on: bool, said_by: str) -> None:
        """Say whether a place is taken as normal; earlier words stay on record.

        Raises
        ------
        InputError
            If the mold has no such place, by now.
        """
        said_by = required(said_by, "name of the person who says so")
        place = next((place for place in self.places(mold) if place.id == place_id), None)
        if place is None:
            raise InputError(
                f"Mold {mold} has no place {place_id} that is taken as normal: what was dismissed there may have been "
                "taken back. Open the page anew."
            )
        # Of all its marks, so that it outlasts a dismissal that is taken back.
        log.set_lesson_use(self._log, [finding.id for finding in place.dismissed], in_use=on, said_by=said_by)


@dataclass(frozen=True, slots=True, eq=False)
class _Mark:
    """A reviewed finding on one reference, with a little around it."""

    finding: ReviewedFinding
    reference: MoldReference
    drawn: DrawnMark


def _marks(found: Sequence[ReviewedFinding], references: Sequence[MoldReference]) -> list[_Mark]:
    """Draw findings, each on the first reference that has its outline; without those of which all are gone."""
    scales = {item.id: _raster_scale(item) for item in references}
    reach = round(REACH_MM * _RASTER_PX_PER_MM)
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    marks = []
    for finding in found:
        reference = next((item for item in references if item.name in finding.on_references), None)
        if reference is None:
            continue
        corners_xy = finding.on_references[reference.name]
        scale = scales[reference.id]
        # Of a few corners, told faster one by one than as an array.
        xs, ys = [x * scale for x, _ in corners_xy], [y * scale for _, y in corners_xy]
        left, top = math.floor(min(xs)) - reach - 1, math.floor(min(ys)) - reach - 1
        right, bottom = math.ceil(max(xs)) + reach + 1, math.ceil(max(ys)) + reach + 1
        mask = np.zeros((bottom - top + 1, right - left + 1), dtype=np.uint8)
        cv2.fillPoly(
            mask,
            [np.array([(round(x - left), round(y - top)) for x, y in zip(xs, ys, strict=True)], dtype=np.int32)],
            255,
        )
        drawn = DrawnMark(
            beside=(reference.id, KIND_CLASS[kind_of_log(finding.kind)]),
            dismissed=finding.verdict == "dismissed",
            mask=cv2.dilate(mask, around),
            left=left,
            top=top,
        )
        marks.append(_Mark(finding, reference, drawn))
    return marks


def _raster_scale(reference: MoldReference) -> float:
    """Pixels of the raster for one of the reference's photo."""
    width_px = max(x for x, _ in reference.outline_xy)
    return _RASTER_PX_PER_MM / (reference.px_per_mm or width_px / _ASSUMED_WIDTH_MM)


def _place(marks: Sequence[_Mark]) -> NormalPlace:
    dismissed = tuple(mark.finding for mark in marks if mark.finding.verdict == "dismissed")
    uses = [finding.use for finding in dismissed if finding.use is not None]
    return NormalPlace(
        id=dismissed[0].id,
        reference=marks[0].reference,
        dismissed=dismissed,
        confirmed=tuple(mark.finding for mark in marks if mark.finding.verdict != "dismissed"),
        use=max(uses, key=lambda use: use.id, default=None),
    )

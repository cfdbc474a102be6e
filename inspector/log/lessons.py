"""What reviews teach about places of a mold: read from their latest state each time, so that nothing outlasts them."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from operator import itemgetter

from sqlalchemy import func, select
from sqlalchemy.orm import aliased

from inspector.errors import InputError
from inspector.log.lesson_tables import LessonUseRow
from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.records import VERDICTS, Points, Verdict
from inspector.log.rollup_tables import PieceStandingRow
from inspector.log.standing import is_latest_review
from inspector.log.tables import FindingRow, InspectionRow, PhotoRow, PieceRow, ReviewRow

__all__ = ["LessonUse", "ReviewedFinding", "list_reviewed_findings", "set_lesson_use"]


@dataclass(frozen=True, slots=True)
class LessonUse:
    """What a person said about taking the place of a finding as normal."""

    id: int
    in_use: bool
    said_by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class ReviewedFinding:
    """A finding with the latest word on it, of whichever inspection."""

    id: int
    piece_id: int
    verdict: Verdict
    kind: str
    """As found where it was dismissed, else what it is held to be."""
    confidence: float
    """How sure it was by itself, before what other reviews say."""
    on_references: Mapping[str, Points]
    """Its outline in pixels of each reference that it was compared with, by the reference's name."""
    reviewer: str
    at: datetime
    use: LessonUse | None
    """The latest word on whether its place is taken as normal; None as long as nobody said anything."""


def list_reviewed_findings(log: Log, mold: str, *, of_latest: int) -> tuple[ReviewedFinding, ...]:
    """List the findings of a mold's pieces that a person has spoken on, in the order of the findings.

    Without those that have no outline on a reference, and without what one person outlined and another dismissed: that
    says nothing about what is found.

    Parameters
    ----------
    log : Log
    mold : str
    of_latest : int
        Of so many pieces, the latest; findings of earlier ones only where somebody said whether their place is normal.

    Raises
    ------
    InputError
        If there is no such mold.
    """
    other_use = aliased(LessonUseRow)
    latest_use = select(func.max(other_use.id)).where(other_use.finding_id == FindingRow.id)
    with log.reading() as session:
        query = (
            select(
                FindingRow.id,
                FindingRow.kind,
                FindingRow.confidence,
                FindingRow.confidence_alone,
                FindingRow.on_references,
                ReviewRow.verdict,
                ReviewRow.new_kind,
                ReviewRow.reviewer,
                ReviewRow.created_at,
                LessonUseRow,
                PhotoRow.piece_id,
            )
            .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
            .join(PhotoRow, PhotoRow.id == InspectionRow.photo_id)
            .join(ReviewRow, is_latest_review())
            .outerjoin(
                LessonUseRow,
                (LessonUseRow.finding_id == FindingRow.id)
                & (LessonUseRow.id == latest_use.correlate(FindingRow).scalar_subquery()),
            )
            .where(
                FindingRow.on_references.is_not(None),
                ReviewRow.verdict.is_not(None),
                FindingRow.drawn_by.is_(None) | (ReviewRow.verdict != "dismissed"),
            )
        )
        mold_id = mold_row(session, mold).id
        latest = (
            select(PieceStandingRow.piece_id)
            .where(PieceStandingRow.mold_id == mold_id)
            .order_by(PieceStandingRow.seen_at.desc(), PieceStandingRow.piece_id.desc())
            .limit(of_latest)
        )
        of_places = query.join(PieceRow, PieceRow.id == PhotoRow.piece_id).where(
            PieceRow.mold_id == mold_id, FindingRow.id.in_(select(LessonUseRow.finding_id))
        )
        # Two questions: of both with OR, all findings of the mold would be read.
        rows = [
            *session.execute(query.where(PhotoRow.piece_id.in_(latest))),
            *session.execute(of_places.where(PieceRow.id.not_in(latest))),
        ]
        return tuple(_reviewed(*row) for row in sorted(rows, key=itemgetter(0)))


def set_lesson_use(log: Log, finding_ids: Collection[int], *, in_use: bool, said_by: str) -> None:
    """Say whether the place of some findings is taken as normal; it stays on record with who said so.

    Raises
    ------
    InputError
        If one of the findings is not in the log; nothing is kept then.
    """
    now = datetime.now(UTC)
    with log.writing() as session:
        for finding_id in finding_ids:
            if session.get(FindingRow, finding_id) is None:
                raise InputError(f"There is no finding {finding_id} in the log.")
            session.add(LessonUseRow(finding_id=finding_id, in_use=in_use, said_by=said_by, created_at=now))


def _reviewed(
    finding_id: int,
    kind_found: str,
    confidence: float,
    confidence_alone: float | None,
    on_references: Mapping[str, list[list[float]]] | None,
    said: str | None,
    new_kind: str | None,
    reviewer: str,
    at: datetime,
    use: LessonUseRow | None,
    piece_id: int | None,
) -> ReviewedFinding:
    verdict = next((verdict for verdict in VERDICTS if verdict == said), None)
    assert verdict is not None
    assert piece_id is not None
    return ReviewedFinding(
        id=finding_id,
        piece_id=piece_id,
        verdict=verdict,
        kind=kind_found if verdict == "dismissed" else new_kind or kind_found,
        confidence=confidence if confidence_alone is None else confidence_alone,
        on_references={name: tuple((x, y) for x, y in outline) for name, outline in (on_references or {}).items()},
        reviewer=reviewer,
        at=at,
        use=None if use is None else LessonUse(id=use.id, in_use=use.in_use, said_by=use.said_by, at=use.created_at),
    )
